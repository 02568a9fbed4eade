use std::path::Path;

use settled_protocol::reading::Flag;
use settled_protocol::settling::Verdict;
use settled_protocol::stage::Range;
use settled_protocol::time::Timestamp;

use super::*;
use crate::evaluate::aim::{Aim, Primaries, Transfer};
use crate::review::evaluation::tests::of_plan;
use crate::review::evaluation::{Noted, Stated, Unsettled};
use crate::review::figures::Finding;
use crate::review::patch::Coding;
use crate::review::plan::Plan;
use crate::review::record::Entry;
use crate::review::record::shown::Means;
use crate::stimulus::way::Kind;

const MOMENT: u64 = 1_790_000_000_000_000_000;

fn placed(subject: &str, standing: Standing, words: &str) -> Placed {
    let (subject, words) = (subject.to_owned(), words.to_owned());
    let finding = Finding { subject, standing, words, figure: None, unit: String::new(), tolerance: None };
    Placed { set: "SDR".to_owned(), sequence: "white_black".to_owned(), finding, repeatability_alone: false }
}

fn sequence(name: &str, planned: usize, measured: usize) -> Sequenced {
    Sequenced {
        name: name.to_owned(),
        planned,
        measured,
        unsettled: Vec::new(),
        is_procedure: false,
        cautions: Vec::new(),
        figures: Vec::new(),
    }
}

fn evaluation() -> Evaluation {
    let white = "white is green and warm of D65 by Δu′v′ 0.0061 ± 0.0004, Duv +0.0042 ± 0.0003 from it, 6212 ± 14 K (it has 6504 K)";
    let noise =
        Unsettled { step: 1, name: "black".to_owned(), verdict: Verdict::NoiseLimited, has_value: true };
    Evaluation {
        evaluation: 1,
        title: "Quick look, SDR".to_owned(),
        display: "field monitor 3".to_owned(),
        meter: "bench".to_owned(),
        began: Timestamp::from_unix_ns(MOMENT),
        ended: Some(Timestamp::from_unix_ns(MOMENT + 600_000_000_000)),
        calibration: Stated { luminance_u: None, chromaticity_u: None },
        corrections: None,
        flags: vec![Flag::Simulated, Flag::MeterWarming],
        shown: vec![Shown {
            at: Timestamp::from_unix_ns(MOMENT),
            means: Means {
                way: Kind::Page,
                pause_s: 0.3,
                program: None,
                page: None,
                cautions: vec!["the page does not fill the screen".to_owned()],
            },
        }],
        notes: vec![Noted {
            at: Timestamp::from_unix_ns(MOMENT),
            words: "the review was resumed".to_owned(),
        }],
        findings: vec![
            placed("peak", Standing::Told, "white is 203.45 ± 0.12 cd/m²"),
            placed("white_colour", Standing::Beyond, white),
        ],
        sets: vec![Evaluated {
            name: "SDR".to_owned(),
            aim: Aim { transfer: Transfer::Bt1886, primaries: Primaries::Bt709, white: None },
            coding: Coding { bits: 10, range: Range::Full },
            sequences: vec![
                Sequenced { unsettled: vec![noise], ..sequence("white_black", 2, 2) },
                sequence("grey", 21, 4),
                sequence("chart", 129, 0),
            ],
        }],
    }
}

fn plain(signs: Signs) -> Vec<String> {
    let lines = lines(&evaluation(), signs, false);
    lines.iter().map(|line| anstream::adapter::strip_str(line).to_string()).collect()
}

#[test]
fn a_page_of_a_review_is_eighty_columns_wide() {
    let lines = plain(Signs::UNICODE);
    assert!(lines.len() > 10 && lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
}

#[test]
fn what_a_figure_rests_on_is_said() {
    let text = plain(Signs::UNICODE).join(" ").split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "field monitor 3 SIMULATED; the meter is still warming up",
        "with the meter bench",
        "1 beyond, 0 undecided, 0 within, 1 told",
        "held against BT.1886, BT.709, white x 0.3127 y 0.329",
        "not settled: black (noise limited)",
        "counts with the best value there was",
        "4 of 21 stimuli measured",
        "not measured",
        "repeatability alone, as the meter's calibration was not stated",
        "Stimuli were shown by a page in a browser; read 0.3 s after each was shown. ! the page does not fill the screen",
        "the review was resumed",
    ] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
}

#[test]
fn a_standing_is_told_by_its_word_without_colours_and_other_signs() {
    let text = plain(Signs::ASCII).join("\n");
    assert!(text.is_ascii(), "{text}");
    assert!(
        text.contains("x beyond     white is green and warm of D65 by du'v' 0.0061 +/- 0.0004"),
        "{text}"
    );
    assert!(plain(Signs::UNICODE).join("\n").contains("✗ beyond     white is green"));
}

#[test]
fn what_was_stated_of_a_meter_is_said_and_what_was_not_too() {
    let both = Stated { luminance_u: Some(0.02), chromaticity_u: Some(0.001) };
    assert!(both.words().ends_with("2.0000 % of luminance and 0.0010000 of u′ and v′"));
    let one = Stated { luminance_u: Some(0.02), chromaticity_u: None };
    assert!(one.words().ends_with("of colour none was stated"));
}

#[test]
fn whether_readings_were_corrected_is_told_where_the_record_knows() {
    let page = |corrections: Option<&[&str]>| {
        let corrections = corrections.map(|ids| ids.iter().map(|id| (*id).to_owned()).collect());
        let lines = lines(&Evaluation { corrections, ..evaluation() }, Signs::UNICODE, true);
        anstream::adapter::strip_str(&lines.join(" ")).to_string()
    };
    assert!(!page(None).contains("correct") && !page(Some(&[])).contains("correct"));
    assert!(page(Some(&["none"])).contains("were not corrected"));
    assert!(page(Some(&["c1"])).contains("went through its correction c1"));
    assert!(page(Some(&["c1", "none"])).contains("more than one correction: c1, none"));
}

#[test]
fn a_part_of_a_procedure_is_not_said_to_be_measured_anew() {
    let page = |sequence: &str| {
        let text = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n\
            [[set.sequence]]\nkind = \"grey\"\nsteps = 11\n[[set.sequence]]\nkind = \"retention\"\n";
        let mut record = of_plan(Plan::read(Path::new("p"), text).unwrap());
        let first = record.entries.iter_mut().find_map(|entry| match entry {
            Entry::Patch(patch) if patch.place.sequence == sequence && patch.place.step == 0 => Some(patch),
            _ => None,
        });
        first.unwrap().verdict = Verdict::TimedOut;
        let lines = lines(&Evaluation::of(&record), Signs::UNICODE, true);
        let page = anstream::adapter::strip_str(&lines.join(" ")).to_string();
        page.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let (single, part) = (page("grey"), page("retention"));
    assert!(single.contains("--again measures it anew") && !single.contains("procedure"), "{single}");
    assert!(!part.contains("--again measures it anew") && part.contains("takes another record"), "{part}");
}
