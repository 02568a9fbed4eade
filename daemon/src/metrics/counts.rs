//! What is counted for the page and for nothing else.

use std::sync::atomic::{AtomicU64, Ordering};

/// A count for each of so many kinds.
#[derive(Debug)]
pub(crate) struct Tally<const N: usize>([AtomicU64; N]);

impl<const N: usize> Default for Tally<N> {
    fn default() -> Self {
        Self(std::array::from_fn(|_| AtomicU64::new(0)))
    }
}

impl<const N: usize> Tally<N> {
    /// One more of this kind of all of them. A kind that isn't among them is not counted.
    pub(crate) fn add<K: PartialEq>(&self, all: &[K; N], kind: &K) {
        if let Some(count) = all.iter().position(|other| other == kind).and_then(|at| self.0.get(at)) {
            count.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// How many of each.
    pub(crate) fn of<'a, K: Copy>(&'a self, all: &'a [K; N]) -> impl Iterator<Item = (K, u64)> + 'a {
        all.iter().zip(&self.0).map(|(kind, count)| (*kind, count.load(Ordering::Relaxed)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_has_a_count_of_its_own_and_strangers_none() {
        let (all, tally) = (['a', 'b'], Tally::<2>::default());
        for kind in ['b', 'a', 'b', 'c'] {
            tally.add(&all, &kind);
        }
        assert_eq!(tally.of(&all).collect::<Vec<_>>(), [('a', 1), ('b', 2)]);
    }
}
