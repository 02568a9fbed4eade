//! Runs in a daemon whose clock is quick, on a lamp that does what the test says.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::{Value, json};
use settled_drivers::clock::{Boxed, Clock as Spans};
use settled_drivers::driver::Driver;
use settled_drivers::fault::{Fault, FaultKind};
use settled_drivers::meter::{Description, Meter as Instrument};
use settled_drivers::sample::{Exposure, Sample, Seen};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::{Event, Selection};
use settled_protocol::meter::{Instrument as About, Kind, Quantity, Span};
use settled_protocol::quantity::{Light, Photometric};
use settled_protocol::run::{AlertKind, ListRuns, RunPlan, RunVerdict, ShowRun, StopRun};

use super::*;
use crate::client::{By, Client};
use crate::clock::Clock;
use crate::config::{MeterConfig, Survives};
use crate::daemon::Terms;
use crate::log::Written;
use crate::stop::{self, Stopper};

mod ending;
mod nights;
mod outages;

/// A light and its meter, in one.
struct Lamp {
    /// Luminance at a time of the boot clock.
    light: Mutex<Box<dyn Fn(f64) -> f64 + Send>>,
    is_gone: AtomicBool,
    /// How long an exposure takes, in s.
    exposure_s: f64,
}

impl std::fmt::Debug for Lamp {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Lamp").finish_non_exhaustive()
    }
}

impl Lamp {
    fn of(light: impl Fn(f64) -> f64 + Send + 'static) -> Arc<Self> {
        Self::exposed(1.0, light)
    }

    fn exposed(exposure_s: f64, light: impl Fn(f64) -> f64 + Send + 'static) -> Arc<Self> {
        Arc::new(Self { light: Mutex::new(Box::new(light)), is_gone: AtomicBool::new(false), exposure_s })
    }

    fn shines(&self, light: impl Fn(f64) -> f64 + Send + 'static) {
        *self.light.lock().unwrap_or_else(PoisonError::into_inner) = Box::new(light);
    }

    fn unplug(&self, is_gone: bool) {
        self.is_gone.store(is_gone, Ordering::Relaxed);
    }

    fn look(&self) -> Result<(), Fault> {
        let gone = self.is_gone.load(Ordering::Relaxed);
        if gone { Err(Fault::new(FaultKind::Gone, "unplugged")) } else { Ok(()) }
    }
}

#[derive(Debug)]
struct Handle(Arc<Lamp>);

#[derive(Debug)]
struct Open(Arc<Lamp>, Description, Arc<dyn Spans>);

impl Driver for Handle {
    fn name(&self) -> &'static str {
        "lamp"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, clock: &'a Arc<dyn Spans>) -> Boxed<'a, Result<Box<dyn Instrument>, Fault>> {
        Box::pin(async move {
            self.0.look()?;
            let instrument = About {
                model: "lamp".to_owned(),
                serial: None,
                kind: Kind::Photometer,
                quantities: vec![Quantity::Luminance],
                integration_s: Some(Span { min: 0.1, max: 10.0 }),
                range: None,
                resolution: None,
            };
            let description = Description { instrument, warm_up_s: 0.0, zero: None };
            Ok(Box::new(Open(Arc::clone(&self.0), description, Arc::clone(clock))) as Box<dyn Instrument>)
        })
    }
}

impl Instrument for Open {
    fn describe(&self) -> &Description {
        &self.1
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_secs(600)
    }

    fn measure(&mut self, _: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async {
            let Self(lamp, _, clock) = self;
            clock.sleep_until(clock.now_s() + lamp.exposure_s).await;
            lamp.look()?;
            let value = lamp.light.lock().unwrap_or_else(PoisonError::into_inner)(clock.now_s());
            let light = Light::amount(Photometric::Luminance, value).unwrap();
            Ok(Sample { seen: Seen::Light(light), integration_s: Some(lamp.exposure_s), temperature_c: None })
        })
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async { Ok(()) })
    }

    fn recovery(&self) -> Duration {
        Duration::from_secs(600)
    }
}

/// A daemon with one meter, `m`, and its runs.
struct Bench {
    daemon: Arc<Daemon>,
    tasks: JoinSet<()>,
    stopper: Stopper,
    written: Written,
    command: watch::Sender<Option<Command>>,
}

/// Times faster than the machine's clock: an hour in six seconds, so that a machine with other things to do has time for all of its readings.
const SPEED: f64 = 600.0;

fn bench(folder: &Path, lamp: &Arc<Lamp>) -> Bench {
    bench_at(folder, lamp, SPEED)
}

fn bench_at(folder: &Path, lamp: &Arc<Lamp>, speed: f64) -> Bench {
    let (log, written) = Log::open(folder.join("log.sqlite"), Survives::Crash).unwrap();
    with(log, written, lamp, speed)
}

fn with(log: Log, written: Written, lamp: &Arc<Lamp>, speed: f64) -> Bench {
    let driver = Arc::new(Handle(Arc::clone(lamp)));
    let meter =
        MeterConfig { id: "m".to_owned(), driver, sums: settled_protocol::colorimetry::Method::default() };
    let (stopper, stop) = stop::pair();
    let clock = Arc::new(Clock::simulated(speed));
    let (daemon, supervisor) = Daemon::new(vec![meter], clock, log, Terms::default(), stop.clone());
    let mut tasks = JoinSet::new();
    tasks.spawn(supervisor.run());
    let of = Arc::clone(&daemon);
    let (command, wanted) = watch::channel(None);
    tasks.spawn(async move { run(&of, Some(wanted), stop).await });
    Bench { daemon, tasks, stopper, written, command }
}

fn plan(members: Value) -> RunPlan {
    let mut all = json!({"meter": "m", "kind": "drift"});
    all.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
    serde_json::from_value(all).unwrap()
}

/// Waits for something that may not take for ever.
async fn in_time<T>(what: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), what).await.unwrap()
}

impl Bench {
    async fn start(&self, members: Value) -> Run {
        super::start(&self.daemon, plan(members)).await.unwrap()
    }

    async fn refused(&self, members: Value) -> RpcError {
        super::start(&self.daemon, plan(members)).await.unwrap_err()
    }

    async fn show(&self, run: u64) -> Run {
        super::show(&self.daemon, ShowRun { run }).await.unwrap()
    }

    async fn list(&self) -> Vec<Run> {
        super::list(&self.daemon, ListRuns::default()).await.unwrap().runs
    }

    async fn stop(&self, run: u64) -> Result<Run, RpcError> {
        super::stop(&self.daemon, &Client::new(None), StopRun { run, reason: None, this_night: false }).await
    }

    /// Stops this night alone.
    async fn skip(&self, run: u64) -> Run {
        let this = StopRun { run, reason: None, this_night: true };
        super::stop(&self.daemon, &Client::new(None), this).await.unwrap()
    }

    /// Waits until a run is as it should be.
    async fn until(&self, run: u64, is_so: impl Fn(&Run) -> bool) -> Run {
        in_time(async {
            loop {
                let now = self.show(run).await;
                if is_so(&now) {
                    return now;
                }
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        })
        .await
    }

    async fn over(&self, run: u64) -> Run {
        self.until(run, |run| run.state.is_over()).await
    }

    /// What was written down about a run.
    async fn events(&self, run: u64) -> Vec<Event> {
        let which = Selection { run: Some(run), ..Selection::default() };
        self.daemon.log.events_as(which, |page| Ok(page.events.clone())).await.unwrap()
    }

    async fn kinds(&self, run: u64) -> Vec<EventKind> {
        self.events(run).await.iter().map(|event| event.kind).collect()
    }

    /// Waits until so much of its time has passed.
    async fn at(&self, t_s: f64) {
        in_time(self.daemon.clock.sleep_until(t_s)).await;
    }

    fn now_s(&self) -> f64 {
        self.daemon.clock.now_s()
    }

    /// Ends the daemon in order.
    async fn end(mut self) {
        self.stopper.stop();
        while self.tasks.join_next().await.is_some() {}
        drop(self.daemon);
        let written = self.written;
        tokio::task::spawn_blocking(|| written.wait()).await.unwrap();
    }
}
