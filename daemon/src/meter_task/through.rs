//! The correction in force on a meter, and what becomes of a reading that goes through it.

use std::sync::Arc;

use settled_protocol::correction::{Correction, CorrectionWarning, InForce};
use settled_protocol::matrix::Matrix;
use settled_protocol::meter::Instrument;
use settled_protocol::text::Text;
use settled_protocol::time::Timestamp;

use super::fit::{self, Fit};
use crate::clock::Moment;
use crate::log::Forced;

/// A correction in force.
#[derive(Debug)]
pub struct Through {
    correction: Arc<Correction>,
    shown: Option<Text>,
    since: Timestamp,
    forced: bool,
    stale_after_s: f64,
    /// How old it was at a moment of the boot clock, both in s: its age now doesn't jump where UTC is set.
    age: (f64, f64),
}

/// What an exposure is read with: decided when it begins.
#[derive(Clone, Debug)]
pub(super) struct Reads {
    pub(super) id: String,
    /// Nothing where the correction is not for the meter that is attached.
    pub(super) matrix: Option<Matrix>,
    pub(super) stale: bool,
    /// Made for another meter, or for another display.
    pub(super) mismatch: bool,
}

impl Through {
    /// `correction`, in force as the log has it; readings are flagged once it is older than `stale_after_s`.
    pub(crate) fn new(correction: Arc<Correction>, forced: &Forced, now: Moment, stale_after_s: f64) -> Self {
        let Forced { shown, since, forced, .. } = forced.clone();
        let age = now.at.unix_ns().saturating_sub(correction.at.unix_ns());
        let age_s = std::time::Duration::from_nanos(age).as_secs_f64();
        Self { correction, shown, since, forced, stale_after_s, age: (age_s, now.t_s) }
    }

    /// As clients are told of it, on the meter `id`, `now_s` on the boot clock; `instrument` is what is attached.
    pub(crate) fn in_force(&self, id: &str, instrument: Option<&Instrument>, now_s: f64) -> InForce {
        let fit = instrument.map(|instrument| fit::fit(&self.correction.meter, id, instrument));
        let correctable = instrument.is_none_or(|instrument| fit::uncorrectable(instrument).is_none());
        let warnings = [
            (CorrectionWarning::Stale, self.is_stale(now_s)),
            (CorrectionWarning::OtherMeter, fit == Some(Fit::Other) || !correctable),
            (CorrectionWarning::UnverifiedMeter, fit == Some(Fit::Unverified)),
            (CorrectionWarning::OtherDisplay, self.is_other_display()),
        ];
        InForce {
            id: self.correction.id.clone(),
            name: self.correction.name.clone(),
            display: self.correction.display.clone(),
            shown: self.shown.clone(),
            at: self.correction.at,
            since: self.since,
            applied: correctable && (fit != Some(Fit::Other) || self.forced),
            warnings: warnings.into_iter().filter(|(_, holds)| *holds).map(|(warning, _)| warning).collect(),
        }
    }

    /// What an exposure that begins at `now_s` is read with.
    pub(super) fn reads(&self, id: &str, instrument: &Instrument, now_s: f64) -> Reads {
        let InForce { id, applied, warnings, .. } = self.in_force(id, Some(instrument), now_s);
        let warns = |warning| warnings.contains(&warning);
        Reads {
            id,
            matrix: applied.then_some(self.correction.matrix),
            stale: warns(CorrectionWarning::Stale),
            mismatch: warns(CorrectionWarning::OtherMeter) || warns(CorrectionWarning::OtherDisplay),
        }
    }

    fn is_stale(&self, now_s: f64) -> bool {
        let (age_s, then_s) = self.age;
        age_s + (now_s - then_s) > self.stale_after_s
    }

    /// Both displays are named, and not alike: letters and spaces at the ends don't count.
    fn is_other_display(&self) -> bool {
        let plain = |text: &Text| text.as_str().trim().to_lowercase();
        match (&self.correction.display, &self.shown) {
            (Some(made_for), Some(shown)) => plain(made_for) != plain(shown),
            _ => false,
        }
    }
}
