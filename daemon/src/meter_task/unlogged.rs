//! Which of a meter's readings went out though the log could not take them: who follows by sequence doesn't get these from
//! the log.

use std::collections::VecDeque;

/// Stretches that are kept in mind: a log fails seldom, and for long rather than often. Older ones are forgotten.
const MOST: usize = 256;

/// Stretches of readings that went out unlogged: since the daemon's start, and those that the log remembers.
#[derive(Debug, Default)]
pub(super) struct Unlogged {
    stretches: VecDeque<(u64, u64)>,
    /// Whether the last reading that went out belongs to the last stretch.
    goes_on: bool,
}

impl Unlogged {
    /// Takes note of the next reading that goes out.
    pub(super) fn push(&mut self, sequence: u64, is_unlogged: bool) {
        let goes_on = std::mem::replace(&mut self.goes_on, is_unlogged);
        match self.stretches.back_mut() {
            _ if !is_unlogged => {}
            Some((_, last)) if goes_on => *last = sequence,
            _ => {
                if self.stretches.len() >= MOST {
                    self.stretches.pop_front();
                }
                self.stretches.push_back((sequence, sequence));
            }
        }
    }

    /// Takes over earlier stretches, in rising order, as far as there is room.
    pub(super) fn recall(&mut self, earlier: &[(u64, u64)]) {
        for stretch in earlier.iter().rev().take(MOST.saturating_sub(self.stretches.len())) {
            self.stretches.push_front(*stretch);
        }
    }

    /// From which to which sequence readings went out unlogged, of those after one and before another.
    pub(super) fn between(&self, after: u64, before: u64) -> Option<(u64, u64)> {
        let (first, last) = (after.saturating_add(1), before.saturating_sub(1));
        let clipped = self.stretches.iter().map(|(from, to)| (first.max(*from), last.min(*to)));
        clipped.filter(|(from, to)| from <= to).reduce(|(from, _), (_, to)| (from, to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_went_out_unlogged_is_known_by_the_stretch() {
        let mut unlogged = Unlogged::default();
        // Numbers that are left out are other meters'.
        for (sequence, is_unlogged) in
            [(1, false), (3, true), (4, true), (7, true), (8, false), (9, true), (12, false)]
        {
            unlogged.push(sequence, is_unlogged);
        }
        let cases = [
            ((0, 3), None),
            ((1, 8), Some((3, 7))),
            ((3, 7), Some((4, 6))),
            ((8, 12), Some((9, 9))),
            ((1, 12), Some((3, 9))),
            ((9, 100), None),
            ((7, 7), None),
        ];
        for ((after, before), expected) in cases {
            assert_eq!(unlogged.between(after, before), expected, "{after} to {before}");
        }
    }

    #[test]
    fn what_went_out_before_a_restart_is_known_beside_what_went_out_since() {
        let mut unlogged = Unlogged::default();
        unlogged.push(30, true);
        unlogged.recall(&[(3, 5), (9, 9)]);
        assert_eq!(unlogged.between(4, 20), Some((5, 9)));
        assert_eq!(unlogged.between(9, 31), Some((30, 30)));
        let many: Vec<(u64, u64)> = (0..2 * MOST as u64).map(|first| (first, first)).collect();
        unlogged.recall(&many);
        assert_eq!((unlogged.stretches.len(), unlogged.stretches.back()), (MOST, Some(&(30, 30))));
    }

    #[test]
    fn no_more_than_so_many_stretches_are_kept_in_mind() {
        let mut unlogged = Unlogged::default();
        for sequence in 1..=4 * MOST as u64 {
            unlogged.push(sequence, sequence % 2 == 0);
        }
        assert_eq!(unlogged.stretches.len(), MOST);
    }
}
