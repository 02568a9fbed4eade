//! Recordings played back, on a clock that nobody waits for.

use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::time::Instant;

use super::*;
use crate::clock::{Boxed, Clock};
use crate::fault::FaultKind;
use crate::meter::Meter;
use crate::recording::line::{Call, Event};
use crate::recording::reader::{Happening, Reader};
use crate::sample::{Exposure, Sample};
use crate::settings;

mod link_faults;
mod properties;
mod timing;

const SHIPPED: &str = include_str!("../../recordings/bench.jsonl");

/// The runtime's paused clock: deadlines and recorded times are on the same.
#[derive(Debug)]
struct Paused(Instant);

impl Clock for Paused {
    fn now_s(&self) -> f64 {
        self.0.elapsed().as_secs_f64()
    }

    fn sleep_until(&self, t_s: f64) -> Boxed<'_, ()> {
        let until = self.0 + std::time::Duration::from_secs_f64(t_s.max(0.0));
        Box::pin(tokio::time::sleep_until(until))
    }
}

fn clock() -> Arc<dyn Clock> {
    Arc::new(Paused(Instant::now()))
}

/// A folder of its own, with one file.
struct Folder(PathBuf);

impl Folder {
    fn with(name: &str, text: &[u8]) -> Self {
        use std::sync::atomic::{AtomicUsize, Ordering};
        static NEXT: AtomicUsize = AtomicUsize::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let folder = std::env::temp_dir().join(format!("settled-replay-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(name), text).unwrap();
        Self(folder)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _gone = std::fs::remove_dir_all(&self.0).is_ok();
    }
}

/// The driver that these settings make of a file with this text.
fn configured(text: &[u8], settings: &str) -> Result<Arc<dyn Driver>, String> {
    let folder = Folder::with("r", text);
    let context = Context::at(folder.0.clone());
    let settings = format!("file = \"r\"\n{settings}");
    settings::read("t.toml", &settings, |table| configure(table, &context)).map_err(|it| it.to_string())
}

fn happenings(text: &str) -> Vec<(f64, Event)> {
    let mut reader = Reader::new(text.as_bytes()).unwrap();
    let next = std::iter::from_fn(|| reader.next_happening().unwrap());
    next.filter_map(|it| match it {
        Happening::Entry(entry) => Some((entry.t_s, entry.event)),
        Happening::Note(_) => None,
    })
    .collect()
}

fn samples(text: &str) -> Vec<Sample> {
    let samples = happenings(text).into_iter().filter_map(|(_, event)| match event {
        Event::Sample(sample) => sample.sample(),
        _ => None,
    });
    samples.collect()
}

async fn measure(meter: &mut dyn Meter, integration_s: Option<f64>) -> Result<Sample, FaultKind> {
    let exposure = Exposure { integration_s };
    let outcome = tokio::time::timeout(meter.deadline(exposure), meter.measure(exposure)).await;
    outcome.expect("an answer within the meter's deadline").map_err(|fault| fault.kind())
}

/// Does what was done when it was recorded, when it was done; every outcome must be the same.
#[tokio::test(start_paused = true)]
async fn the_recording_that_ships_replays_to_what_was_recorded() {
    let driver = configured(SHIPPED.as_bytes(), "").unwrap();
    let clock = clock();
    let (mut meter, mut same, mut first_s): (Option<Box<dyn Meter>>, u32, Option<f64>) = (None, 0, None);
    let mut asked = None;
    for (t_s, event) in happenings(SHIPPED) {
        match event {
            Event::Asked { call, integration_s } => {
                clock.sleep_until(t_s - *first_s.get_or_insert(t_s)).await;
                asked = Some((call, integration_s));
            }
            Event::Opened { instrument, .. } => {
                let opened = driver.open(&clock).await.unwrap();
                assert_eq!(opened.describe().instrument, *instrument);
                meter = Some(opened);
            }
            Event::Fault { call: Call::Open, failed } => {
                assert_eq!(driver.open(&clock).await.unwrap_err().kind(), failed.kind);
            }
            Event::Sample(sample) => {
                let integration_s = asked.and_then(|(_, integration_s)| integration_s);
                let found = measure(meter.as_deref_mut().unwrap(), integration_s).await;
                assert_eq!(found.ok(), sample.sample(), "at {t_s} s");
                same += 1;
            }
            Event::Fault { call: Call::Measure, failed } => {
                assert_eq!(
                    measure(meter.as_deref_mut().unwrap(), None).await,
                    Err(failed.kind),
                    "at {t_s} s"
                );
                same += 1;
            }
            Event::Done { call: Call::Recover } => meter.as_deref_mut().unwrap().recover().await.unwrap(),
            Event::Done { call: Call::Close } => meter.take().unwrap().close().await,
            Event::Departed(failed) => {
                assert_eq!(meter.as_deref_mut().unwrap().departed().await.kind(), failed.kind);
            }
            _ => {}
        }
    }
    assert_eq!(same, 19, "13 readings and 6 faults");
    assert!(driver.source().is_replayed() && !driver.source().is_simulated());
}

/// The meter, opened anew where it has gone.
async fn opened(driver: &Arc<dyn Driver>, clock: &Arc<dyn Clock>) -> Box<dyn Meter> {
    for _ in 0..100 {
        if let Ok(meter) = driver.open(clock).await {
            return meter;
        }
        tokio::time::sleep(std::time::Duration::from_millis(250)).await;
    }
    panic!("it did not come back");
}

#[tokio::test(start_paused = true)]
async fn a_daemon_that_asks_more_than_was_recorded_gets_what_was_recorded_again_and_again() {
    let recorded = samples(SHIPPED);
    for settings in ["", "speed = 100", "pace = \"asked\""] {
        let driver = configured(SHIPPED.as_bytes(), settings).unwrap();
        let clock = clock();
        let mut meter = opened(&driver, &clock).await;
        let (mut good, mut kinds) = (0, Vec::new());
        for _ in 0..100 {
            match measure(meter.as_mut(), None).await {
                Ok(sample) => {
                    assert!(recorded.contains(&sample), "{sample:?}");
                    good += 1;
                }
                Err(FaultKind::Gone) => {
                    kinds.push(FaultKind::Gone);
                    meter.close().await;
                    meter = opened(&driver, &clock).await;
                }
                Err(kind) => {
                    kinds.push(kind);
                    meter.recover().await.unwrap();
                }
            }
        }
        assert!(good > 50, "{settings}: {good} good ones");
        let faults = [FaultKind::Gone, FaultKind::Silent, FaultKind::Garbled, FaultKind::AboveRange];
        assert!(faults.iter().all(|kind| kinds.contains(kind)), "{settings}: {kinds:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn what_was_never_asked_is_answered_as_what_is_nearest_or_not_at_all() {
    let driver = configured(SHIPPED.as_bytes(), "pace = \"asked\"").unwrap();
    let clock = clock();
    let mut meter = opened(&driver, &clock).await;
    let by_integration = |wanted: f64| {
        let mut of = samples(SHIPPED).into_iter().filter(move |it| it.integration_s == Some(wanted));
        of.next().unwrap().seen
    };
    // 0.1, 0.2 and 0.4 s were asked for.
    assert_eq!(measure(meter.as_mut(), Some(0.35)).await.unwrap().seen, by_integration(0.4));
    assert_eq!(measure(meter.as_mut(), Some(0.22)).await.unwrap().seen, by_integration(0.2));
    // The shipped recording has no dark reading.
    assert_eq!(meter.zero().await.unwrap_err().kind(), FaultKind::Silent);
}

#[tokio::test(start_paused = true)]
async fn an_instrument_that_leaves_at_the_end_does_not_come_back() {
    let driver = configured(&short(), "at_end = \"leave\"").unwrap();
    let clock = clock();
    let mut meter = opened(&driver, &clock).await;
    for wanted in [100.5, 100.25] {
        assert_eq!(measure(meter.as_mut(), None).await.unwrap().light().unwrap().value(), wanted);
    }
    assert_eq!(measure(meter.as_mut(), None).await, Err(FaultKind::Gone));
    assert_eq!(driver.open(&clock).await.unwrap_err().kind(), FaultKind::Gone);
}

/// A short recording of an instrument that answers in lines: two readings.
fn short() -> Vec<u8> {
    let lines = [
        r#"{"what":"recording","format":1,"daemon":"0","at":"2026-11-26T20:00:00Z","clock_speed":1.0}"#,
        r#"{"what":"meter","meter":"b","driver":"profile","source":"instrument","settings":"","profile":{"file":"p","text":"[instrument]\nmodel='m'\nunit='cd/m2'\n[measure]\nsend='M'\nanswer='^Y (?<Y>[-.0-9]+)$'\n"}}"#,
        r#"{"t_s":0,"meter":"b","what":"link_opened","speaks_unasked":true}"#,
        r#"{"t_s":1,"meter":"b","what":"sent","bytes":"M\r\n"}"#,
        r#"{"t_s":1.1,"meter":"b","what":"received","bytes":"Y 100.50\r\n"}"#,
        r#"{"t_s":2,"meter":"b","what":"sent","bytes":"M\r\n"}"#,
        r#"{"t_s":2.1,"meter":"b","what":"received","bytes":"Y 100"}"#,
        r#"{"t_s":2.2,"meter":"b","what":"received","bytes":".25\r\n"}"#,
        r#"{"what":"end","why":"stopped"}"#,
    ];
    (lines.join("\n") + "\n").into_bytes()
}

/// What a profile makes of a recording: three measurements.
async fn played(recording: &[u8]) -> Result<Vec<Result<Sample, FaultKind>>, String> {
    let driver = configured(recording, "")?;
    let clock = clock();
    let mut outcomes = Vec::new();
    let Ok(mut meter) = driver.open(&clock).await else { return Ok(outcomes) };
    for _ in 0..3 {
        let outcome = measure(meter.as_mut(), None).await;
        let again = outcome.as_ref().err().is_some_and(|kind| kind.needs_recovery());
        outcomes.push(outcome);
        if again && meter.recover().await.is_err() {
            break;
        }
    }
    Ok(outcomes)
}

/// Whether a value stands in an answer of the mutated recording, whole: from `Y ` to its end.
fn stands_in(recording: &[u8], value: f64) -> bool {
    let Ok(text) = std::str::from_utf8(recording) else { return false };
    let Ok(mut reader) = Reader::new(text.as_bytes()) else { return false };
    let mut said = String::new();
    while let Ok(Some(Happening::Entry(entry))) = reader.next_happening() {
        if let Event::Received { bytes } = entry.event {
            said.extend(bytes.0.iter().map(|byte| char::from(*byte)));
        }
    }
    let answers = said.split("Y ").skip(1).map(|rest| rest.split('\r').next().unwrap_or_default());
    answers.into_iter().any(|answer| answer.parse() == Ok(value))
}

#[tokio::test(start_paused = true)]
async fn a_recording_that_was_cut_flipped_or_doubled_anywhere_gives_no_value_that_is_no_answer() {
    let whole = short();
    let of = played(&whole).await.unwrap();
    assert_eq!(of.iter().filter(|outcome| outcome.is_ok()).count(), 3);
    let mut refused = 0;
    for place in 0..whole.len() {
        let flipped = |bit: u8| {
            let mut flipped = whole.clone();
            flipped[place] ^= 1 << bit;
            flipped
        };
        let mut doubled = whole.clone();
        doubled.insert(place, whole[place]);
        let mut without = whole.clone();
        without.remove(place);
        for mutant in [whole[..place].to_vec(), flipped(0), flipped(6), doubled, without] {
            let Ok(outcomes) = played(&mutant).await else {
                refused += 1;
                continue;
            };
            for sample in outcomes.into_iter().flatten() {
                let value = sample.light().unwrap().value();
                assert!(stands_in(&mutant, value), "{value} of {}", String::from_utf8_lossy(&mutant));
            }
        }
    }
    assert!(refused > whole.len(), "{refused} were refused");
}

#[tokio::test(start_paused = true)]
async fn an_exchange_in_which_something_was_not_recorded_is_not_played() {
    let short = String::from_utf8(short()).unwrap();
    let gap = short.replacen("{\"t_s\":2.2,", "{\"what\":\"gap\",\"lost\":7}\n{\"t_s\":2.2,", 1);
    let values: Vec<f64> = played(gap.as_bytes())
        .await
        .unwrap()
        .into_iter()
        .map(|it| it.unwrap().light().unwrap().value())
        .collect();
    assert_eq!(values, [100.5; 3]);
}

#[test]
fn mistakes_in_the_settings_name_what_there_is() {
    let two = String::from_utf8(short()).unwrap().replacen(
        "{\"t_s\":0,",
        "{\"what\":\"meter\",\"meter\":\"c\",\"driver\":\"simulated\",\"source\":\"simulated\",\"settings\":\"\"}\n{\"t_s\":0,",
        1,
    );
    let mistake = |text: &str, settings: &str| configured(text.as_bytes(), settings).unwrap_err();
    assert!(mistake(&two, "").contains("which is meant: b, c"));
    assert!(mistake(&two, "meter = \"d\"").contains("called \"d\""));
    assert!(mistake(&two, "meter = \"c\"").contains("no readings of c"));
    assert!(configured(two.as_bytes(), "meter = \"b\"").is_ok());
    assert!(mistake("", "").contains("neither a recording"));
    assert!(mistake("a,b\n1,2\n", "").contains("no column t_s"));
    let later = two.replace("\"format\":1", "\"format\":2");
    assert!(mistake(&later, "").contains("formats up to 1"), "{}", mistake(&later, ""));
    let broken = two.replace("model='m'", "modle='m'");
    assert!(
        mistake(&broken, "meter = \"b\"").contains("did you mean \\\"model\\\"")
            || mistake(&broken, "meter = \"b\"").contains("did you mean \"model\"")
    );
    assert!(mistake(&two, "meter = \"b\"\npace = \"asked\"\nspeed = 2").contains("nothing is waited for"));
}

#[test]
fn the_reader_stops_at_a_line_that_never_ends() {
    let mut endless = BufReader::new(std::io::Read::chain(SHIPPED.as_bytes(), std::io::repeat(b'x')));
    let mut reader = Reader::new(&mut endless).unwrap();
    let error = loop {
        match reader.next_happening() {
            Ok(Some(_)) => {}
            Ok(None) => panic!("it has no end"),
            Err(error) => break error.to_string(),
        }
    };
    assert!(error.contains("too long"), "{error}");
    assert!(configured(b"x", "file = \"nowhere\"").is_err() && !Path::new("nowhere").exists());
}
