//! The shipped profiles, against an instrument that follows a script.

use std::sync::Mutex;
use std::time::Duration;

use proptest::prelude::*;
use settled_protocol::quantity::Photometric;

use super::*;
use crate::clock::still as clock;
use crate::conformance::{self, Zero};
use crate::fault::FaultKind;
use crate::link::script::{Script, Step};
use crate::sample::{Exposure, Sample};

mod spoilt;
mod zeroing;

fn profile(name: &str) -> Profile {
    load(name, shipped::text(Path::new(name)).unwrap()).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The made-up tristimulus meter; `reading` is what it does when it is asked for one.
fn tristimulus(reading: impl Fn() -> Vec<Step> + Send + Sync + 'static) -> Arc<dyn Driver> {
    let reading = Arc::new(reading);
    let open = move || -> Result<Box<dyn Link>, Fault> {
        let reading = Arc::clone(&reading);
        Ok(Box::new(Script::new(move |command| match command {
            b"*IDN?\n" => vec![Step::say("Made Up,LT-1,0042,1.0\n")],
            b"READ?\n" => reading(),
            b"SYST:ERR?\n" => vec![Step::say("+0,\"No error\"\n")],
            b"*OPC?\n" => vec![Step::say("1\n")],
            _ => Vec::new(),
        })))
    };
    Arc::new(Profiled::new(profile("lab-tristimulus"), "script".to_owned(), open))
}

const GOOD: &str = "+9.505E+01,+1.000E+02,+1.0888E+02,31.5\n";

fn good() -> Vec<Step> {
    vec![Step::say(GOOD)]
}

async fn measure(meter: &mut dyn Meter) -> Result<Sample, Fault> {
    meter.measure(Exposure::default()).await
}

#[tokio::test(start_paused = true)]
async fn the_shipped_tristimulus_profile_conforms() {
    let report = conformance::check(&tristimulus(good), &clock(), Zero::Covered).await;
    assert!(report.is_kept(), "{report}");
}

#[tokio::test(start_paused = true)]
async fn the_shipped_luminance_profile_conforms_and_converts_footlamberts() {
    let open = || -> Result<Box<dyn Link>, Fault> {
        Ok(Box::new(Script::new(|command| match command {
            b"I\r" => vec![Step::say("BLM 7b #123\r\n")],
            b"M\r" => vec![
                Step::say("OK\r\nL=+10.0 FL\r\n"),
                Step::Wait(Duration::from_millis(300)),
                Step::say("T=24.5\r\n"),
            ],
            b"Z\r" => vec![Step::Wait(Duration::from_secs(9)), Step::say("OK\r\n")],
            _ => Vec::new(),
        })))
    };
    let driver: Arc<dyn Driver> =
        Arc::new(Profiled::new(profile("bench-luminance.toml"), "script".to_owned(), open));
    let report = conformance::check(&driver, &clock(), Zero::Covered).await;
    assert!(report.is_kept(), "{report}");
    let mut meter = driver.open(&clock()).await.unwrap();
    assert_eq!(
        (meter.describe().instrument.model.as_str(), meter.describe().instrument.serial.as_deref()),
        ("7b", Some("123"))
    );
    let sample = measure(meter.as_mut()).await.unwrap();
    // NIST SP 811, appendix B.8: 1 fL is 3.426259 cd/m².
    assert!((sample.light().unwrap().value() - 34.262_59).abs() < 1e-5);
    assert_eq!(
        (sample.light().unwrap().photometric(), sample.temperature_c),
        (Photometric::Luminance, Some(24.5))
    );
}

#[tokio::test(start_paused = true)]
async fn the_integration_time_is_a_parameter_of_the_command() {
    let sent = Arc::new(Mutex::new(Vec::new()));
    let heard = Arc::clone(&sent);
    let open = move || -> Result<Box<dyn Link>, Fault> {
        let heard = Arc::clone(&heard);
        Ok(Box::new(Script::new(move |command| {
            heard.lock().unwrap().push(String::from_utf8_lossy(command).trim().to_owned());
            match command {
                b"*IDN?\n" => vec![Step::say("Made Up,LT-1,0042,1.0\n")],
                b"READ?\n" => good(),
                b"SYST:ERR?\n" => vec![Step::say("0,\"\"\n")],
                _ => Vec::new(),
            }
        })))
    };
    let driver = Profiled::new(profile("lab-tristimulus"), "script".to_owned(), open);
    let mut meter = driver.open(&clock()).await.unwrap();
    let sample = meter.measure(Exposure { integration_s: Some(0.25) }).await.unwrap();
    assert_eq!(sample.integration_s, Some(0.25));
    assert_eq!(
        *sent.lock().unwrap(),
        ["*IDN?", "SYST:ERR?", "*CLS", "SENS:MODE TRIS", "SYST:ERR?", "SENS:INT 0.25", "READ?", "SYST:ERR?"]
    );
}

#[tokio::test(start_paused = true)]
async fn the_guides_example_instrument_can_be_spoken_to() {
    let guide = include_str!("../../PROFILES.md");
    let example = guide.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let open = || -> Result<Box<dyn Link>, Fault> {
        Ok(Box::new(Script::new(|command| match command {
            b"ID\r" => vec![Step::say("EX Wonder SN77\r\n")],
            b"TAKE 400\r" => vec![Step::say("Lv 123.4\r\n0.3127 0.3290\r\n25.1 C\r\n")],
            b"TAKE 100\r" | b"TAKE 50\r" => vec![Step::say("Lv 123.5\r\n0.3127 0.3290\r\n25.1 C\r\n")],
            b"MODE CIE\r" | b"AVERAGE 1\r" | b"FILTER AUTO\r" | b"DARK\r" => {
                vec![Step::Wait(Duration::from_millis(20)), Step::say("OK\r\n")]
            }
            _ => vec![Step::say("ERR 1\r\n")],
        })))
    };
    let driver: Arc<dyn Driver> =
        Arc::new(Profiled::new(load("guide", example).unwrap(), "script".to_owned(), open));
    let report = conformance::check(&driver, &clock(), Zero::Covered).await;
    assert!(report.is_kept(), "{report}");
    let mut meter = driver.open(&clock()).await.unwrap();
    let sample = measure(meter.as_mut()).await.unwrap();
    assert!(
        (sample.light().unwrap().value() - 123.4).abs() < 1e-9
            && sample.light().unwrap().chromaticity().is_some()
    );
}

#[tokio::test(start_paused = true)]
async fn each_fault_is_told_apart_and_the_next_reading_is_good() {
    let cases: [(&str, Vec<Step>, FaultKind); 7] = [
        ("garbled", vec![Step::say("+9.5E+01;lots\n")], FaultKind::Garbled),
        ("no number", vec![Step::say("+9.5E+01,1.0.0,1,20\n")], FaultKind::Garbled),
        ("half a line", vec![Step::say("+9.5E+01,+1.0")], FaultKind::Silent),
        ("silence", Vec::new(), FaultKind::Silent),
        ("noise", vec![Step::Say(vec![b'#'; 10_000])], FaultKind::Garbled),
        ("too dark", vec![Step::say("-9.9E37,0,0,20\n")], FaultKind::BelowRange),
        ("too bright", vec![Step::say("9.9E37,0,0,20\n")], FaultKind::AboveRange),
    ];
    for (name, steps, expected) in cases {
        let once = Mutex::new(Some(steps));
        let driver = tristimulus(move || once.lock().unwrap().take().unwrap_or_else(good));
        let mut meter = driver.open(&clock()).await.unwrap();
        let fault = measure(meter.as_mut()).await.unwrap_err();
        assert_eq!(fault.kind(), expected, "{name}: {fault}");
        if fault.kind().needs_recovery() {
            meter.recover().await.unwrap();
        }
        assert!(measure(meter.as_mut()).await.is_ok(), "{name}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_not_taken_for_the_next_one() {
    let first = Mutex::new(true);
    let driver = tristimulus(move || {
        if std::mem::take(&mut *first.lock().unwrap()) {
            vec![Step::Wait(Duration::from_millis(1150)), Step::say("7,7,7,7\n")]
        } else {
            good()
        }
    });
    let mut meter = driver.open(&clock()).await.unwrap();
    assert_eq!(measure(meter.as_mut()).await.unwrap_err().kind(), FaultKind::Silent);
    meter.recover().await.unwrap();
    assert!((measure(meter.as_mut()).await.unwrap().light().unwrap().value() - 100.0).abs() < 1e-9);
}

/// A profile whose exposures take long.
const SLOW: &str = "[instrument]\nmodel = \"m\"\nunit = \"cd/m2\"\n[integration]\nrange_s = [1, 10]\ndefault_s = 10\n\
    [measure]\nsend = \"M\"\nanswer = '^(?<Y>\\d+)$'\ntimeout = \"2s\"\n";

/// An instrument whose answer to the first command comes ten seconds after `first`, and says 7; every later answer is
/// 100. What it was asked before its line was closed it answers after that, if it `keeps` it.
fn slow(first: Vec<Step>, keeps: bool) -> Arc<dyn Driver> {
    let exposure = [Step::Wait(Duration::from_secs(10)), Step::say("7\r\n")];
    let mut first: Vec<Vec<Step>> = vec![first.into_iter().chain(exposure.clone()).collect()];
    if keeps {
        first[0].insert(0, Step::Close);
    }
    let (first, openings) = (Arc::new(Mutex::new(first)), Arc::new(Mutex::new(0)));
    let open = move || -> Result<Box<dyn Link>, Fault> {
        *openings.lock().unwrap() += 1;
        let late = if keeps && *openings.lock().unwrap() == 2 { exposure.to_vec() } else { Vec::new() };
        let first = Arc::clone(&first);
        let script = Script::new(move |_| {
            let usual = vec![Step::Wait(Duration::from_secs(10)), Step::say("100\r\n")];
            first.lock().unwrap().pop().unwrap_or(usual)
        });
        Ok(Box::new(script.saying(late)))
    };
    Arc::new(Profiled::new(load("slow.toml", SLOW).unwrap(), "script".to_owned(), open))
}

#[tokio::test(start_paused = true)]
async fn an_answer_that_comes_after_a_line_nobody_asked_for_is_not_taken_for_the_next_one() {
    let unasked = [
        ("a line of text", Step::say("battery low\r\n")),
        ("bytes that are no text", Step::Say(b"\xff\xfe\r\n".to_vec())),
        ("a line that never ends", Step::Say(vec![b'#'; 10_000])),
    ];
    for (what, step) in unasked {
        let driver = slow(vec![step], false);
        let mut meter = driver.open(&clock()).await.unwrap();
        assert_eq!(measure(meter.as_mut()).await.unwrap_err().kind(), FaultKind::Garbled, "{what}");
        let limit = meter.recovery();
        assert!(limit > Duration::from_secs(10), "{what}: {limit:?}");
        tokio::time::timeout(limit, meter.recover()).await.expect("in time").unwrap();
        let value = measure(meter.as_mut()).await.unwrap().light().unwrap().value();
        assert!((value - 100.0).abs() < 1e-9, "{what}: an old answer, {value}, was given as a new one");
    }
}

#[tokio::test(start_paused = true)]
async fn a_recovery_that_is_dropped_can_be_made_up_for() {
    let driver = slow(vec![Step::say("battery low\r\n")], false);
    let mut meter = driver.open(&clock()).await.unwrap();
    assert_eq!(measure(meter.as_mut()).await.unwrap_err().kind(), FaultKind::Garbled);
    assert!(tokio::time::timeout(Duration::from_secs(1), meter.recover()).await.is_err());
    meter.recover().await.unwrap();
    assert!((measure(meter.as_mut()).await.unwrap().light().unwrap().value() - 100.0).abs() < 1e-9);
}

#[tokio::test(start_paused = true)]
async fn an_answer_that_outlives_its_line_is_not_taken_for_the_next_one() {
    let driver = slow(Vec::new(), true);
    let mut meter = driver.open(&clock()).await.unwrap();
    assert_eq!(driver.still_due(), Duration::ZERO);
    assert_eq!(measure(meter.as_mut()).await.unwrap_err().kind(), FaultKind::Gone);
    meter.close().await;
    // Who opens it anew can tell beforehand how long that waits for what may still come.
    assert!(driver.still_due() > Duration::from_secs(10), "{:?}", driver.still_due());
    let mut meter = driver.open(&clock()).await.unwrap();
    assert_eq!(driver.still_due(), Duration::ZERO);
    let value = measure(meter.as_mut()).await.unwrap().light().unwrap().value();
    assert!((value - 100.0).abs() < 1e-9, "an old answer, {value}, was given as a new one");
}

#[tokio::test(start_paused = true)]
async fn a_line_that_closes_means_that_the_meter_is_gone() {
    for said in 0..GOOD.len() {
        let driver = tristimulus(move || vec![Step::say(&GOOD[..said]), Step::Close]);
        let mut meter = driver.open(&clock()).await.unwrap();
        assert_eq!(measure(meter.as_mut()).await.unwrap_err().kind(), FaultKind::Gone, "after {said} bytes");
    }
}

#[tokio::test(start_paused = true)]
async fn where_an_answer_is_cut_makes_no_difference() {
    for cut in 0..GOOD.len() {
        let pause = Step::Wait(Duration::from_millis(300));
        let driver =
            tristimulus(move || vec![Step::say(&GOOD[..cut]), pause.clone(), Step::say(&GOOD[cut..])]);
        let mut meter = driver.open(&clock()).await.unwrap();
        assert!(
            (measure(meter.as_mut()).await.unwrap().light().unwrap().value() - 100.0).abs() < 1e-9,
            "cut at {cut}"
        );
    }
}

#[tokio::test(start_paused = true)]
async fn an_instrument_that_is_another_is_not_opened() {
    let open =
        || -> Result<Box<dyn Link>, Fault> { Ok(Box::new(Script::new(|_| vec![Step::say("hello\n")]))) };
    let driver = Profiled::new(profile("lab-tristimulus"), "script".to_owned(), open);
    assert_eq!(driver.open(&clock()).await.unwrap_err().kind(), FaultKind::Garbled);
}

#[tokio::test(start_paused = true)]
async fn an_error_in_the_queue_is_told_with_the_instruments_words() {
    let open = || -> Result<Box<dyn Link>, Fault> {
        Ok(Box::new(Script::new(|command| match command {
            b"*IDN?\n" => vec![Step::say("Made Up,LT-1,0042,1.0\n")],
            b"SYST:ERR?\n" => vec![Step::say("-222,\"Data out of range\"\n")],
            _ => Vec::new(),
        })))
    };
    let driver = Profiled::new(profile("lab-tristimulus"), "script".to_owned(), open);
    let fault = driver.open(&clock()).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Refused);
    assert!(fault.to_string().contains("Data out of range"), "{fault}");
}

#[test]
fn every_mistake_in_a_profile_is_reported_with_its_place() {
    let text = r#"[instrument]
modle = "x"
unit = "nits"
[line]
baud = 12
[measure]
send = ["GO {integration_s}", "READ {speed}"]
answer = '(?<Y>\d+) (?<x>\d+) (?<Q>\d+'
[error]
query = "ERR?"
"#;
    let found: Vec<String> = load("p.toml", text).unwrap_err().0.iter().map(ToString::to_string).collect();
    let expected = [
        "p.toml:1:1: instrument.model: is missing",
        "p.toml:2:1: instrument.modle: unknown key; did you mean \"model\"?",
        "p.toml:3:8: instrument.unit: expected one of \"cd/m2\", \"fL\", \"lx\"",
        "p.toml:5:8: line.baud: expected a whole number from 50 to 4000000, found the number 12",
        "p.toml:8:10: measure.answer: expected a regular expression: unclosed group at character 21 of",
        "p.toml:10:9: error.query: query and no_error belong together",
    ];
    for expected in expected {
        assert!(found.iter().any(|found| found.starts_with(expected)), "{expected}\nnot in {found:#?}");
    }
}

#[test]
fn groups_must_make_a_colour_or_none() {
    let answer = |pattern: &str| {
        let text = format!(
            "[instrument]\nmodel = \"m\"\nunit = \"lx\"\n[measure]\nsend = \"M\"\nanswer = '{pattern}'\n"
        );
        load("p.toml", &text)
            .map(|profile| profile.shape.has_colour())
            .map_err(|problems| problems.to_string())
    };
    assert_eq!(answer(r"(?<Y>\d+)"), Ok(false));
    assert_eq!(answer(r"(?<Y>\d+) (?<x>\d+) (?<y>\d+)"), Ok(true));
    assert!(answer(r"(?<Y>\d+) (?<x>\d+)").unwrap_err().contains("x and y together"));
    assert!(answer(r"(?<x>\d+)").unwrap_err().contains("expected a named group Y"));
    assert!(
        answer(r"(?<Y>\d+) (?<x>.)(?<y>.)(?<X>.)(?<Z>.)").unwrap_err().contains("one way to tell the colour")
    );
    assert!(answer(r"(?<Y>\d+) (?<lux>\d+)").unwrap_err().contains("unknown group \"lux\""));
}

#[test]
fn the_guides_example_is_right() {
    let guide = include_str!("../../PROFILES.md");
    let examples: Vec<&str> =
        guide.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next()).collect();
    assert!(!examples.is_empty());
    for example in examples {
        load("PROFILES.md", example).unwrap_or_else(|problems| panic!("{problems}"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_answer_makes_it_panic_or_make_a_value_up(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap();
        runtime.block_on(async {
            let said = bytes.clone();
            let driver = tristimulus(move || vec![Step::Say(said.clone())]);
            let mut meter = driver.open(&clock()).await.unwrap();
            if let Ok(sample) = measure(meter.as_mut()).await {
                prop_assert!(sample.light().unwrap().value().is_finite());
                prop_assert!(bytes.contains(&b','), "a value from {:?}", bytes);
            }
            Ok(())
        })?;
    }
}
