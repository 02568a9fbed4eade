//! What is written in one commit.

use tokio::sync::mpsc::error::TryRecvError;
use tokio::sync::{mpsc, oneshot};

use super::Entry;
use crate::clock::Clock;

/// Most rows in one commit, so that no row waits long for those behind it.
pub(super) const LARGEST_GROUP: usize = 256;

/// How long a commit waits for those that the last one answered, of the time that one took.
const SHARE: f64 = 0.25;

/// Whom the next commit waits for. Whoever had a reading in the last is likely to have the next on its way at once, and a commit for all
/// of them costs little more than one for the first. Where one meter measures by itself nobody is waited for.
#[derive(Debug, Default)]
pub(super) struct Gathering {
    readings: usize,
    took_s: f64,
}

impl Gathering {
    /// Adds what comes until as many are there as last time, or it has waited its share.
    pub(super) fn fill(&self, group: &mut Vec<Entry>, queue: &mut mpsc::Receiver<Entry>, clock: &Clock) {
        if self.readings < 2 {
            return;
        }
        let until_s = clock.real_s() + SHARE * self.took_s;
        while group.len() < self.readings.min(LARGEST_GROUP) && clock.real_s() < until_s {
            match queue.try_recv() {
                Ok(entry) => group.push(entry),
                Err(TryRecvError::Empty) => std::thread::yield_now(),
                Err(TryRecvError::Disconnected) => return,
            }
        }
    }

    /// Takes note of a commit.
    pub(super) fn committed(&mut self, readings: usize, took_s: f64) {
        (self.readings, self.took_s) = (readings, took_s);
    }
}

/// Takes the marks out of a group: all in it is written before any of them is answered.
pub(super) fn take_marks(group: &mut Vec<Entry>) -> Vec<oneshot::Sender<()>> {
    let is_mark = |entry: &mut Entry| matches!(entry, Entry::Mark { .. });
    group
        .extract_if(.., is_mark)
        .filter_map(|entry| match entry {
            Entry::Mark { reached } => Some(reached),
            _ => None,
        })
        .collect()
}

/// Why the log is to be recovered, where somebody says so.
pub(super) fn damage(group: &[Entry]) -> Option<String> {
    group.iter().find_map(|entry| match entry {
        Entry::Damaged(why) => Some(why.clone()),
        _ => None,
    })
}

/// How many of a group are readings.
pub(super) fn readings(group: &[Entry]) -> u64 {
    group.iter().filter(|entry| matches!(entry, Entry::Reading { .. })).count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark() -> Entry {
        Entry::Mark { reached: oneshot::channel().0 }
    }

    /// How many a commit begins with once `waited_for` were in the last, which took an hour, and so many come together.
    fn filled(waited_for: usize, come: usize) -> usize {
        let mut gathering = Gathering::default();
        gathering.committed(waited_for, 3600.0);
        let (to, mut queue) = mpsc::channel(LARGEST_GROUP);
        let mut group = Vec::new();
        for _ in 0..come {
            to.try_send(mark()).unwrap();
        }
        drop(to);
        gathering.fill(&mut group, &mut queue, &Clock::system());
        group.len()
    }

    #[test]
    fn a_commit_takes_as_many_as_the_last_one_answered_and_is_not_held_up_by_who_is_gone() {
        assert_eq!(filled(3, 5), 3);
        assert_eq!(filled(8, 5), 5, "those who send are gone: it would wait for a quarter of an hour");
    }

    #[test]
    fn a_meter_by_itself_is_not_waited_for() {
        assert_eq!(filled(1, 1), 0, "it is left for whoever waits without taking the processor");
    }

    #[test]
    fn who_does_not_come_is_waited_for_no_longer_than_a_share_of_the_last_commit() {
        let mut gathering = Gathering::default();
        gathering.committed(2, 1e-3);
        let (to, mut queue) = mpsc::channel(1);
        gathering.fill(&mut Vec::new(), &mut queue, &Clock::system());
        to.try_send(mark()).unwrap();
    }
}
