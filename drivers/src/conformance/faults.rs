//! What every driver that speaks over a [`Link`] must do when its instrument misbehaves: each answer is spoilt in every way, at
//! every byte, and the driver must say so in time, make nothing up, and measure rightly after that.
//!
//! The instrument is a script, so this needs no instrument and, with the runtime's clock paused
//! (`#[tokio::test(start_paused = true)]`), no time.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::time::timeout;

use super::failure::Failure;
use super::misbehaviour::{Misbehaviour, size};
use super::{Clause, PATIENCE, Report, ensure, open, sample};
use crate::clock::Clock;
use crate::driver::Driver;
use crate::fault::{Fault, FaultKind, chain};
use crate::link::Link;
use crate::link::script::{Script, Step};
use crate::meter::Meter;
use crate::sample::{Exposure, Sample};

/// No instrument answers in no time.
const LATENCY: Duration = Duration::from_millis(5);

/// Makes a link to the instrument.
pub type Opener = Box<dyn Fn() -> Result<Box<dyn Link>, Fault> + Send + Sync>;

/// An instrument in order, as a script: what it does when it is sent something, in the exposure of this number. Readings of unlike
/// exposures must differ, so that an old one is told from a new one.
type Order = dyn Fn(&[u8], u32) -> Vec<Step> + Send + Sync;

/// What the scripts share.
#[derive(Default)]
struct Bench {
    /// The number of the exposure.
    exposure: u32,
    /// Which answer from now on is spoilt, and how.
    armed: Option<(usize, Misbehaviour)>,
    /// The sizes of the answers since then.
    sizes: Vec<usize>,
}

/// The drivers under test, and what they are tested with.
struct Trial<'a> {
    bench: Arc<Mutex<Bench>>,
    driver: Arc<dyn Driver>,
    /// The same driver, whose instrument never misbehaves: it tells what is right.
    reference: Box<dyn Meter>,
    clock: &'a Arc<dyn Clock>,
}

/// Runs the suite on the driver that `make` makes over a link; `order` is the instrument in order, as a script: what it does when
/// it is sent something, in the exposure of this number (readings of unlike exposures must differ).
pub async fn check(
    make: impl Fn(Opener) -> Arc<dyn Driver>,
    order: impl Fn(&[u8], u32) -> Vec<Step> + Send + Sync + 'static,
    clock: &Arc<dyn Clock>,
) -> Report {
    let mut report = Report::default();
    let bench = Arc::new(Mutex::new(Bench::default()));
    let order: Arc<Order> = Arc::new(order);
    let reference = make(opener(&bench, &order, false));
    let reference = open(&reference, clock).await;
    report.note("it opens", reference.as_ref().map(|_| ()).map_err(Clone::clone));
    let Ok(reference) = reference else { return report };
    let mut trial = Trial { driver: make(opener(&bench, &order, true)), bench, reference, clock };
    report.note("unlike exposures give unlike readings", trial.differs().await);
    let (opening, measuring) = match trial.sizes().await {
        Ok(sizes) => sizes,
        Err(failure) => {
            report.note("it measures", Err(failure));
            return report;
        }
    };
    for (name, misbehaviours) in kinds() {
        let mut outcome = Ok(());
        for (answer, size) in measuring.iter().enumerate() {
            for misbehaviour in misbehaviours(*size, trial.deadline()) {
                if outcome.is_ok() {
                    let said =
                        |failure: Failure| failure.within(format!("{misbehaviour:?} in answer {answer}"));
                    outcome = trial.measuring(answer, misbehaviour).await.map_err(said);
                }
            }
        }
        report.note(name, outcome);
    }
    report.clauses.push(trial.opens_in_disorder(&opening).await);
    report
}

/// Every way an answer of this size is spoilt, where a measurement may take so long.
type Ways = fn(usize, Duration) -> Vec<Misbehaviour>;

fn kinds() -> [(&'static str, Ways); 9] {
    [
        ("silence is named, and the next reading is good", |_, _| vec![Misbehaviour::Silence]),
        ("an answer that is cut anywhere is no reading, and the next is good", |size, _| {
            (0..size).map(Misbehaviour::Cut).collect()
        }),
        ("a line that closes anywhere means that it is gone, and the next opening is good", |size, _| {
            (0..size).map(Misbehaviour::Close).collect()
        }),
        ("an answer that comes too late is never taken for the next", |_, deadline| {
            [2, 3, 4, 5, 6, 8, 12, 20, 50].map(|tenths| Misbehaviour::Late(tenths * deadline / 10)).to_vec()
        }),
        (
            "an answer that trickles in is read, and one that does so too slowly is given up",
            |size, deadline| {
                let each = deadline / u32::try_from(size.max(1)).unwrap_or(u32::MAX);
                vec![Misbehaviour::Trickle(Duration::from_micros(100)), Misbehaviour::Trickle(2 * each)]
            },
        ),
        ("an answer that comes twice is taken once, and never for the next", |_, _| {
            vec![Misbehaviour::Twice]
        }),
        ("an echo is no answer", |_, _| vec![Misbehaviour::Echo]),
        ("noise is no reading, and the next is good", |_, _| vec![Misbehaviour::Noise]),
        ("a flood ends, and the next reading is good", |_, _| vec![Misbehaviour::Flood]),
    ]
}

/// The kinds of fault that a misbehaviour may end in.
fn may_end_in(misbehaviour: Misbehaviour, kind: FaultKind) -> bool {
    match misbehaviour {
        Misbehaviour::Close(_) => kind == FaultKind::Gone,
        Misbehaviour::Silence => kind == FaultKind::Silent,
        _ => matches!(kind, FaultKind::Silent | FaultKind::Garbled | FaultKind::Refused),
    }
}

/// Whether the right reading may come of it all the same.
fn may_end_well(misbehaviour: Misbehaviour) -> bool {
    matches!(
        misbehaviour,
        Misbehaviour::Twice | Misbehaviour::Echo | Misbehaviour::Trickle(_) | Misbehaviour::Late(_)
    )
}

fn opener(bench: &Arc<Mutex<Bench>>, order: &Arc<Order>, misbehaves: bool) -> Opener {
    let (bench, order) = (Arc::clone(bench), Arc::clone(order));
    Box::new(move || {
        let (bench, order) = (Arc::clone(&bench), Arc::clone(&order));
        Ok(Box::new(Script::new(move |command| {
            let mut bench = locked(&bench);
            let mut answer = order(command, bench.exposure);
            if answer.is_empty() {
                return answer;
            }
            answer.insert(0, Step::Wait(LATENCY));
            if !misbehaves {
                return answer;
            }
            let index = bench.sizes.len();
            bench.sizes.push(size(&answer));
            match bench.armed {
                Some((armed, misbehaviour)) if armed == index => misbehaviour.spoil(command, answer),
                _ => answer,
            }
        })))
    })
}

fn locked(bench: &Mutex<Bench>) -> MutexGuard<'_, Bench> {
    bench.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One exposure, within its deadline. Whoever waits for longer says that it was silent.
async fn measure(meter: &mut dyn Meter) -> Result<Sample, Fault> {
    let limit = meter.deadline(Exposure::default());
    let outcome = timeout(limit, meter.measure(Exposure::default())).await;
    outcome.unwrap_or_else(|_| Err(Fault::new(FaultKind::Silent, format!("took longer than {limit:?}"))))
}

impl Trial<'_> {
    fn deadline(&self) -> Duration {
        self.reference.deadline(Exposure::default())
    }

    /// From here on, the answer of this index is spoilt; none if absent.
    fn arm(&self, armed: Option<(usize, Misbehaviour)>) {
        let mut bench = locked(&self.bench);
        (bench.armed, bench.sizes) = (armed, Vec::new());
    }

    /// What is right for the next exposure, which begins here.
    async fn next(&mut self) -> Result<Sample, Failure> {
        locked(&self.bench).exposure += 1;
        sample(self.reference.as_mut(), None).await
    }

    async fn differs(&mut self) -> Result<(), Failure> {
        let (one, other) = (self.next().await?, self.next().await?);
        ensure(one != other, || format!("twice {one:?}"))
    }

    /// The sizes of the answers to an opening and to a measurement.
    async fn sizes(&mut self) -> Result<(Vec<usize>, Vec<usize>), Failure> {
        self.arm(None);
        let mut meter = open(&self.driver, self.clock).await?;
        let opening = std::mem::take(&mut locked(&self.bench).sizes);
        sample(meter.as_mut(), None).await?;
        let measuring = std::mem::take(&mut locked(&self.bench).sizes);
        meter.close().await;
        Ok((opening, measuring))
    }

    /// One measurement in which an answer is spoilt, and the one after it.
    async fn measuring(&mut self, answer: usize, misbehaviour: Misbehaviour) -> Result<(), Failure> {
        self.arm(None);
        let mut meter = open(&self.driver, self.clock).await?;
        let right = self.next().await?;
        self.arm(Some((answer, misbehaviour)));
        let outcome = measure(meter.as_mut()).await;
        self.arm(None);
        match &outcome {
            Ok(sample) => {
                let well = may_end_well(misbehaviour) && *sample == right;
                ensure(well, || format!("gave {sample:?}, where {right:?} was right"))?;
            }
            Err(fault) => {
                let fits = may_end_in(misbehaviour, fault.kind());
                ensure(fits, || format!("{:?}: {}", fault.kind(), chain(fault)))?;
            }
        }
        let mut meter = self.in_order(meter, outcome.err()).await?;
        let right = self.next().await?;
        let next = measure(meter.as_mut()).await;
        let next = next.map_err(|fault| format!("the next: {:?}: {}", fault.kind(), chain(&fault)))?;
        meter.close().await;
        ensure(next == right, || format!("the next was {next:?}, where {right:?} was right"))
    }

    /// The meter after a fault, as its contract has it: recovered, or opened anew.
    async fn in_order(
        &self,
        mut meter: Box<dyn Meter>,
        fault: Option<Fault>,
    ) -> Result<Box<dyn Meter>, Failure> {
        let Some(fault) = fault else { return Ok(meter) };
        if fault.kind().needs_recovery() {
            let limit = meter.recovery();
            let recovered = timeout(limit, meter.recover()).await;
            // It may fail, in time, and is opened anew then.
            if recovered.map_err(|_| format!("recovering took longer than {limit:?}"))?.is_ok() {
                return Ok(meter);
            }
        } else if !fault.kind().needs_reopening() {
            return Ok(meter);
        }
        timeout(PATIENCE, meter.close()).await.map_err(|_| "closing took too long".to_owned())?;
        open(&self.driver, self.clock).await
    }

    /// Spoils each answer to the opening, and then opens it in order.
    async fn opens_in_disorder(&mut self, sizes: &[usize]) -> Clause {
        let name = "an opening that goes wrong ends in time, and the next is good";
        let mut failure = None;
        for (answer, size) in sizes.iter().enumerate() {
            let ways = [
                Misbehaviour::Silence,
                Misbehaviour::Cut(size / 2),
                Misbehaviour::Close(size / 2),
                Misbehaviour::Noise,
                Misbehaviour::Late(self.driver.opening()),
            ];
            for misbehaviour in ways {
                if let Err(wrong) = self.opening(answer, misbehaviour).await {
                    failure.get_or_insert(wrong.within(format!("{misbehaviour:?} in answer {answer}")));
                }
            }
        }
        Clause { name, failure }
    }

    async fn opening(&mut self, answer: usize, misbehaviour: Misbehaviour) -> Result<(), Failure> {
        self.arm(Some((answer, misbehaviour)));
        let limit = self.driver.opening() + self.driver.still_due();
        let outcome = timeout(limit, self.driver.open(self.clock)).await;
        self.arm(None);
        match outcome {
            Ok(Ok(_)) => return Err("it was opened all the same".into()),
            Ok(Err(fault)) if !may_end_in(misbehaviour, fault.kind()) => {
                return Err(format!("{:?}: {}", fault.kind(), chain(&fault)).into());
            }
            Ok(Err(_)) => {}
            Err(_) => return Err(format!("took longer than {limit:?}").into()),
        }
        let mut meter = open(&self.driver, self.clock).await?;
        let right = self.next().await?;
        let next = sample(meter.as_mut(), None).await?;
        meter.close().await;
        ensure(next == right, || format!("then gave {next:?}, where {right:?} was right"))
    }
}
