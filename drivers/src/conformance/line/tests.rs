//! The trials themselves can fail.

use super::fault::First;
use super::*;
use crate::clock::Clock;
use crate::clock::still as clock;
use crate::recording::reader::Reader;

const PROFILE: &str =
    "[instrument]\nmodel='m'\nunit='cd/m2'\n[measure]\nsend='M'\nanswer='^Y (?<Y>[-.0-9]+)$'\n";

/// Two readings, 1.5 and 2.5.
fn session() -> Session {
    let said = [
        r#"{"t_s":1,"meter":"b","what":"sent","bytes":"M\r\n"}"#,
        r#"{"t_s":1.1,"meter":"b","what":"received","bytes":"Y 1.5\r\n"}"#,
        r#"{"t_s":2,"meter":"b","what":"sent","bytes":"M\r\n"}"#,
        r#"{"t_s":2.1,"meter":"b","what":"received","bytes":"Y 2.5\r\n"}"#,
    ];
    heard(PROFILE, &said, 1..2, [1.5, 2.5])
}

/// A session in which that was said and heard.
fn heard(profile: &str, said: &[&str], first: Range<usize>, readings: [f64; 2]) -> Session {
    let begin = [
        r#"{"what":"recording","format":1,"daemon":"0","at":"2026-11-26T20:00:00Z","clock_speed":1.0}"#,
        r#"{"t_s":0,"meter":"b","what":"link_opened","speaks_unasked":true}"#,
    ];
    let text = [&begin, said].concat().join("\n") + "\n";
    let mut reader = Reader::new(text.as_bytes()).unwrap();
    let mut exchanges = Exchanges::default();
    while let Some(happening) = reader.next_happening().unwrap() {
        exchanges.take(&happening);
    }
    let readings = readings.map(|value| {
        use settled_protocol::quantity::{Light, Photometric};
        let light = Light::amount(Photometric::Luminance, value).unwrap();
        Sample { seen: crate::sample::Seen::Light(light), integration_s: None, temperature_c: None }
    });
    let profile = load("p", profile).unwrap();
    Session { profile, exchanges, first, readings }
}

fn case(session: &Session, answer: &str, first: First) -> Case {
    let mut exchanges = session.exchanges.clone();
    exchanges.all[1].answer[0].bytes = answer.as_bytes().to_vec();
    Case { what: "a test".to_owned(), exchanges, first, timed: false, recovers: true }
}

#[tokio::test(start_paused = true)]
async fn a_trial_tells_a_wrong_value_from_a_right_one() {
    let session = session();
    let clock: Arc<dyn Clock> = clock();
    for (answer, first, expected) in [
        ("Y 1.5\r\n", First::Value, None),
        ("Y 1.5", First::NoOther, None),
        ("Y 1.5", First::Value, Some("gave no value: ")),
        ("Y 9.5\r\n", First::NoOther, Some("gave 9.5 cd/m²")),
        ("Y 1.5\r\n", First::Fault, Some("gave 1.5 cd/m²")),
        ("Y 1.5", First::Gone, Some("was not told that it was unplugged: ")),
        ("Y 9.5\r\n", First::Ends, None),
    ] {
        let outcome = trial::run(&session, case(&session, answer, first), &clock).await;
        match expected {
            None => assert_eq!(outcome, Ok(()), "{answer:?} {first:?}"),
            Some(words) => assert!(outcome.unwrap_err().cause.starts_with(words), "{answer:?} {first:?}"),
        }
    }
    let mut stale = session.clone();
    stale.readings[1] = stale.readings[0].clone();
    let outcome = trial::run(&stale, case(&stale, "Y 1.5\r\n", First::Value), &clock).await;
    assert!(outcome.unwrap_err().cause.starts_with("the next reading is"));
}

#[test]
fn every_byte_of_every_answer_has_its_turn() {
    let session = session();
    let counts: Vec<usize> = FAULTS.iter().map(|(_, cases)| cases(&session).len()).collect();
    // Seven bytes; split as well byte by byte; eight bits in each.
    assert_eq!(counts, [8, 7, 7, 1, 1, 56, 1, 1]);
}

/// Two commands for a reading, the first acknowledged, and an answer in two lines.
const TWO_COMMANDS: &str = r"
[instrument]
model = 'm'
unit = 'cd/m2'
[integration]
range_s = [0.1, 1]
default_s = 0.2
[measure]
send = ['TINT {integration_s}', 'MEAS']
acknowledge = '^OK$'
answer = ['^Y (?<Y>[-.0-9]+)$', '^T (?<temperature_c>[-.0-9]+)$']
";

#[tokio::test(start_paused = true)]
async fn whichever_command_of_a_reading_a_fault_strikes_what_is_read_next_is_the_second() {
    for readings in [[1.5, 2.5], [1.5, 1.5]] {
        let [one, other] = readings.map(|y| {
            format!(r#"{{"t_s":2,"meter":"b","what":"received","bytes":"Y {y:.1}\r\nT 25.0\r\n"}}"#)
        });
        let (tint, ok, meas) = (
            r#"{"t_s":1,"meter":"b","what":"sent","bytes":"TINT 0.2\r\n"}"#,
            r#"{"t_s":1,"meter":"b","what":"received","bytes":"OK\r\n"}"#,
            r#"{"t_s":1,"meter":"b","what":"sent","bytes":"MEAS\r\n"}"#,
        );
        let said = [tint, ok, meas, &one, tint, ok, meas, &other];
        let mut session = heard(TWO_COMMANDS, &said, 1..3, readings);
        for reading in &mut session.readings {
            (reading.integration_s, reading.temperature_c) = (Some(0.2), Some(25.0));
        }
        let clock: Arc<dyn Clock> = clock();
        for (clause, cases) in FAULTS {
            for case in cases(&session) {
                let what = case.what.clone();
                assert_eq!(trial::run(&session, case, &clock).await, Ok(()), "{clause}: {what}");
            }
        }
    }
}

#[test]
fn one_cause_is_told_once_with_the_number_of_its_cases_and_the_first_of_them() {
    let failure =
        |number: usize, cause: &str| (number, Failure::from(cause).within(format!("case {number}")));
    let many = vec![failure(9, "it is stale"), failure(4, "it is late"), failure(2, "it is stale")];
    let told = told_once(many, 10).unwrap_err().to_string();
    assert_eq!(told, "it is stale (2 of 10 cases, the first: case 2; others failed otherwise)");
    let told = told_once(vec![failure(4, "it is late")], 10).unwrap_err().to_string();
    assert_eq!(told, "it is late (1 of 10 cases, case 4)");
    assert_eq!(told_once(Vec::new(), 10), Ok(()));
}
