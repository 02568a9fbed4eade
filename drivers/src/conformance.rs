//! What every driver must do, as a suite: the contract of [`Driver`] and [`Meter`], clause by clause.
//!
//! It needs the instrument to be there, and some light in front of it. It takes a dozen exposures (some hundred, if it is to be
//! thorough) and zeroes it, where it can be zeroed: cover the aperture or leave `zero` out.
//!
//! | module | idea |
//! |---|---|
//! | `samples` | what an exposure gives, and what is refused |
//! | `drops` | calls that are dropped, and instruments that stay |
//! | `openings` | opening and closing, again and again |
//! | `line` | faults on the line, played to a profile with the instrument's own words |
//! | [`faults`] | faults on the line of an instrument that follows a script, in no time: for tests of drivers |
//! | `random` | moments that nobody chose |
//! | [`failure`] | what was wrong |
//! | `words` | values in words |

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use tokio::time::{Instant, timeout};

use crate::clock::Clock;
use crate::driver::Driver;
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample};

mod drops;
pub mod failure;
pub mod faults;
mod line;
mod misbehaviour;
mod openings;
mod random;
mod samples;
mod words;

use failure::Failure;
use line::Listener;
use random::Random;

/// The longest that closing may take.
const PATIENCE: Duration = Duration::from_secs(20);

/// The longest that refusing something may take: a driver knows without asking the instrument.
const AT_ONCE: Duration = Duration::from_millis(100);

/// How long a clause is tried in full, and how often it is tried however long that takes.
const LONGEST: Duration = Duration::from_secs(15);
const LEAST: usize = 3;

/// One clause of the contract, kept or not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clause {
    /// The clause, as a sentence.
    pub name: &'static str,
    /// What was wrong, if it was not kept.
    pub failure: Option<Failure>,
}

/// Every clause that was tried.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// In the order they were tried.
    pub clauses: Vec<Clause>,
    /// Why the others could not be tried, if they could not: the instrument can't be opened, or gives no reading.
    pub halted: Option<Failure>,
}

impl Report {
    /// Whether every clause was kept.
    #[must_use]
    pub fn is_kept(&self) -> bool {
        self.halted.is_none()
            && !self.clauses.is_empty()
            && self.clauses.iter().all(|clause| clause.failure.is_none())
    }

    fn note(&mut self, name: &'static str, outcome: Result<(), Failure>) {
        self.clauses.push(Clause { name, failure: outcome.err() });
    }
}

impl fmt::Display for Clause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.failure {
            None => write!(f, "kept    {}", self.name),
            Some(failure) => write!(f, "BROKEN  {}: {failure}", self.name),
        }
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.clauses.iter().try_for_each(|clause| writeln!(f, "{clause}"))?;
        self.halted.iter().try_for_each(|halted| writeln!(f, "halted  {halted}"))
    }
}

/// Whether the suite may zero the instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Zero {
    /// The aperture is covered, or the instrument is simulated.
    Covered,
    /// Leave it out.
    Skip,
}

/// How much is tried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent {
    /// A few of each: for a test among others, in a process that does other things meanwhile.
    Brief,
    /// Many of each, faults on the line as well, and whether files are left open: in a process of its own.
    Thorough,
}

/// What the suite is run on.
#[derive(Clone, Debug)]
pub struct Kit {
    /// The driver.
    pub driver: Arc<dyn Driver>,
    /// The time that it lives in.
    pub clock: Arc<dyn Clock>,
    /// Whether the instrument may be zeroed.
    pub zero: Zero,
    /// How much is tried.
    pub extent: Extent,
}

/// What the suite tells as it goes.
#[derive(Debug)]
pub enum Told<'a> {
    /// A clause is tried next.
    Begins {
        /// The clause.
        name: &'static str,
        /// For how long the suite may still run, as far as the instrument's pace tells.
        left: Duration,
    },
    /// A clause has been tried.
    Ends(&'a Clause),
}

/// Runs the suite, in brief.
pub async fn check(driver: &Arc<dyn Driver>, clock: &Arc<dyn Clock>, zero: Zero) -> Report {
    let (driver, clock) = (Arc::clone(driver), Arc::clone(clock));
    let kit = Kit { driver, clock, zero, extent: Extent::Brief };
    run(&kit, &mut |_| {}).await
}

/// Runs the suite; `tell` hears of each clause as it is tried.
pub async fn run(kit: &Kit, tell: &mut (dyn FnMut(Told<'_>) + Send)) -> Report {
    let mut suite = Suite {
        kit,
        tell,
        report: Report::default(),
        pace: Duration::from_millis(500),
        random: Random::new(),
        listener: Arc::default(),
    };
    suite.listener.hear(kit.driver.as_ref());
    suite.run().await;
    suite.report
}

/// The suite as it runs.
struct Suite<'a> {
    kit: &'a Kit,
    tell: &'a mut (dyn FnMut(Told<'_>) + Send),
    report: Report,
    /// What an exposure takes.
    pace: Duration,
    random: Random,
    listener: Arc<Listener>,
}

impl Suite<'_> {
    /// How often something is tried.
    fn times(&self, brief: u32, thorough: u32) -> u32 {
        match self.kit.extent {
            Extent::Brief => brief,
            Extent::Thorough => thorough,
        }
    }

    async fn open(&self) -> Result<Box<dyn Meter>, Failure> {
        open(&self.kit.driver, &self.kit.clock).await
    }

    fn begins(&mut self, name: &'static str, exposures: u32) {
        let left = self.pace.saturating_mul(exposures);
        (self.tell)(Told::Begins { name, left });
    }

    fn ends(&mut self, name: &'static str, outcome: Result<(), Failure>) {
        let clause = Clause { name, failure: outcome.err() };
        (self.tell)(Told::Ends(&clause));
        self.report.clauses.push(clause);
    }

    /// Whether something that takes long has been tried often enough, if it has been tried `done` times since `start`.
    fn is_enough(&self, done: usize, start: Instant) -> bool {
        self.kit.extent == Extent::Thorough && done >= LEAST && start.elapsed() > LONGEST
    }

    async fn run(&mut self) {
        let name = "it opens";
        self.begins(name, 1);
        let opened = self.open().await;
        self.ends(name, opened.as_ref().map(|_| ()).map_err(Clone::clone));
        let mut meter = match opened {
            Ok(meter) => meter,
            Err(failure) => {
                self.report.halted = Some(failure);
                return;
            }
        };
        let described = meter.describe().clone();
        self.exposures(meter.as_mut()).await;
        if self.report.halted.is_some() {
            // What failed is told already; whether it closes is tried elsewhere.
            let _closed = close(meter).await.is_ok();
            return;
        }
        self.dropped(meter.as_mut()).await;
        self.zeroing(meter.as_mut()).await;
        self.open_and_closed(meter, &described).await;
        if self.kit.extent == Extent::Thorough {
            self.on_the_line().await;
        }
    }
}

async fn within<T>(limit: Duration, what: impl Future<Output = Result<T, Fault>>) -> Result<T, Failure> {
    match timeout(limit, what).await {
        Ok(outcome) => outcome.map_err(|fault| Failure::of(&fault)),
        Err(_) => {
            let late = Failure::from(format!("took longer than {}", words::time(limit)));
            Err(Failure { kind: Some(FaultKind::Silent), ..late })
        }
    }
}

async fn open(driver: &Arc<dyn Driver>, clock: &Arc<dyn Clock>) -> Result<Box<dyn Meter>, Failure> {
    // An answer to what was asked before may still come, and is waited for.
    within(driver.opening() + driver.still_due(), driver.open(clock)).await
}

async fn close(meter: Box<dyn Meter>) -> Result<(), Failure> {
    timeout(PATIENCE, meter.close())
        .await
        .map_err(|_| format!("closing took longer than {}", words::time(PATIENCE)).into())
}

fn ensure(holds: bool, otherwise: impl FnOnce() -> String) -> Result<(), Failure> {
    if holds { Ok(()) } else { Err(otherwise().into()) }
}

fn same(before: &Description, now: &Description) -> Result<(), Failure> {
    ensure(before == now, || words::difference(before, now))
}

async fn sample(meter: &mut dyn Meter, integration_s: Option<f64>) -> Result<Sample, Failure> {
    let exposure = Exposure { integration_s };
    within(meter.deadline(exposure), meter.measure(exposure)).await
}

/// How long `what` takes.
async fn timed<T>(what: impl Future<Output = T>) -> (T, Duration) {
    let start = Instant::now();
    let outcome = what.await;
    (outcome, start.elapsed())
}
