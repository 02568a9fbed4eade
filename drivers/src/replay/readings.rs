//! The driver over a series: the meter gives what it gave, at the recorded pace or as soon as it is asked.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::play::AtEnd;
use super::series::{Exposed, Series};
use super::{LEAST_S, Manner, NAME};
use crate::clock::{Boxed, Clock};
use crate::driver::{Driver, Source};
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample};

/// The longest that an exposure waits for the next reading to come, in s as it is played: where nobody measured for longer, that
/// is said at once.
const LONGEST_WAIT_S: f64 = 60.0;

/// What a busy machine may add.
const SLACK: Duration = Duration::from_secs(5);

/// A meter whose readings are played back.
#[derive(Debug)]
pub(crate) struct Readings(Arc<Shared>);

/// What outlives an opening.
#[derive(Debug)]
struct Shared {
    series: Series,
    description: Description,
    source: Source,
    manner: Manner,
    file: PathBuf,
    place: Mutex<Place>,
}

/// How far it is.
#[derive(Debug, Default)]
struct Place {
    /// The first reading that has not been given yet.
    next: usize,
    /// When the first reading began, as it is played.
    start_s: Option<f64>,
    left: bool,
    /// How often it has begun anew.
    rounds: u64,
}

/// The next reading to give.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Due {
    index: usize,
    /// When it ends, as it is played.
    end_s: f64,
    start_s: f64,
    /// The recording begins anew with it.
    again: bool,
}

impl Readings {
    pub(crate) fn new(series: Series, source: Source, manner: Manner, file: PathBuf) -> Self {
        let description =
            Description { instrument: series.described(), warm_up_s: series.warm_up_s, zero: None };
        Self(Arc::new(Shared { series, description, source, manner, file, place: Mutex::default() }))
    }
}

impl Shared {
    fn place(&self) -> MutexGuard<'_, Place> {
        self.place.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What an exposure that begins at `now_s` gets.
    fn due(&self, place: &Place, now_s: f64) -> Result<Due, Fault> {
        let (exposed, over) = (&self.series.exposed, || Fault::new(FaultKind::Gone, "the recording is over"));
        let first_s = exposed.first().ok_or_else(over)?.began_s;
        let ended = |index: usize| index >= exposed.len();
        let Some(speed) = self.manner.speed else {
            let again = ended(place.next);
            let index = if again { self.again().ok_or_else(over)? } else { place.next };
            // A wrong number in a file must not keep anyone waiting for longer than that.
            let lasts_s = exposed.get(index).map_or(LEAST_S, Exposed::lasts_s).min(LONGEST_WAIT_S);
            return Ok(Due { index, end_s: now_s + lasts_s, start_s: now_s, again });
        };
        let mut start_s = place.start_s.unwrap_or(now_s);
        let position_s = first_s + (now_s - start_s) * speed;
        // What had ended before it was asked for is past.
        let rest = exposed.get(place.next..).unwrap_or_default();
        let mut index = place.next + rest.partition_point(|exposed| exposed.ended_s < position_s);
        let again = ended(index);
        if again {
            (index, start_s) = (self.again().ok_or_else(over)?, now_s);
        }
        let ended_s = exposed.get(index).map_or(first_s, |exposed| exposed.ended_s);
        Ok(Due { index, end_s: start_s + (ended_s - first_s) / speed, start_s, again })
    }

    /// Where it goes on after its end.
    fn again(&self) -> Option<usize> {
        (self.manner.at_end == AtEnd::Repeat).then_some(0)
    }
}

impl Driver for Readings {
    fn name(&self) -> &'static str {
        NAME
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn address(&self) -> Option<String> {
        Some(self.0.file.display().to_string())
    }

    fn open<'a>(&'a self, clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            if self.0.place().left {
                return Err(Fault::new(FaultKind::Gone, "the recording is over"));
            }
            let meter: Box<dyn Meter> =
                Box::new(Open { shared: Arc::clone(&self.0), clock: Arc::clone(clock) });
            Ok(meter)
        })
    }

    fn source(&self) -> Source {
        self.0.source
    }

    fn rounds(&self) -> u64 {
        self.0.place().rounds
    }

    fn is_corrected(&self) -> bool {
        self.0.series.is_corrected
    }
}

#[derive(Debug)]
struct Open {
    shared: Arc<Shared>,
    clock: Arc<dyn Clock>,
}

impl Meter for Open {
    fn describe(&self) -> &Description {
        &self.shared.description
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_secs_f64(LONGEST_WAIT_S) + SLACK
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            if exposure.integration_s.is_some() {
                let detail =
                    "the readings were taken already: their integration time can't be chosen any more";
                return Err(Fault::new(FaultKind::Unsupported, detail));
            }
            let now_s = self.clock.now_s();
            let due = {
                let mut place = self.shared.place();
                let due = self.shared.due(&place, now_s).inspect_err(|_| place.left = true)?;
                if place.start_s.is_none() || due.again {
                    (place.start_s, place.next) = (Some(due.start_s), due.index);
                    place.rounds += u64::from(due.again);
                }
                due
            };
            let wait_s = due.end_s - now_s;
            if wait_s > LONGEST_WAIT_S {
                let detail = format!("nothing was recorded for the next {wait_s:.0} s");
                return Err(Fault::new(FaultKind::Refused, detail));
            }
            self.clock.sleep_until(due.end_s).await;
            // Nothing is awaited from here on: what is taken is given.
            self.shared.place().next = due.index + 1;
            let exposed = self.shared.series.exposed.get(due.index);
            match exposed.map(|exposed| &exposed.outcome) {
                Some(Ok(sample)) => Ok(sample.clone()),
                Some(Err(failed)) => Err(failed.fault()),
                None => Err(Fault::new(FaultKind::Gone, "the recording is over")),
            }
        })
    }
}
