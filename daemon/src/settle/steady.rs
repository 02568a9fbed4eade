//! A steady drift just outside its band: looked at often enough, noise lets some short window pass. Longer ones know better.

use super::look::{FEWEST, Readings, Rules, Window};

/// A longer window is sure of its drift when its interval is at most this share of the band. One with a curve in it isn't.
const SURE: f64 = 0.25;
/// A lucky look may be off by this much more than the interval of one look: there are many.
const LUCKY: f64 = 1.5;

impl Window {
    /// Whether a longer window drifts out of its band beyond doubt, and this one moves no differently. On the way to a limit a
    /// longer window is steeper, and then says nothing.
    pub(super) fn is_part_of_a_drift(&self, rules: &Rules, readings: &Readings) -> bool {
        let Some(first) = readings.luminance.first_s() else { return false };
        let longest = rules.longest.min(readings.last - first);
        let mut length = self.length;
        while length < longest {
            length = (2.0 * length).min(longest);
            let longer = Window::judge(rules, readings, readings.last - length, FEWEST);
            let sure = longer.filter(|longer| longer.imprecision() <= SURE && longer.drifts());
            if sure.is_some_and(|longer| self.moves_like(&longer)) {
                return true;
            }
        }
        false
    }

    /// Whether what moves another window out of its band moves this one alike, as far as can be told.
    fn moves_like(&self, other: &Self) -> bool {
        let alike = |mine: f64, error: f64, theirs: f64, their_error: f64| {
            (mine - theirs).abs() <= LUCKY * error.hypot(their_error)
        };
        if other.luminance_drifts() && alike(self.change, self.change_error, other.change, other.change_error)
        {
            return true;
        }
        let (Some(mine), Some(theirs)) = (self.colour, other.colour) else { return false };
        theirs.drifts() && alike(mine.change, mine.change_error, theirs.change, theirs.change_error)
    }
}
