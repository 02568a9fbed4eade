//! How many connections there is room for: each takes a file descriptor, and another one while its client doesn't read what waits for it;
//! a process has only so many.

use nix::sys::resource::{Resource, getrlimit, setrlimit};

/// Descriptors that connections leave alone: 64 meters, four queries of three files each, the log, the socket, the runtime,
/// and clients that are being turned away.
const RESERVE: u64 = 128;

/// Descriptors that a connection may take.
const EACH: u64 = 2;

/// Makes room for up to `most` connections, as far as the system lets us, and says for how many there is.
pub(super) fn for_connections(most: usize) -> usize {
    let wanted = u64::try_from(most).unwrap_or(u64::MAX).saturating_mul(EACH).saturating_add(RESERVE);
    let (soft, hard) = match getrlimit(Resource::RLIMIT_NOFILE) {
        Ok(limits) => limits,
        Err(error) => {
            tracing::warn!(%error, "how many files may be open isn't known");
            return most;
        }
    };
    let may_open = if soft < wanted { raise(soft, wanted.min(hard), hard) } else { soft };
    let room = room(may_open, most);
    if room < most {
        tracing::warn!(may_open, connections = room, "fewer connections than usual: few files may be open");
    }
    room
}

/// Raises the soft limit, and says what it is now.
fn raise(soft: u64, to: u64, hard: u64) -> u64 {
    match setrlimit(Resource::RLIMIT_NOFILE, to, hard) {
        Ok(()) => to,
        Err(error) => {
            tracing::warn!(%error, soft, "the limit of open files can't be raised");
            soft
        }
    }
}

/// Connections that leave the reserve; where that is nearly everything, half.
fn room(may_open: u64, most: usize) -> usize {
    let left = may_open.saturating_sub(RESERVE).max(may_open / 2).min(may_open);
    usize::try_from(left / EACH).unwrap_or(usize::MAX).clamp(1, most)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn connections_leave_the_reserve_and_are_never_none() {
        let reserve = usize::try_from(RESERVE).unwrap();
        for (may_open, expected) in
            [(0, 1), (64, 16), (1024, (1024 - reserve) / 2), (4096, 1024), (1 << 20, 1024)]
        {
            assert_eq!(room(may_open, 1024), expected, "{may_open} files");
        }
    }
}
