use clap::Parser;
use settled_protocol::settling::Criteria;

use super::*;

#[derive(Debug, Parser)]
struct Line {
    #[command(flatten)]
    options: CriteriaOptions,
}

fn parse(words: &[&str]) -> Result<CriteriaOptions, String> {
    let line = Line::try_parse_from(std::iter::once("settle").chain(words.iter().copied()));
    line.map(|line| line.options).map_err(|error| error.to_string())
}

fn refusal(words: &[&str]) -> String {
    parse(words).and_then(|options| options.criteria().map_err(|failure| failure.to_string())).unwrap_err()
}

#[test]
fn an_options_range_is_that_of_the_protocol() {
    // What is typed at either end, and beyond either end.
    let options: [(&str, [&str; 2], [&str; 2]); 8] = [
        ("--luminance", ["0.0001%", "100%"], ["0.00009%", "100.1%"]),
        ("--luminance-floor", ["0", "1000"], ["-0.001", "1000.1"]),
        ("--chromaticity", ["0.000001", "1"], ["0.0000009", "1.1"]),
        ("--chromaticity-knee", ["0", "1000"], ["-1", "1001"]),
        ("--hold", ["0.5s", "24h"], ["0.4s", "25h"]),
        ("--confidence", ["80%", "99.99%"], ["79.9%", "99.991%"]),
        ("--min-wait", ["0", "7d"], ["-1s", "8d"]),
        ("--max-wait", ["1s", "7d"], ["0.9s", "8d"]),
    ];
    for (option, within, beyond) in options {
        for value in within {
            let others: &[&str] = match option {
                "--max-wait" => &["--hold", "1s"],
                _ => &["--max-wait", "7d"],
            };
            let criteria = parse(&[&[option, value], others].concat()).unwrap().criteria();
            assert!(criteria.is_ok(), "{option} {value}: {criteria:?}");
        }
        for value in beyond {
            let words = refusal(&[option, value]);
            assert!(words.contains(&format!("invalid value '{value}' for '{option} <")), "{words}");
        }
    }
    let default = Criteria::default();
    for beyond in [
        Criteria { luminance: 0.9e-6, ..default },
        Criteria { luminance: 1.001, ..default },
        Criteria { luminance_floor_cd_m2: 1000.1, ..default },
        Criteria { chromaticity: 0.9e-6, ..default },
        Criteria { chromaticity: 1.1, ..default },
        Criteria { chromaticity_knee_cd_m2: 1001.0, ..default },
        Criteria { hold_s: 0.4, ..default },
        Criteria { hold_s: 90_000.0, max_wait_s: 604_800.0, ..default },
        Criteria { confidence: 0.799, ..default },
        Criteria { confidence: 0.99991, ..default },
        Criteria { max_wait_s: 691_200.0, ..default },
        Criteria { hold_s: 0.5, max_wait_s: 0.9, ..default },
    ] {
        assert!(beyond.checked().is_err(), "the protocol takes more than the options: {beyond:?}");
    }
}

fn report(waiting: Option<RpcError>) -> SettleProgress {
    let evidence = r#"{"window_s":0,"n":3,"outliers":0,"steps":0,"failing":["too_few"]}"#;
    SettleProgress {
        request: settled_protocol::message::RequestId::Number(1),
        waited_s: 0.0,
        count: 3,
        latest: 119.92,
        waiting,
        value: None,
        evidence: serde_json::from_str(evidence).unwrap(),
    }
}

#[test]
fn a_meter_that_is_away_is_told_once_in_full_and_its_last_light_is_not_told_as_new() {
    let absent = |why: &str| RpcError::new(ErrorKind::MeterAbsent, format!("bench: {why}"));
    let mut progress =
        Progress { output: Output::default(), hold_s: 60.0, quiet: false, last: None, kept_by: None };
    assert_eq!(progress.news(None), None);
    assert_eq!(progress.words(&report(None)), " 0.0 s   119.92   gathering readings");
    let closed = absent("the port has closed");
    let said = progress.news(Some(&closed)).unwrap();
    assert_eq!(
        said,
        "the meter is absent (bench: the port has closed); waiting until it gives readings again"
    );
    assert_eq!(progress.words(&report(Some(closed))), " 0.0 s   the meter is absent: waiting");
    assert_eq!(progress.news(Some(&absent("there is no port"))), None);
    let silent = RpcError::new(ErrorKind::MeterSilent, "bench: no reading within 1s");
    let said = progress.news(Some(&silent)).unwrap();
    assert!(said.starts_with("the meter gives no readings (bench: no reading within 1s); waiting"), "{said}");
    assert_eq!(progress.news(None).unwrap(), "the meter gives readings again");
    assert_eq!(progress.news(None), None);
}

#[test]
fn waits_that_do_not_fit_are_named_as_they_were_typed() {
    assert_eq!(
        refusal(&["--max-wait", "10s"]),
        "--max-wait (10 s) must not be shorter than --hold (60 s by default)"
    );
    assert_eq!(
        refusal(&["--hold", "3h"]),
        "--max-wait (60 min by default) must not be shorter than --hold (3.0 h)"
    );
    assert_eq!(
        refusal(&["--min-wait", "5min", "--max-wait", "90s"]),
        "--max-wait (90 s) must not be shorter than --min-wait (5 min)"
    );
}
