//! Which series are open, found by their id.
//!
//! Whoever came after a series the last time is looked at first: that finds both a series that goes on and series that take
//! turns without searching.

use std::collections::HashMap;

/// Open series, each with what is kept of it.
#[derive(Debug)]
pub(super) struct Roster<T> {
    places: HashMap<Box<str>, usize>,
    entries: Vec<Option<Entry<T>>>,
    free: Vec<usize>,
    last: usize,
    opened: u64,
}

#[derive(Debug)]
struct Entry<T> {
    id: Box<str>,
    /// How many were opened before it.
    order: u64,
    /// The place of the one that came next the last time.
    next: usize,
    kept: T,
}

impl<T> Roster<T> {
    pub(super) fn new() -> Self {
        Self { places: HashMap::new(), entries: Vec::new(), free: Vec::new(), last: 0, opened: 0 }
    }

    /// What is kept of the series `id`, opened with `open` if it isn't yet.
    #[inline]
    pub(super) fn get(&mut self, id: &str, open: impl FnOnce() -> T) -> Option<&mut T> {
        let guess = self.entry(self.last).map_or(0, |entry| entry.next);
        let place = if self.entry(guess).is_some_and(|entry| *entry.id == *id) {
            guess
        } else {
            let place = self.places.get(id).copied().unwrap_or_else(|| self.open(id, open()));
            if let Some(Some(entry)) = self.entries.get_mut(self.last) {
                entry.next = place;
            }
            place
        };
        self.last = place;
        self.entries.get_mut(place)?.as_mut().map(|entry| &mut entry.kept)
    }

    #[inline]
    fn entry(&self, place: usize) -> Option<&Entry<T>> {
        self.entries.get(place)?.as_ref()
    }

    fn open(&mut self, id: &str, kept: T) -> usize {
        let entry = Some(Entry { id: id.into(), order: self.opened, next: 0, kept });
        self.opened += 1;
        let place = self.free.pop().unwrap_or(self.entries.len());
        match self.entries.get_mut(place) {
            Some(free) => *free = entry,
            None => self.entries.push(entry),
        }
        self.places.insert(id.into(), place);
        place
    }

    /// Closes a series.
    pub(super) fn close(&mut self, id: &str) -> Option<T> {
        let place = self.places.remove(id)?;
        self.free.push(place);
        self.entries.get_mut(place)?.take().map(|entry| entry.kept)
    }

    /// Closes all, in the order in which they were opened.
    pub(super) fn close_all(self) -> impl Iterator<Item = T> {
        let mut entries: Vec<Entry<T>> = self.entries.into_iter().flatten().collect();
        entries.sort_by_key(|entry| entry.order);
        entries.into_iter().map(|entry| entry.kept)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn count(roster: &mut Roster<u32>, id: &str) -> u32 {
        let kept = roster.get(id, || 0).unwrap();
        *kept += 1;
        *kept
    }

    #[test]
    fn each_series_keeps_its_own_whatever_the_order() {
        let mut roster = Roster::new();
        for round in 1..4 {
            for id in ["b", "a", "c", "a2"] {
                assert_eq!(count(&mut roster, id), round);
            }
        }
        assert_eq!(["a", "a", "c", "b"].map(|id| count(&mut roster, id)), [4, 5, 4, 4]);
        assert_eq!((roster.close("a"), roster.close("a"), roster.close("none")), (Some(5), None, None));
        assert_eq!([count(&mut roster, "new"), count(&mut roster, "a")], [1, 1]);
        assert_eq!(roster.close_all().collect::<Vec<_>>(), [4, 4, 3, 1, 1]);
    }
}
