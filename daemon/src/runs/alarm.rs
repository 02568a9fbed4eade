//! When a reading is a reason for an alert. Pure.
//!
//! One outlier is none: luminance, or chromaticity, is alarming once three readings in a row are further from the run's reference than its
//! plan says. It is over once ten in a row are nearer than nine tenths of that, so that light that crosses the edge of its band slowly, and
//! noise with it, is told of once.

use settled_protocol::quantity::Chromaticity;
use settled_protocol::run::{Alert, AlertKind, AlertRules, RunPoint};

/// Readings in a row that it takes. A burst of as many is told at once.
const RAISED_BY: u32 = 3;

/// Readings in a row that it takes until it is over, and how much nearer than the band they must be.
const OVER_BY: u32 = 10;
const NEARER: f64 = 0.9;

/// What a reading changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Turn {
    /// An alert, and how far off the reading is, in the unit of its rule.
    Raised(f64),
    /// It is over.
    Over,
}

/// One rule, and the readings in a row that speak against how it stands.
#[derive(Clone, Copy, Debug, Default)]
struct Rule {
    stands: bool,
    against: u32,
}

impl Rule {
    fn look(&mut self, off: f64, band: f64) -> Option<Turn> {
        let speaks_against = if self.stands { off < NEARER * band } else { off > band };
        self.against = if speaks_against { self.against + 1 } else { 0 };
        if self.against < if self.stands { OVER_BY } else { RAISED_BY } {
            return None;
        }
        *self = Self { stands: !self.stands, against: 0 };
        Some(if self.stands { Turn::Raised(off) } else { Turn::Over })
    }
}

/// The rules of one run.
#[derive(Clone, Copy, Debug)]
pub(super) struct Alarm {
    rules: AlertRules,
    luminance: Rule,
    chromaticity: Rule,
}

impl Alarm {
    pub(super) fn new(rules: AlertRules) -> Self {
        Self { rules, luminance: Rule::default(), chromaticity: Rule::default() }
    }

    /// Looks at the luminance of a reading.
    pub(super) fn luminance(&mut self, reference: &RunPoint, value: f64) -> Option<Turn> {
        let band = self.rules.luminance?;
        let share = (value - reference.value).abs() / reference.value.abs();
        // Of a reference of nothing there is no share.
        if share.is_finite() { self.luminance.look(share, band) } else { None }
    }

    /// Looks at its chromaticity.
    pub(super) fn chromaticity(
        &mut self,
        reference: &RunPoint,
        colour: Option<Chromaticity>,
    ) -> Option<Turn> {
        let band = self.rules.chromaticity?;
        let off = reference.chromaticity?.distance(colour?);
        self.chromaticity.look(off, band)
    }

    /// Goes on where it was told before what stands: that is over once readings say so.
    pub(super) fn goes_on(&mut self, standing: &[Alert]) {
        let stands = |kind| standing.iter().any(|alert| alert.kind == kind);
        self.luminance.stands = stands(AlertKind::Luminance);
        self.chromaticity.stands = stands(AlertKind::Chromaticity);
    }

    /// Begins anew: nothing stands, and readings from before don't count.
    pub(super) fn anew(&mut self) {
        *self = Self::new(self.rules);
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::time::Timestamp;

    use super::*;

    fn turns(values: &[f64]) -> Vec<Option<Turn>> {
        let reference =
            RunPoint { at: Timestamp::from_unix_ns(0), value: 100.0, chromaticity: None, count: 1 };
        let mut alarm = Alarm::new(AlertRules { luminance: Some(0.02), ..AlertRules::default() });
        values.iter().map(|value| alarm.luminance(&reference, *value)).collect()
    }

    #[test]
    fn it_takes_three_readings_in_a_row_and_no_outlier_is_alarming() {
        assert!(turns(&[100.0, 150.0, 103.0, 100.0, 50.0, 97.0, 101.9]).iter().all(Option::is_none));
        let found = turns(&[103.0, 97.0, 103.0, 104.0]);
        assert_eq!(found[..2], [None, None]);
        assert!(matches!(found[2], Some(Turn::Raised(off)) if (off - 0.03).abs() < 1e-12), "{found:?}");
        assert_eq!(found[3], None);
    }

    #[test]
    fn light_at_the_edge_of_its_band_is_told_of_once() {
        let mut edge = vec![102.1; 3];
        edge.extend([101.9, 102.1].repeat(20));
        edge.extend([101.7; 9]);
        edge.push(102.0);
        edge.extend([101.7; 12]);
        let found: Vec<_> = turns(&edge).into_iter().enumerate().filter(|(_, turn)| turn.is_some()).collect();
        assert!(matches!(found[..], [(2, Some(Turn::Raised(_))), (62, Some(Turn::Over))]), "{found:?}");
    }
}
