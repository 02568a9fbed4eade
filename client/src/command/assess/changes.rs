//! The changes of verdict of a series in bounded memory: the first few, the last, and how many there were.

use settled_protocol::settling::Verdict;

/// The first changes, which are all kept: more than a recording of one display should have.
const FIRST: usize = 8;

/// When, on the series' own clock, the verdict became which.
pub(super) type Moment = (f64, Verdict);

/// Changes of verdict.
#[derive(Debug, Default)]
pub(super) struct Changes {
    first: Vec<Moment>,
    /// The last of those that came after the first.
    last: Option<Moment>,
    /// How many came between the first and the last.
    between: u64,
}

impl Changes {
    pub(super) fn push(&mut self, moment: Moment) {
        if self.first.len() < FIRST {
            self.first.push(moment);
        } else {
            self.between += u64::from(self.last.replace(moment).is_some());
        }
    }

    /// The first few.
    pub(super) fn first(&self) -> &[Moment] {
        &self.first
    }

    /// The last, if it isn't among the first, and how many came in between.
    pub(super) fn last(&self) -> Option<(u64, Moment)> {
        self.last.map(|last| (self.between, last))
    }

    /// All that are kept.
    pub(super) fn kept(&self) -> impl Iterator<Item = Moment> {
        self.first.iter().copied().chain(self.last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_and_the_last_are_kept_and_the_others_counted() {
        let mut changes = Changes::default();
        for (count, expected) in [(8, None), (1, Some((0, 8.0))), (991, Some((991, 999.0)))] {
            let before = changes.kept().last().map_or(0.0, |(t_s, _)| t_s + 1.0);
            for step in 0..count {
                changes.push((before + f64::from(step), Verdict::Lost));
            }
            assert_eq!(changes.last().map(|(between, (t_s, _))| (between, t_s)), expected);
        }
        assert_eq!((changes.first().len(), changes.kept().count()), (FIRST, FIRST + 1));
    }
}
