//! What is written in one commit.

use tokio::sync::{mpsc, oneshot};

use super::Entry;

/// Most rows in one commit, so that no row waits long for those behind it.
pub(super) const LARGEST_GROUP: usize = 256;

/// How often the processor is given up for those who were just answered and may be about to hand in the next reading: some
/// hundredths of a millisecond. What comes meanwhile is spared a commit of its own.
const TURNS: usize = 64;

/// Lets a group grow to what is expected, if that comes at once. Without it those who wait for each other's commits fall into two
/// groups that take turns, and each waits for both.
pub(super) fn gather(queue: &mut mpsc::Receiver<Entry>, group: &mut Vec<Entry>, expected: usize) {
    let expected = expected.min(LARGEST_GROUP);
    for _ in 0..TURNS {
        while group.len() < expected
            && let Ok(entry) = queue.try_recv()
        {
            group.push(entry);
        }
        if group.len() >= expected {
            return;
        }
        std::thread::yield_now();
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
