//! What is written in one commit.

use tokio::sync::oneshot;

use super::Entry;

/// Most rows in one commit, so that no row waits long for those behind it.
pub(super) const LARGEST_GROUP: usize = 256;

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
