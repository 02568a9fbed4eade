use settled_protocol::reading::Flag;
use settled_protocol::time::Timestamp;

use super::*;
use crate::evaluate::figure::Figure;
use crate::review::compare::{Side, Why};
use crate::review::evaluation::Stated;
use crate::review::figures::Standing;

fn side(display: &str) -> Side {
    Side {
        display: display.to_owned(),
        meter: "bench".to_owned(),
        title: "Quick look, SDR".to_owned(),
        began: Timestamp::from_unix_ns(1_790_000_000_000_000_000),
        calibration: Stated::default(),
        flags: vec![Flag::Simulated],
    }
}

fn row(subject: &str, [a, b]: [f64; 2], [standing_a, standing_b]: [Standing; 2], change: Change) -> Row {
    let (a, b) = (Figure::around(a, 0.3), Figure::around(b, 0.4));
    Row {
        set: "SDR".to_owned(),
        sequence: "white_black".to_owned(),
        subject: subject.to_owned(),
        unit: "cd/m²".to_owned(),
        a,
        b,
        difference: crate::review::compare::difference(&a, &b),
        relative_percent: None,
        standing_a,
        standing_b,
        change,
        why: (change == Change::Differs).then_some(Why::NoTolerance),
    }
}

fn comparison() -> Comparison {
    Comparison {
        comparison: 1,
        a: side("field monitor 3"),
        b: side("field monitor 3"),
        same_meter: true,
        same_display: true,
        same_correction: Some(true),
        cautions: vec!["SDR, grey: the plans differ".to_owned()],
        factor: 1.3,
        rows: vec![
            row("peak", [180.0, 203.0], [Standing::Beyond, Standing::Within], Change::Better),
            row("black", [0.5, 0.6], [Standing::Told; 2], Change::Alike),
        ],
        only_a: vec![["SDR", "chart", "chart_mean"].map(str::to_owned)],
        only_b: Vec::new(),
    }
}

fn plain(signs: Signs) -> Vec<String> {
    let lines = lines(&comparison(), signs);
    lines.iter().map(|line| anstream::adapter::strip_str(line).to_string()).collect()
}

/// As it reads, wherever its lines end.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn what_changed_is_said_first_and_everything_is_in_the_table() {
    let lines = plain(Signs::UNICODE);
    let text = lines.join("\n");
    assert!(lines.iter().all(|line| line.chars().count() <= 80), "{text}");
    for words in [
        "1 better, 0 worse, 0 differ, 1 alike, of 2 figures that both have.",
        "better SDR, white black, luminance of white: from 180.00 ± 0.30 cd/m² to 203.00 ± 0.40 cd/m²,",
        "A beyond, B within",
        "SDR, grey: the plans differ",
        "only in A: SDR, chart, mean ΔE",
        "one meter measured one display twice",
    ] {
        assert!(flowing(&text).contains(words), "{words} is not in\n{text}");
    }
    assert!(lines[0] == "A  SIMULATED" && lines[1] == "B  SIMULATED", "{text}");
    let told = lines.iter().position(|line| line.contains("better   SDR")).unwrap();
    let table = lines.iter().position(|line| line.contains("B − A")).unwrap();
    assert!(
        told < table && lines[table..].iter().any(|line| line.contains("  luminance of black")),
        "{text}"
    );
}

#[test]
fn a_terminal_without_other_signs_gets_ascii() {
    assert!(plain(Signs::ASCII).join("").is_ascii(), "{:?}", plain(Signs::ASCII));
}

#[test]
fn where_nothing_is_better_or_worse_the_first_line_says_why() {
    let differs = || row("peak", [180.0, 203.0], [Standing::Told; 2], Change::Differs);
    let open = Row {
        why: Some(Why::Calibration),
        ..row("white_colour", [1.0, 9.0], [Standing::Within; 2], Change::Differs)
    };
    let told = |rows: Vec<Row>| words::lead(&Comparison { rows, ..comparison() });
    assert_eq!(
        told(vec![differs(), differs(), open]),
        "0 better, 0 worse, 3 differ, 0 alike, of 3 figures that both have. Of those that differ nothing is called better or worse: what the meter is off by \
         may be all of it, as its calibration was not stated (1); no tolerance says which is better (2)."
    );
    let one = told(vec![differs(), row("black", [1.0, 2.0], [Standing::Told; 2], Change::Worse)]);
    assert_eq!(
        one,
        "0 better, 1 worse, 1 differs, 0 alike, of 2 figures that both have. Of those that differ nothing is called better or worse: no tolerance says which is \
         better (1)."
    );
}

#[test]
fn no_block_of_a_table_has_names_and_a_word_alone() {
    let wide = |subject: &str| Row {
        a: Figure::between(1_712_345.0, 1_689_000.0, 1_755_700.0),
        b: Figure::between(1_512_345.0, 1_489_000.0, 1_555_700.0),
        ..row(subject, [180.0, 203.0], [Standing::Told; 2], Change::Alike)
    };
    let rows = vec![wide("peak"), wide("tracking_end_luminance_of_a_long_name")];
    let lines = lines(&Comparison { rows, ..comparison() }, Signs::UNICODE);
    let heads: Vec<&String> = lines.iter().filter(|line| line.starts_with("  figure")).collect();
    assert!(heads.len() > 1, "{lines:#?}");
    assert!(
        heads.iter().all(|head| [" A", " B", "B − A"].iter().any(|last| head.ends_with(last))),
        "{lines:#?}"
    );
    assert_eq!(lines.iter().filter(|line| line.ends_with("+23.00 ± 0.50  alike")).count(), 2, "{lines:#?}");
}
