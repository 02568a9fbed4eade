//! The shipped profiles, and a driver that is careless, against an instrument whose every answer is spoilt in every way.

use settled_protocol::meter::{Instrument, Kind};
use settled_protocol::quantity::Light;

use super::*;
use crate::conformance::faults;
use crate::meter::Description;
use crate::sample::Seen;

/// A driver over whatever link it is given, with this profile.
fn over(profile: Profile) -> impl Fn(faults::Opener) -> Arc<dyn Driver> {
    move |open| Arc::new(Profiled::new(profile.clone(), "script".to_owned(), open))
}

#[tokio::test(start_paused = true)]
async fn however_an_answer_is_spoilt_the_tristimulus_profile_says_so_and_measures_on() {
    let order = |command: &[u8], exposure: u32| match command {
        b"*IDN?\n" => vec![Step::say("Made Up,LT-1,0042,1.0\n")],
        b"READ?\n" => vec![
            Step::Wait(Duration::from_millis(100)),
            Step::say(&format!("95.05,{}.5,108.88,31.5\n", 100 + exposure)),
        ],
        b"SYST:ERR?\n" => vec![Step::say("+0,\"No error\"\n")],
        _ => Vec::new(),
    };
    let report = faults::check(over(profile("lab-tristimulus")), order, &clock()).await;
    assert!(report.is_kept(), "{report}");
}

#[tokio::test(start_paused = true)]
async fn however_an_answer_is_spoilt_the_luminance_profile_says_so_and_measures_on() {
    let order = |command: &[u8], exposure: u32| match command {
        b"I\r" => vec![Step::say("BLM 7b #123\r\n")],
        b"M\r" => vec![
            Step::say(&format!("OK\r\nL=+{}.5 FL\r\n", 10 + exposure)),
            Step::Wait(Duration::from_millis(300)),
            Step::say("T=24.5\r\n"),
        ],
        _ => Vec::new(),
    };
    let report = faults::check(over(profile("bench-luminance")), order, &clock()).await;
    assert!(report.is_kept(), "{report}");
}

/// An instrument that says something like an error before its first answer, and numbers its answers.
fn unasked_error(profile: Profile) -> Arc<dyn Driver> {
    let open = || -> Result<Box<dyn Link>, Fault> {
        let mut count = 0;
        Ok(Box::new(Script::new(move |command| match command {
            b"ID?\r\n" => vec![Step::say("POCKET LX 007\r\n")],
            b"LX?\r\n" => {
                count += 1;
                let error = if count == 1 { "? low battery\r\n" } else { "" };
                let answer = format!("{count} lx\r\n");
                vec![Step::say(error), Step::Wait(Duration::from_millis(50)), Step::say(&answer)]
            }
            _ => Vec::new(),
        })))
    };
    Arc::new(Profiled::new(profile, "script".to_owned(), open))
}

#[tokio::test(start_paused = true)]
async fn an_answer_that_comes_after_an_error_that_nobody_asked_for_is_not_taken_for_the_next() {
    let known = profile("pocket-illuminance");
    let anonymous = Profile { identify: None, ..known.clone() };
    for profile in [known, anonymous] {
        let mut meter = unasked_error(profile).open(&clock()).await.unwrap();
        let fault = measure(meter.as_mut()).await.unwrap_err();
        assert!(fault.kind() == FaultKind::Refused && fault.to_string().contains("low battery"), "{fault}");
        assert_eq!(measure(meter.as_mut()).await.unwrap().light().unwrap().value(), 2.0);
    }
}

#[tokio::test(start_paused = true)]
async fn a_time_or_a_temperature_that_can_not_be_is_absent() {
    let text = "[instrument]\nmodel = \"m\"\nunit = \"lx\"\n[integration]\nrange_s = [1, 10]\ndefault_s = 1\n\
        [measure]\nsend = \"M\"\nanswer = '^(?<Y>\\S+) (?<integration_s>\\S+) (?<temperature_c>\\S+)$'\n";
    for (told, expected) in [("0.5", Some(0.5)), ("0", None), ("-1", None), ("4000", None)] {
        let open = move || -> Result<Box<dyn Link>, Fault> {
            Ok(Box::new(Script::new(move |_| vec![Step::say(&format!("5 {told} {told}e9\r\n"))])))
        };
        let driver = Profiled::new(load("p.toml", text).unwrap(), "script".to_owned(), open);
        let mut meter = driver.open(&clock()).await.unwrap();
        let sample = measure(meter.as_mut()).await.unwrap();
        assert_eq!((sample.integration_s, sample.temperature_c), (expected, (told == "0").then_some(0.0)));
    }
}

/// Sends, and takes whatever line comes for the answer: no draining, no looking at what it reads.
#[derive(Debug)]
struct Careless(Box<dyn Link>, Description);

impl Meter for Careless {
    fn describe(&self) -> &Description {
        &self.1
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_secs(1)
    }

    fn measure(&mut self, _: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            self.0.send(b"M").await?;
            let mut line = Vec::new();
            while !line.ends_with(b"\n") {
                self.0.receive(&mut line).await?;
            }
            let garbled = || Fault::new(FaultKind::Garbled, "no number");
            let value = String::from_utf8_lossy(&line).trim().parse().map_err(|_| garbled())?;
            let light = Light::amount(Photometric::Luminance, value).map_err(|_| garbled())?;
            Ok(Sample { seen: Seen::Light(light), integration_s: None, temperature_c: None })
        })
    }
}

/// Opens it.
struct Carelessly(faults::Opener);

impl std::fmt::Debug for Carelessly {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Carelessly")
    }
}

impl Driver for Carelessly {
    fn name(&self) -> &'static str {
        "careless"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, _: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async {
            let instrument = Instrument {
                model: "careless".to_owned(),
                serial: None,
                kind: Kind::Photometer,
                quantities: Vec::new(),
                integration_s: None,
                range: None,
                resolution: None,
            };
            let description = Description { instrument, warm_up_s: 0.0, zero: None };
            Ok(Box::new(Careless((self.0)()?, description)) as Box<dyn Meter>)
        })
    }
}

#[tokio::test(start_paused = true)]
async fn a_careless_driver_is_found_out() {
    let order = |_: &[u8], exposure: u32| vec![Step::say(&format!("{}\n", 100 + exposure))];
    let report = faults::check(|open| Arc::new(Carelessly(open)), order, &clock()).await;
    let broken: Vec<&str> =
        report.clauses.iter().filter(|clause| clause.failure.is_some()).map(|clause| clause.name).collect();
    assert_eq!(
        broken,
        [
            "an answer that comes too late is never taken for the next",
            "an answer that trickles in is read, and one that does so too slowly is given up",
            "an answer that comes twice is taken once, and never for the next",
        ],
        "{report}"
    );
}
