//! One open instrument, and the contract it keeps.

use std::fmt;
use std::time::Duration;

use settled_protocol::meter::Instrument;

use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};
use crate::sample::{Exposure, Sample};

/// One open instrument. Required: [`describe`](Self::describe), [`deadline`](Self::deadline) and
/// [`measure`](Self::measure).
///
/// # Contract
///
/// One caller, one call at a time. A driver holds no policy: no retries, queueing, averaging, correction, or warm-up.
///
/// **`measure`**: 1. refuses at once, with `Unsupported`, an integration time the instrument can't do; 2. starts an
/// exposure, none earlier; light from before the call never counts; 3. waits for its end; 4. returns exactly one
/// sample, with the integration time that was really used; 5. leaves the instrument ready for the next call.
///
/// **Deadlines come from outside.** The caller gives every call at most [`deadline`](Self::deadline) of real time (a
/// recovery: [`recovery`](Self::recovery)) and then drops the future. A driver may be dropped at any await; it must then, at the next call, neither panic nor take
/// an answer to the dropped call for an answer to the new one: [`recover`](Self::recover) comes first.
///
/// **After `Silent`, `Garbled` or a dropped call** the caller calls `recover` before anything else. **After `Gone`**
/// nothing but `close` is called. After any other fault the instrument is ready.
///
/// **Faults** say what is true: an old value is never given again, a partial answer is never a value, and no number
/// that isn't finite leaves a driver.
///
/// ```text
/// open → (measure | zero)* → close
///        measure ✗ Silent → recover → measure …
///        measure ✗ dropped → recover → measure …
///        measure ✗ Gone → close
///        departed → close
/// ```
pub trait Meter: Send + fmt::Debug {
    /// What the instrument is and can do. The same for as long as it is open.
    fn describe(&self) -> &Description;

    /// The longest a `measure` of this exposure may take, in real time, all of its exchanges together.
    fn deadline(&self, exposure: Exposure) -> Duration;

    /// One exposure.
    ///
    /// # Errors
    /// Any [`FaultKind`] but `Busy` and `Denied`.
    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>>;

    /// Zeroes the instrument: it measures its own offset, and takes that off what it measures from then on. The caller vouches
    /// that the aperture is covered. After a fault of its own (`Refused`, `BelowRange`, `AboveRange`) the offset is the one before.
    ///
    /// # Errors
    /// `Unsupported` unless the instrument has a zero; else as [`measure`](Self::measure).
    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async { Err(Fault::new(FaultKind::Unsupported, "the meter has no zero command")) })
    }

    /// The longest that a [`zero`](Self::zero) may take, in real time.
    fn zero_deadline(&self) -> Duration {
        Duration::from_secs(120)
    }

    /// Waits, between two calls, until the instrument is no longer there; for ever where that can't be told. Dropping the
    /// future loses nothing: it is dropped at every call.
    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(std::future::pending())
    }

    /// Puts the line between caller and instrument in a known state: drains what is left of an earlier answer.
    ///
    /// # Errors
    /// `Gone` if the instrument is no longer there; `Silent` or `Garbled` if it can't be brought back to order.
    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async { Ok(()) })
    }

    /// The longest that a [`recover`](Self::recover) from now may take, in real time: until whatever was asked for has
    /// come, or never will.
    fn recovery(&self) -> Duration {
        Duration::from_secs(5)
    }

    /// Leaves the instrument in a known state and lets go of it.
    fn close(self: Box<Self>) -> Boxed<'static, ()> {
        Box::pin(async {})
    }
}

/// What an instrument is and needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Description {
    /// What clients are told of it.
    pub instrument: Instrument,
    /// Its own warm-up, in s after it was opened; 0 if it needs none.
    pub warm_up_s: f64,
    /// When it needs zeroing, if it can be zeroed.
    pub zero: Option<ZeroNeed>,
}

/// When a meter needs zeroing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZeroNeed {
    /// Whether it must be zeroed each time it is opened.
    pub at_start: bool,
    /// How long a zero is good for, in s; for ever if absent.
    pub every_s: Option<f64>,
    /// By how much the instrument's temperature, as its samples tell it, may move from that at the zero before it must be zeroed
    /// again, in K; by any if absent.
    pub within_k: Option<f64>,
    /// What becomes of readings while it is overdue.
    pub overdue: Overdue,
}

/// What becomes of readings while zeroing is overdue.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Overdue {
    /// They are given, with a flag.
    #[default]
    Flag,
    /// They are refused until the meter has been zeroed.
    Refuse,
}
