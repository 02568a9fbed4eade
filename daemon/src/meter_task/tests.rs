//! The task against a driver that does what the test says, exposure by exposure.

use std::collections::VecDeque;
use std::sync::Mutex as Plain;
use std::time::Duration;

use settled_drivers::clock::{Boxed, Clock as Spans};
use settled_drivers::driver::Driver;
use settled_drivers::fault::{Fault, FaultKind};
use settled_drivers::meter::{Description, Meter as Instrument, ZeroNeed};
use settled_drivers::sample::{Sample, Seen};
use settled_protocol::error::ErrorKind;
use settled_protocol::log::{EventKind, Selection};
use settled_protocol::meter::{Instrument as About, Kind, Quantity, State};
use settled_protocol::quantity::{Light, Photometric};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Criteria, Verdict};
use tokio::sync::{Notify, Semaphore};

use super::*;
use crate::client::By;
use crate::clock::Clock;
use crate::config::{MeterConfig, Survives};
use crate::daemon::{Daemon, Supervisor, Terms};
use crate::log::Log;
use crate::settling::settle;
use crate::stop::{self, Stopper};

mod faults;
mod fresh;
mod gathering;
mod leasing;
mod outgoing;
mod replaced;
mod stalled;
mod zeroing;

/// What the next exposure, or the next opening, does.
#[derive(Debug)]
enum Act {
    Give(f64),
    Fail(FaultKind),
    Panic,
}

/// Exposures happen as the test permits them; without permits they take for ever.
#[derive(Debug)]
struct Puppet {
    openings: Plain<VecDeque<FaultKind>>,
    acts: Plain<VecDeque<Act>>,
    permits: Semaphore,
    began: Notify,
    /// A recovery ends once it has had this.
    order: tokio::sync::Mutex<()>,
    warm_up_s: f64,
    /// What each zeroing comes to: in order, if nothing is said.
    zeros: Plain<VecDeque<Act>>,
    /// What it says of itself when it is opened next.
    serial: Plain<Option<&'static str>>,
    resolution: Option<f64>,
    zero: Option<ZeroNeed>,
    celsius: Plain<Option<f64>>,
}

impl Puppet {
    fn new() -> Arc<Self> {
        Self::warming(0.0)
    }

    fn warming(warm_up_s: f64) -> Arc<Self> {
        Arc::new(Self::with(warm_up_s, None))
    }

    fn zeroed(zero: ZeroNeed) -> Arc<Self> {
        Arc::new(Self::with(0.0, Some(zero)))
    }

    fn with(warm_up_s: f64, zero: Option<ZeroNeed>) -> Self {
        let (openings, acts, began, order, zeros, celsius) = Default::default();
        let (permits, serial, resolution) = (Semaphore::new(0), Plain::default(), None);
        Self { openings, acts, permits, began, order, warm_up_s, zeros, serial, resolution, zero, celsius }
    }

    fn act(&self, act: Act) {
        self.acts.lock().unwrap().push_back(act);
    }
}

#[derive(Debug)]
struct Handle(Arc<Puppet>);

impl Driver for Handle {
    fn name(&self) -> &'static str {
        "puppet"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, _: &'a Arc<dyn Spans>) -> Boxed<'a, Result<Box<dyn Instrument>, Fault>> {
        let failure = self.0.openings.lock().unwrap().pop_front();
        Box::pin(async move {
            if let Some(kind) = failure {
                return Err(Fault::new(kind, "the test says so"));
            }
            let instrument = About {
                model: "puppet".to_owned(),
                serial: self.0.serial.lock().unwrap().map(str::to_owned),
                kind: Kind::Photometer,
                quantities: vec![Quantity::Luminance],
                integration_s: None,
                range: Some(Span { min: 0.1, max: 1000.0 }),
                resolution: self.0.resolution,
            };
            let description = Description { instrument, warm_up_s: self.0.warm_up_s, zero: self.0.zero };
            Ok(Box::new(Open { puppet: Arc::clone(&self.0), description }) as Box<dyn Instrument>)
        })
    }
}

#[derive(Debug)]
struct Open {
    puppet: Arc<Puppet>,
    description: Description,
}

impl Instrument for Open {
    fn describe(&self) -> &Description {
        &self.description
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_secs(5)
    }

    fn measure(&mut self, _: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async {
            self.puppet.began.notify_one();
            self.puppet.permits.acquire().await.unwrap().forget();
            let act = self.puppet.acts.lock().unwrap().pop_front().unwrap_or(Act::Give(100.0));
            match act {
                Act::Give(value) => {
                    let light = Light::amount(Photometric::Luminance, value).unwrap();
                    let temperature_c = *self.puppet.celsius.lock().unwrap();
                    Ok(Sample { seen: Seen::Light(light), integration_s: None, temperature_c })
                }
                Act::Fail(kind) => Err(Fault::new(kind, "the test says so")),
                Act::Panic => panic!("the test says so"),
            }
        })
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async {
            self.puppet.began.notify_one();
            self.puppet.permits.acquire().await.unwrap().forget();
            match self.puppet.zeros.lock().unwrap().pop_front() {
                None | Some(Act::Give(_)) => Ok(()),
                Some(Act::Fail(kind)) => Err(Fault::new(kind, "the test says so")),
                Some(Act::Panic) => panic!("the test says so"),
            }
        })
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async {
            let _order = self.puppet.order.lock().await;
            Ok(())
        })
    }

    fn recovery(&self) -> Duration {
        Duration::from_secs(600)
    }
}

/// A daemon with puppets for meters, `m0`, `m1` and so on.
struct Bench {
    daemon: Arc<Daemon>,
    _running: tokio::task::JoinSet<()>,
    _stopper: Stopper,
    _written: crate::log::Written,
    _folder: tempfile::TempDir,
}

fn bench(puppets: &[&Arc<Puppet>]) -> Bench {
    bench_in(tempfile::tempdir().unwrap(), puppets)
}

fn bench_in(folder: tempfile::TempDir, puppets: &[&Arc<Puppet>]) -> Bench {
    let (log, written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let meters = puppets.iter().enumerate().map(|(index, puppet)| MeterConfig {
        id: format!("m{index}"),
        driver: Arc::new(Handle(Arc::clone(puppet))),
        sums: settled_protocol::colorimetry::Method::default(),
    });
    let (stopper, stop) = stop::pair();
    let clock = Arc::new(Clock::system());
    let (daemon, supervisor): (_, Supervisor) =
        Daemon::new(meters.collect(), clock, log, Terms::default(), stop);
    let mut running = tokio::task::JoinSet::new();
    running.spawn(supervisor.run());
    Bench { daemon, _running: running, _stopper: stopper, _written: written, _folder: folder }
}

impl Bench {
    fn read(&self, meter: &str) -> impl Future<Output = Outcome> + use<> {
        let handle = self.daemon.meter(meter).unwrap().clone();
        async move { handle.read(&By::itself(), Exposure::default()).await }
    }

    async fn events(&self) -> Vec<EventKind> {
        let page = self.daemon.log.events_as(Selection::default(), |page| Ok(page.clone())).await.unwrap();
        page.events.iter().map(|event| event.kind).collect()
    }
}

/// Readings that go on, so many seconds apart.
fn every(interval_s: f64) -> Wanted {
    Wanted { exposure: Exposure::default(), interval_s, purpose: Purpose::Observing }
}

/// Waits until something is so, and not for ever.
async fn until(is_so: impl Fn() -> bool) {
    let waiting = async {
        while !is_so() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(Duration::from_secs(60), waiting).await.unwrap();
}

fn kind<T: std::fmt::Debug>(outcome: Result<T, RpcError>) -> ErrorKind {
    outcome.unwrap_err().kind()
}

#[tokio::test]
async fn equal_requests_share_an_exposure_and_a_later_one_gets_its_own() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let mut early = tokio::task::JoinSet::new();
    early.spawn(bench.read("m0"));
    puppet.began.notified().await;
    // The first exposure has begun: these two arrived too late for it, and share the next.
    early.spawn(bench.read("m0"));
    early.spawn(bench.read("m0"));
    until(|| bench.daemon.status().meters[0].waiting >= 2).await;
    puppet.permits.add_permits(2);
    let mut sequences = Vec::new();
    while let Some(outcome) = early.join_next().await {
        let logged = outcome.unwrap().unwrap();
        sequences.push((logged.reading.sequence, logged.reading.flags.contains(&Flag::Shared)));
    }
    sequences.sort_unstable();
    assert_eq!(sequences, [(1, false), (2, true), (2, true)]);
    assert_eq!(bench.daemon.status().meters[0].exposures, 2);
}

#[tokio::test]
async fn a_meter_that_panics_is_restarted_and_others_are_untouched() {
    let (wild, calm) = (Puppet::new(), Puppet::new());
    let bench = bench(&[&wild, &calm]);
    wild.act(Act::Panic);
    wild.permits.add_permits(2);
    calm.permits.add_permits(1);
    assert_eq!(kind(bench.read("m0").await), ErrorKind::Internal);
    assert!(bench.read("m1").await.is_ok());
    assert!(bench.read("m0").await.is_ok());
    assert!(bench.events().await.contains(&EventKind::TaskRestarted));
}

#[tokio::test]
async fn who_waits_for_a_settled_reading_outlives_a_panic_of_the_meter() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    puppet.act(Act::Give(100.0));
    puppet.act(Act::Panic);
    puppet.permits.add_permits(100_000);
    let criteria = Criteria { hold_s: 0.5, max_wait_s: 20.0, ..Criteria::default() };
    let settled =
        settle(&bench.daemon, &By::itself(), "m0", criteria, Exposure::default(), |_| {}).await.unwrap();
    assert_eq!(settled.verdict, Verdict::Settled);
    assert!(bench.events().await.contains(&EventKind::TaskRestarted));
}

#[tokio::test]
async fn a_meter_that_goes_away_comes_back_by_itself() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    puppet.act(Act::Fail(FaultKind::Gone));
    puppet.permits.add_permits(2);
    puppet.openings.lock().unwrap().push_back(FaultKind::Busy);
    let mut changes = bench.daemon.observe();
    assert_eq!(changes.recv().await.unwrap().state, State::Failed);
    // A request makes it try again at once. This exposure loses the meter, the next one finds it back.
    assert_eq!(kind(bench.read("m0").await), ErrorKind::MeterAbsent);
    assert!(bench.read("m0").await.is_ok());
    let expected = [
        EventKind::MeterFailed,
        EventKind::MeterReady,
        EventKind::ExposureFailed,
        EventKind::MeterGone,
        EventKind::MeterReady,
    ];
    assert_eq!(bench.events().await, expected);
    assert_eq!(bench.daemon.list()[0].state, State::Ready);
}

#[tokio::test]
async fn readings_say_what_must_be_known_before_trusting_them() {
    let puppet = Puppet::warming(3600.0);
    let bench = bench(&[&puppet]);
    puppet.act(Act::Give(0.01));
    puppet.permits.add_permits(1);
    let logged = bench.read("m0").await.unwrap();
    assert_eq!(logged.reading.flags, [Flag::BelowRange, Flag::MeterWarming]);
    assert_eq!(bench.daemon.list()[0].state, State::Warming);
}

#[tokio::test]
async fn an_abandoned_request_causes_no_exposure() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let mut tasks = tokio::task::JoinSet::new();
    tasks.spawn(bench.read("m0"));
    puppet.began.notified().await;
    let abandoned = tasks.spawn(bench.read("m0"));
    until(|| bench.daemon.status().meters[0].waiting >= 1).await;
    abandoned.abort();
    puppet.permits.add_permits(10);
    while tasks.join_next().await.is_some() {}
    assert!(bench.read("m0").await.is_ok());
    assert_eq!(bench.daemon.status().meters[0].exposures, 2);
}

#[tokio::test]
async fn more_demands_than_a_client_may_have_are_refused_until_one_ends_and_others_have_their_room() {
    let bench = bench(&[&Puppet::new()]);
    let (meter, by) = (bench.daemon.meter("m0").unwrap(), By::itself());
    let mut demands = Vec::new();
    for _ in 0..queue::MOST_DEMANDS {
        demands.push(meter.demand(&by, every(1.0)).await.unwrap());
    }
    let refused = meter.demand(&by, every(1.0)).await;
    assert_eq!(refused.unwrap_err().kind(), ErrorKind::Overloaded);
    assert!(meter.demand(&By::itself(), every(1.0)).await.is_ok());
    demands.pop();
    assert!(meter.demand(&by, every(1.0)).await.is_ok());
}
