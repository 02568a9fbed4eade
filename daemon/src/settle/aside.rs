//! What was set aside lately. A few readings are outliers; many are a level of their own, and light that jumps between two levels
//! has not settled on either.

use super::look::Readings;

/// Interruptions that are remembered: the share of what was set aside is told from as many.
const REMEMBERED: usize = 32;
/// Where more of all readings than this were set aside, they are no outliers (engineering judgement).
const MOST: f64 = 0.15;
/// Fewer interruptions than this are no jumping.
const FEWEST: usize = 3;

/// The latest interruptions.
#[derive(Clone, Copy, Debug)]
pub(super) struct Aside {
    /// A ring of when each ended, in s, and how many readings it took: the oldest is at `next` once it is full.
    interruptions: [(f64, usize); REMEMBERED],
    next: usize,
    len: usize,
}

impl Aside {
    pub(super) const NONE: Self = Self { interruptions: [(0.0, 0); REMEMBERED], next: 0, len: 0 };

    /// So many readings in a row were set aside, until `t_s`.
    pub(super) fn note(&mut self, t_s: f64, count: usize) {
        if count == 0 {
            return;
        }
        if let Some(slot) = self.interruptions.get_mut(self.next) {
            *slot = (t_s, count);
        }
        self.next = (self.next + 1) % REMEMBERED;
        self.len = (self.len + 1).min(REMEMBERED);
    }

    /// Whether the light jumps: too many of the readings since `from` were set aside, here and there.
    pub(super) fn jumps(&self, readings: &Readings, from: f64) -> bool {
        let known = self.interruptions.get(..self.len).unwrap_or_default();
        let forgotten = self.len == REMEMBERED;
        let oldest = known.iter().map(|(t_s, _)| *t_s).fold(f64::INFINITY, f64::min);
        let from = if forgotten { from.max(oldest) } else { from };
        let since = known.iter().filter(|(t_s, _)| *t_s >= from);
        let (times, aside, largest) = since.fold((0, 0, 0), |(times, aside, largest), (_, count)| {
            (times + 1, aside + count, largest.max(*count))
        });
        // Once, somebody may have walked past.
        let aside = aside - largest;
        let kept = readings.luminance.since(from).readings();
        times >= FEWEST && aside as f64 > MOST * (aside + kept) as f64
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::settling::{Criteria, Test, Verdict};

    use super::super::tests::{Noise, grey, verdicts};
    use super::super::{Change, Engine};

    /// Five minutes of ten readings a second.
    fn feed(engine: &mut Engine, mut light: impl FnMut(usize, &mut Noise) -> f64) -> Vec<Change> {
        let mut noise = Noise(7);
        let readings = 0..3000_u32;
        readings
            .filter_map(|n| engine.push(grey(0.1 * f64::from(n), light(n as usize, &mut noise))))
            .collect()
    }

    fn engine() -> Engine {
        Engine::new(Criteria::default(), None, 0.0)
    }

    #[test]
    fn light_that_jumps_between_two_levels_has_not_settled_on_either() {
        for share in [0.3, 0.4, 0.5, 0.6, 0.7] {
            let mut engine = engine();
            let changes = feed(&mut engine, |_, noise| {
                let level = if noise.uniform() < share { 150.0 } else { 120.0 };
                level + 0.05 * noise.normal()
            });
            assert!(changes.is_empty(), "{share}: {changes:?}");
            assert!(
                engine.outliers > 300 || engine.standing().evidence.failing != [Test::Turning],
                "{share}"
            );
        }
        for each in [2, 3, 5, 10] {
            let changes = feed(&mut engine(), |n, noise| {
                let level = if n / each % 2 == 0 { 150.0 } else { 120.0 };
                level + 0.05 * noise.normal()
            });
            assert!(changes.is_empty(), "{each}: {changes:?}");
        }
    }

    #[test]
    fn light_that_begins_to_jump_is_not_settled_any_more() {
        let changes = feed(&mut engine(), |n, noise| {
            let level = if n > 1500 && n % 5 < 2 { 150.0 } else { 120.0 };
            level + 0.05 * noise.normal()
        });
        assert_eq!(verdicts(&changes), [Verdict::Settled, Verdict::Lost]);
    }

    #[test]
    fn a_few_outliers_and_somebody_who_walks_past_are_no_jumps() {
        let changes = feed(&mut engine(), |n, noise| {
            let passes = (2000..2030).contains(&n) || (2300..2330).contains(&n);
            let level = if noise.uniform() < 0.05 || passes { 20.0 } else { 120.0 };
            level + 0.05 * noise.normal()
        });
        assert_eq!(verdicts(&changes), [Verdict::Settled]);
    }
}
