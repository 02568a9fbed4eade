//! How often an instrument is looked for, whatever it does.

use std::sync::Mutex;

use settled_drivers::clock::{Boxed, Clock as Spans};
use settled_drivers::driver::Driver;
use settled_drivers::sample::{Exposure, Sample};
use settled_protocol::meter::Kind;
use tokio::time::Instant;

use super::super::{MeterHandle, Tools, changes};
use super::*;
use crate::clock::Clock;
use crate::log::Log;
use crate::power::Rest;
use crate::stop;

#[test]
fn an_opening_that_took_too_long_tells_what_was_waited_for() {
    let limit = Duration::from_secs(20);
    assert_eq!(late(limit, Duration::ZERO).to_string(), "opening took longer than 20s");
    let waited = late(limit, Duration::from_millis(93_500)).to_string();
    assert!(waited.starts_with("opening took longer than 20s after 93.5s in which an answer"), "{waited}");
}

/// When an instrument seems to have come.
#[derive(Debug)]
enum News {
    Always,
    /// So long after the first attempt.
    Once(Duration),
    Never,
}

/// An instrument that is there or not, and goes as soon as it has been opened.
#[derive(Debug)]
struct Fleeting {
    is_there: bool,
    news: News,
    attempts: Mutex<Vec<Instant>>,
}

impl Fleeting {
    fn new(is_there: bool, news: News) -> Arc<Self> {
        Arc::new(Self { is_there, news, attempts: Mutex::default() })
    }
}

impl Driver for Fleeting {
    fn name(&self) -> &'static str {
        "fleeting"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, _: &'a Arc<dyn Spans>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        self.attempts.lock().unwrap().push(Instant::now());
        let is_there = self.is_there;
        Box::pin(async move {
            let instrument = Instrument {
                model: "fleeting".to_owned(),
                serial: None,
                kind: Kind::Photometer,
                quantities: Vec::new(),
                integration_s: None,
                range: None,
                resolution: None,
            };
            let meter: Box<dyn Meter> =
                Box::new(Gone(Description { instrument, warm_up_s: 0.0, zero: None }));
            if is_there { Ok(meter) } else { Err(Fault::new(FaultKind::Gone, "not there")) }
        })
    }

    fn arrival(&self) -> Boxed<'_, ()> {
        let first = self.attempts.lock().unwrap()[0];
        match self.news {
            News::Always => Box::pin(async {}),
            News::Once(after) if first + after > Instant::now() => {
                Box::pin(tokio::time::sleep_until(first + after))
            }
            News::Once(_) | News::Never => Box::pin(std::future::pending()),
        }
    }
}

#[derive(Debug)]
struct Gone(Description);

impl Meter for Gone {
    fn describe(&self) -> &Description {
        &self.0
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_secs(1)
    }

    fn measure(&mut self, _: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(std::future::pending())
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async { Fault::new(FaultKind::Gone, "gone") })
    }
}

/// When a task makes attempts, in the minute after the first.
async fn attempts_in_a_minute(driver: &Arc<Fleeting>) -> Vec<Duration> {
    let clock = Arc::new(Clock::system());
    let (handle, kept) = MeterHandle::new(
        "m",
        driver.as_ref(),
        settled_protocol::colorimetry::Method::default(),
        &changes(),
        &clock,
    );
    let (_stopper, stop) = stop::pair();
    let tools = Tools {
        driver: driver.clone(),
        clock,
        log: Log::off(),
        rest: Rest::default(),
        stop,
        sums: settled_protocol::colorimetry::Method::default(),
    };
    let task = Task::new(&handle, kept, tools).await;
    let ended = tokio::time::timeout(Duration::from_secs(60), task.run()).await;
    assert!(ended.is_err(), "the task gave up");
    let attempts = driver.attempts.lock().unwrap();
    attempts.iter().map(|attempt| *attempt - attempts[0]).collect()
}

#[tokio::test(start_paused = true)]
async fn news_that_never_ends_makes_few_attempts() {
    let attempts = attempts_in_a_minute(&Fleeting::new(false, News::Always)).await.len();
    // Four a second.
    assert!((200..=241).contains(&attempts), "{attempts}");
}

#[tokio::test(start_paused = true)]
async fn an_instrument_that_goes_as_soon_as_it_is_opened_is_opened_seldom() {
    let attempts = attempts_in_a_minute(&Fleeting::new(true, News::Never)).await.len();
    assert!((10..=20).contains(&attempts), "{attempts}");
}

#[tokio::test(start_paused = true)]
async fn news_cuts_a_long_wait_short() {
    let moment = Duration::from_millis(21_500);
    let without = attempts_in_a_minute(&Fleeting::new(false, News::Never)).await;
    let near = |attempts: &[Duration]| {
        attempts.iter().any(|attempt| attempt.abs_diff(moment) < Duration::from_millis(5))
    };
    assert!(!near(&without), "{without:?}");
    let with = attempts_in_a_minute(&Fleeting::new(false, News::Once(moment))).await;
    assert!(near(&with), "{with:?}");
}
