//! The trials themselves can fail.

use super::fault::First;
use super::*;
use crate::clock::{Boxed, Clock};
use crate::recording::reader::Reader;

/// Nothing here waits for it.
#[derive(Debug)]
struct Still;

impl Clock for Still {
    fn now_s(&self) -> f64 {
        0.0
    }

    fn sleep_until(&self, _: f64) -> Boxed<'_, ()> {
        Box::pin(async {})
    }
}

const PROFILE: &str =
    "[instrument]\nmodel='m'\nunit='cd/m2'\n[measure]\nsend='M'\nanswer='^Y (?<Y>[-.0-9]+)$'\n";

/// Two readings, 1.5 and 2.5.
fn session() -> Session {
    let lines = [
        r#"{"what":"recording","format":1,"daemon":"0","at":"2026-11-26T20:00:00Z","clock_speed":1.0}"#,
        r#"{"t_s":0,"meter":"b","what":"link_opened","speaks_unasked":true}"#,
        r#"{"t_s":1,"meter":"b","what":"sent","bytes":"M\r\n"}"#,
        r#"{"t_s":1.1,"meter":"b","what":"received","bytes":"Y 1.5\r\n"}"#,
        r#"{"t_s":2,"meter":"b","what":"sent","bytes":"M\r\n"}"#,
        r#"{"t_s":2.1,"meter":"b","what":"received","bytes":"Y 2.5\r\n"}"#,
    ];
    let text = lines.join("\n") + "\n";
    let mut reader = Reader::new(text.as_bytes()).unwrap();
    let mut exchanges = Exchanges::default();
    while let Some(happening) = reader.next_happening().unwrap() {
        exchanges.take(&happening);
    }
    let reading = |value| {
        use settled_protocol::quantity::{Light, Photometric};
        let light = Light::amount(Photometric::Luminance, value).unwrap();
        Sample { seen: crate::sample::Seen::Light(light), integration_s: None, temperature_c: None }
    };
    let profile = load("p", PROFILE).unwrap();
    Session { profile, exchanges, first: 1..2, readings: [reading(1.5), reading(2.5)] }
}

fn case(session: &Session, answer: &str, first: First) -> Case {
    let mut exchanges = session.exchanges.clone();
    exchanges.all[1].answer[0].bytes = answer.as_bytes().to_vec();
    Case { what: "a test".to_owned(), exchanges, first, timed: false, recovers: true }
}

#[tokio::test(start_paused = true)]
async fn a_trial_tells_a_wrong_value_from_a_right_one() {
    let session = session();
    let clock: Arc<dyn Clock> = Arc::new(Still);
    for (answer, first, expected) in [
        ("Y 1.5\r\n", First::Value, None),
        ("Y 1.5", First::NoOther, None),
        ("Y 1.5", First::Value, Some("gave no value: ")),
        ("Y 9.5\r\n", First::NoOther, Some("gave Sample")),
        ("Y 1.5\r\n", First::Fault, Some("gave Sample")),
        ("Y 1.5", First::Gone, Some("Silent instead of Gone")),
        ("Y 9.5\r\n", First::Ends, None),
    ] {
        let outcome = trial::run(&session, case(&session, answer, first), &clock).await;
        match expected {
            None => assert_eq!(outcome, Ok(()), "{answer:?} {first:?}"),
            Some(words) => assert!(outcome.unwrap_err().starts_with(words), "{answer:?} {first:?}"),
        }
    }
    let mut stale = session.clone();
    stale.readings[1] = stale.readings[0].clone();
    let outcome = trial::run(&stale, case(&stale, "Y 1.5\r\n", First::Value), &clock).await;
    assert!(outcome.unwrap_err().starts_with("the next reading is"));
}

#[test]
fn every_byte_of_every_answer_has_its_turn() {
    let session = session();
    let counts: Vec<usize> = FAULTS.iter().map(|(_, cases)| cases(&session).len()).collect();
    // Seven bytes; split as well byte by byte; eight bits in each.
    assert_eq!(counts, [8, 7, 7, 1, 1, 56, 1, 1]);
}
