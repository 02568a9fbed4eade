//! The corrections that the daemon knows, and which are in force. Durable where there is a log: a change is in force only once it is
//! written, and is complete even where the client that asked for it has gone meanwhile.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_drivers::clock::Clock as _;
use settled_protocol::correction::{
    Correction, CorrectionChanged, CorrectionsPage, LARGEST_CORRECTIONS_PAGE, ListCorrections, NewCorrection,
};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::time::Timestamp;
use tokio::sync::{OwnedMutexGuard, oneshot};

use crate::clock::Clock;
use crate::correct::{self, Underived};
use crate::log::{Change, Forced, Happening, Kept, Log, Then, correction_id, correction_number};
use crate::meter_task::{MeterHandle, Through};

mod force;

/// Corrections that one log may have, removed ones that readings went through included: a bench makes a handful a year.
const MOST: usize = 1000;

/// A correction may be dated this far ahead of the daemon's own clock, in ns: a day, for clocks and time zones that are off.
const AHEAD_NS: u64 = 86_400_000_000_000;

/// How old a correction may get before its readings are flagged, in s, unless the config says otherwise: a year. Common practice, no
/// source.
pub const STALE_AFTER_S: f64 = 365.0 * 86_400.0;

/// One correction, and whether it ever was in force.
#[derive(Clone, Debug)]
struct Entry {
    correction: Arc<Correction>,
    used: bool,
}

#[derive(Debug, Default)]
struct Known {
    corrections: BTreeMap<u64, Entry>,
    /// By meter, also of meters that the config no longer has.
    in_force: BTreeMap<String, Forced>,
    last: u64,
}

impl From<Kept> for Known {
    fn from(kept: Kept) -> Self {
        let corrections = kept
            .corrections
            .into_iter()
            .map(|(number, correction, used)| (number, Entry { correction: Arc::new(correction), used }));
        Self {
            corrections: corrections.collect(),
            in_force: kept.in_force.into_iter().collect(),
            last: kept.last,
        }
    }
}

/// The corrections that the daemon knows.
#[derive(Debug)]
pub struct Corrections {
    log: Log,
    clock: Arc<Clock>,
    stale_after_s: Mutex<f64>,
    known: Arc<Mutex<Known>>,
    /// Held from the look at what there is until a change is written: changes come one after the other.
    changing: Arc<tokio::sync::Mutex<()>>,
}

fn lock(known: &Mutex<Known>) -> MutexGuard<'_, Known> {
    known.lock().unwrap_or_else(PoisonError::into_inner)
}

fn refuse<T>(message: impl Into<String>) -> Result<T, RpcError> {
    Err(RpcError::new(ErrorKind::CorrectionRefused, message))
}

fn unknown(id: &str) -> RpcError {
    RpcError::new(ErrorKind::NoSuchCorrection, format!("no correction is called {id:?}"))
}

impl Corrections {
    /// Takes over those of a log that could not be opened at the start. Nothing was changed until now: it could not be written.
    pub(crate) fn adopt(&self, kept: Kept) {
        *lock(&self.known) = Known::from(kept);
    }

    /// Those that the log has kept. Readings of one that is older than `stale_after_s` are flagged.
    #[must_use]
    pub fn new(log: &Log, clock: &Arc<Clock>, stale_after_s: f64) -> Self {
        let known = Known::from(log.kept());
        Self {
            log: log.clone(),
            clock: Arc::clone(clock),
            stale_after_s: Mutex::new(stale_after_s),
            known: Arc::new(Mutex::new(known)),
            changing: Arc::default(),
        }
    }

    fn stale_after_s(&self) -> f64 {
        *self.stale_after_s.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Flags readings through a correction that is older than `stale_after_s`, from now on.
    pub fn change_stale_after<'a>(&self, stale_after_s: f64, meters: impl Iterator<Item = &'a MeterHandle>) {
        *self.stale_after_s.lock().unwrap_or_else(PoisonError::into_inner) = stale_after_s;
        meters.for_each(|meter| self.restore(meter));
    }

    /// Whether they outlive the daemon.
    #[must_use]
    pub fn are_durable(&self) -> bool {
        !self.log.is_off()
    }

    /// A page of them.
    ///
    /// # Errors
    /// `no_such_correction`; `invalid_params` for a page that makes no sense.
    pub fn page(&self, params: &ListCorrections) -> Result<CorrectionsPage, RpcError> {
        let durable = self.are_durable();
        if let Some(id) = &params.correction {
            let corrections = vec![Correction::clone(&*self.find(id)?)];
            let stale = self.stale(&corrections);
            return Ok(CorrectionsPage { corrections, stale, durable, next: None });
        }
        let limit = params.limit.unwrap_or(LARGEST_CORRECTIONS_PAGE);
        if !(1..=LARGEST_CORRECTIONS_PAGE).contains(&limit) {
            let message = format!("params.limit must be from 1 to {LARGEST_CORRECTIONS_PAGE}, not {limit}");
            return Err(RpcError::new(ErrorKind::InvalidParams, message));
        }
        let after = match &params.after {
            Some(id) => correction_number(id).ok_or_else(|| unknown(id))?,
            None => 0,
        };
        let known = lock(&self.known);
        let wanted = known.corrections.range(after + 1..).map(|(_, entry)| &entry.correction);
        let mut wanted = wanted.filter(|correction| params.removed || correction.removed.is_none());
        let corrections: Vec<Correction> =
            wanted.by_ref().take(limit as usize).map(|correction| Correction::clone(correction)).collect();
        let next = wanted.next().and(corrections.last()).map(|correction| correction.id.clone());
        let stale = self.stale(&corrections);
        Ok(CorrectionsPage { corrections, stale, durable, next })
    }

    /// The ids of those that are too old now.
    fn stale(&self, corrections: &[Correction]) -> Vec<String> {
        let now = self.clock.now().at.unix_ns();
        #[expect(clippy::cast_precision_loss, reason = "an age, to the second")]
        let age_s = |of: &Correction| now.saturating_sub(of.at.unix_ns()) as f64 / 1e9;
        let old = corrections.iter().filter(|correction| age_s(correction) > self.stale_after_s());
        old.map(|correction| correction.id.clone()).collect()
    }

    fn find(&self, id: &str) -> Result<Arc<Correction>, RpcError> {
        let number = correction_number(id).ok_or_else(|| unknown(id))?;
        let known = lock(&self.known);
        known.corrections.get(&number).map(|entry| Arc::clone(&entry.correction)).ok_or_else(|| unknown(id))
    }

    /// Makes a correction from what a client sent, and keeps it. It is not in force yet.
    ///
    /// # Errors
    /// `invalid_params`, `correction_refused` where it makes no correction; `overloaded`; `log_unavailable`.
    pub async fn add(&self, new: NewCorrection) -> Result<CorrectionChanged, RpcError> {
        let turn = Arc::clone(&self.changing).lock_owned().await;
        let now = self.clock.now().at;
        let mut correction = self.made(new, now)?;
        let number = {
            let known = lock(&self.known);
            if known.corrections.len() >= MOST {
                let message =
                    format!("there are {MOST} corrections already: remove some, or begin another log");
                return Err(RpcError::new(ErrorKind::Overloaded, message));
            }
            known.last + 1
        };
        correction.id = correction_id(number);
        let change = Change::Add(number, Box::new(correction.clone()));
        let entry = Entry { correction: Arc::new(correction.clone()), used: false };
        self.change(turn, change, None, move |known| {
            known.last = number;
            known.corrections.insert(number, entry);
        })
        .await?;
        Ok(CorrectionChanged { correction, durable: self.are_durable() })
    }

    /// The correction that a client asks for, without its id.
    fn made(&self, new: NewCorrection, now: Timestamp) -> Result<Correction, RpcError> {
        let wrong = |message: &str| RpcError::new(ErrorKind::InvalidParams, message);
        if new.name.as_str().trim().is_empty() {
            return Err(wrong("params.name must not be empty"));
        }
        let at = new.at.unwrap_or(now);
        if at.unix_ns() > now.unix_ns().saturating_add(AHEAD_NS) {
            return Err(wrong("params.at is in the future"));
        }
        let mut colours = new.colours;
        if let Some(id) = &new.undo {
            let back = self.find(id)?.matrix.inverse().ok_or_else(|| unknown(id))?;
            for colour in &mut colours {
                colour.meter =
                    back.apply(colour.meter).map_err(|error| wrong(&format!("params.colours: {error}")))?;
            }
        }
        let (matrix, residuals) =
            correct::derive(new.method, new.matrix, &colours).map_err(|why| underived(&why))?;
        let NewCorrection { name, method, meter, reference, display, note, simulated, .. } = new;
        Ok(Correction {
            id: String::new(),
            name,
            method,
            matrix,
            meter,
            reference,
            display,
            at,
            colours,
            residuals,
            note,
            simulated,
            removed: None,
        })
    }

    /// Removes a correction that no meter of the config goes through. It is kept, and marked, once readings went through it.
    ///
    /// # Errors
    /// `no_such_correction`; `correction_refused` while it is in force; `log_unavailable`.
    pub async fn remove(&self, id: &str, meters: &[&str]) -> Result<CorrectionChanged, RpcError> {
        let turn = Arc::clone(&self.changing).lock_owned().await;
        let number = correction_number(id).ok_or_else(|| unknown(id))?;
        let durable = self.are_durable();
        let (entry, held) = {
            let known = lock(&self.known);
            let held = known.in_force.iter().filter(|(_, forced)| forced.number == number);
            let held: Vec<String> = held
                .map(|(meter, _)| meter.clone())
                .filter(|meter| meters.contains(&meter.as_str()))
                .collect();
            (known.corrections.get(&number).cloned().ok_or_else(|| unknown(id))?, held)
        };
        if let Some(one) = held.first() {
            let words = format!("{id} is in force on {}: take it out of force first", held.join(", "));
            return refuse(words).map_err(|error: RpcError| error.about(one));
        }
        if entry.correction.removed.is_some() {
            return Ok(CorrectionChanged { correction: Correction::clone(&entry.correction), durable });
        }
        let at = self.clock.now().at;
        let mut correction = Correction::clone(&entry.correction);
        correction.removed = Some(at);
        let detail = format!("{id} \"{}\" was removed", correction.name.as_str());
        let happening = Happening::new(EventKind::CorrectionRemoved, detail);
        let kept = entry.used.then(|| Entry { correction: Arc::new(correction.clone()), used: true });
        let change = if entry.used { Change::Remove(number, at) } else { Change::Forget(number) };
        self.change(turn, change, Some(happening), move |known| {
            known.in_force.retain(|_, forced| forced.number != number);
            known.corrections.remove(&number);
            known.corrections.extend(kept.map(|entry| (number, entry)));
        })
        .await?;
        Ok(CorrectionChanged { correction, durable })
    }

    /// Writes a change, and only then makes it: `make` runs once it is written, even where nobody waits any more.
    async fn change(
        &self,
        turn: OwnedMutexGuard<()>,
        change: Change,
        happening: Option<Happening>,
        make: impl FnOnce(&mut Known) + Send + 'static,
    ) -> Result<(), RpcError> {
        let (sender, receiver) = oneshot::channel();
        let known = Arc::clone(&self.known);
        let told = happening.clone();
        let then = Then::new(move |written| {
            if written {
                make(&mut lock(&known));
                if let Some(told) = told {
                    told.trace();
                }
            }
            drop(turn);
            // The client may have taken its request back.
            let _waiting = sender.send(written).is_ok();
        });
        self.log.keep(&self.clock, change, happening, then).await;
        match receiver.await {
            Ok(true) => Ok(()),
            Ok(false) | Err(_) => {
                let message = "the log can't be written, so nothing was changed";
                Err(RpcError::new(ErrorKind::LogUnavailable, message))
            }
        }
    }

    /// Puts in force what was in force when the daemon ended: not on light that went through a correction already.
    pub fn restore(&self, meter: &MeterHandle) {
        if meter.is_corrected() {
            return;
        }
        let known = lock(&self.known);
        let forced = known.in_force.get(meter.id());
        let found = forced.and_then(|forced| Some((forced, known.corrections.get(&forced.number)?)));
        if let Some((forced, entry)) = found {
            let through =
                Through::new(Arc::clone(&entry.correction), forced, self.clock.now(), self.stale_after_s());
            meter.correct(Some(Arc::new(through)), self.clock.now_s());
        }
    }
}

/// What a client is told where there is no correction: a slip of its own, or readings that don't give one.
fn underived(why: &Underived) -> RpcError {
    let kind = match why {
        Underived::TooFew { .. }
        | Underived::TooMany { .. }
        | Underived::Missing(_)
        | Underived::Twice(_)
        | Underived::NoMatrix
        | Underived::NotFromColours => ErrorKind::InvalidParams,
        Underived::Dark { .. }
        | Underived::Dependent { .. }
        | Underived::NoMixture { .. }
        | Underived::NotFinite
        | Underived::Absurd { .. }
        | Underived::Worse { .. } => ErrorKind::CorrectionRefused,
    };
    RpcError::new(kind, why.to_string())
}

#[cfg(test)]
mod tests;
