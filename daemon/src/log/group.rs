//! What is written in one commit.

use tokio::sync::{mpsc, oneshot};

use super::{Entry, Numbered};

/// Most rows in one commit, so that no row waits long for those behind it.
pub(super) const LARGEST_GROUP: usize = 256;

/// How often the processor is given up for those who were just answered and may be about to hand in the next reading: some
/// hundredths of a millisecond. What comes meanwhile is spared a commit of its own.
const TURNS: usize = 64;

/// Lets a group grow to what is expected while it is written, by readings that come meanwhile: whoever was answered by the last commit
/// takes his next reading while the disk's work for others goes on. Without it those who wait for each other's commits fall into
/// two groups that take turns, and each waits for both.
#[derive(Debug)]
pub(super) struct Growth<'a> {
    queue: &'a mut mpsc::Receiver<Entry>,
    /// What came and isn't a reading: it begins the next group, as it may be something that a group is to know of from its start.
    held: &'a mut Option<Entry>,
    /// How large it is to get.
    expected: usize,
    turns: usize,
}

impl<'a> Growth<'a> {
    pub(super) fn new(
        queue: &'a mut mpsc::Receiver<Entry>,
        held: &'a mut Option<Entry>,
        expected: usize,
    ) -> Self {
        Self { queue, held, expected: expected.min(LARGEST_GROUP), turns: TURNS }
    }

    /// Another reading for a group of `length`; nothing if it is large enough, or none comes at once.
    pub(super) fn next(&mut self, length: usize) -> Option<Entry> {
        while self.held.is_none() && length < self.expected {
            match self.queue.try_recv() {
                Ok(reading @ Entry::Reading { .. }) => return Some(reading),
                Ok(other) => *self.held = Some(other),
                Err(_) if self.turns > 0 => {
                    self.turns -= 1;
                    std::thread::yield_now();
                }
                Err(_) => return None,
            }
        }
        None
    }
}

/// Adds what is there already.
pub(super) fn fill(queue: &mut mpsc::Receiver<Entry>, group: &mut Vec<Entry>) {
    while group.len() < LARGEST_GROUP
        && let Ok(entry) = queue.try_recv()
    {
        group.push(entry);
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

/// Tells whoever waits for a reading what became of it.
pub(super) fn answer(to: oneshot::Sender<Numbered>, numbered: Numbered) {
    // Nobody waits any more if the meter's task was restarted; the reading is in the log all the same.
    let _waiting = to.send(numbered).is_ok();
}
