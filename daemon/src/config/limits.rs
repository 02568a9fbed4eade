//! How much a client may ask for at once: `[limits]`.

use settled_drivers::settings::{Table, Word};
use settled_protocol::line::LONGEST_LINE;
use settled_protocol::method::Limits;

use crate::server::{LIMITS, RESERVED};
use crate::size;

/// Connections: some beside those that are kept for the owner, and no more than files that a process can have open by far.
const CONNECTIONS: (usize, usize) = (2 * RESERVED, 65_536);

/// Requests that wait, and subscriptions, of one connection: each costs a task.
const OF_ONE: (usize, usize) = (1, 4096);

/// Notifications that wait: enough for a page from the log, and no more than anybody reads later.
const NOTIFICATIONS: (usize, usize) = (16, 65_536);

/// Bytes that wait, either way: at least the longest line fits, so that nothing is too large by itself.
const BYTES: (usize, usize) = (LONGEST_LINE, 1 << 30);

/// Reads the limits. Where the socket is `shared`, a user may have half of the connections unless the config says otherwise.
pub(super) fn read(table: Option<Table<'_>>, shared: bool) -> Limits {
    let mut limits = LIMITS;
    let mut of_user = None;
    if let Some(mut table) = table {
        count(&mut table, "connections", CONNECTIONS, &mut limits.connections);
        let mut most = limits.connections;
        count(&mut table, "connections_of_user", (1, CONNECTIONS.1), &mut most);
        if table.has("connections_of_user") {
            if most > limits.connections {
                let message = format!("is more than there are connections, {}", limits.connections);
                table.complain("connections_of_user", message);
            }
            of_user = Some(most);
        }
        count(&mut table, "pending_requests", OF_ONE, &mut limits.pending_requests);
        bytes(&mut table, "pending_bytes", &mut limits.pending_bytes);
        count(&mut table, "subscriptions", OF_ONE, &mut limits.subscriptions);
        count(&mut table, "waiting_notifications", NOTIFICATIONS, &mut limits.waiting_notifications);
        bytes(&mut table, "waiting_bytes", &mut limits.waiting_bytes);
    }
    let share = if shared { limits.connections.div_ceil(2) } else { limits.connections };
    limits.connections_of_user = of_user.unwrap_or(share);
    limits
}

fn count(table: &mut Table<'_>, key: &str, (least, most): (usize, usize), limit: &mut usize) {
    let bounds = (i64::try_from(least).unwrap_or(i64::MAX), i64::try_from(most).unwrap_or(i64::MAX));
    if let Some(count) = table.integer(key, bounds.0, bounds.1) {
        *limit = usize::try_from(count).unwrap_or(most);
    }
}

/// A size as text, such as `"2 MiB"`, or as a number of bytes.
fn bytes(table: &mut Table<'_>, key: &str, limit: &mut usize) {
    let (least, most) = BYTES;
    let expected = format!("a size from {} MiB to {} MiB, such as \"2 MiB\"", least >> 20, most >> 20);
    let bytes = match table.word(key, 0, i64::MAX, &expected) {
        None => return,
        Some(Word::Number(number)) => usize::try_from(number).ok(),
        Some(Word::Text(text)) => size::bytes(&text).ok().and_then(|bytes| usize::try_from(bytes).ok()),
    };
    match bytes.filter(|bytes| (least..=most).contains(bytes)) {
        Some(bytes) => *limit = bytes,
        None => table.complain(key, format!("expected {expected}")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{load, problems};
    use super::*;

    #[test]
    fn limits_are_the_usual_ones_unless_the_config_says_otherwise() {
        assert_eq!(load("").unwrap().limits, LIMITS);
        let text = "[limits]\nconnections = 100\npending_requests = 7\npending_bytes = \"3 MiB\"\nsubscriptions = 8\n\
            waiting_notifications = 16\nwaiting_bytes = 1048576\n";
        let expected = Limits {
            connections: 100,
            connections_of_user: 100,
            pending_requests: 7,
            pending_bytes: 3 << 20,
            subscriptions: 8,
            waiting_notifications: 16,
            waiting_bytes: 1 << 20,
            ..LIMITS
        };
        assert_eq!(load(text).unwrap().limits, expected);
        let shared = "[socket]\ngroup = 5\n";
        assert_eq!(load(shared).unwrap().limits.connections_of_user, 512, "half, where there are others");
        let of_user = format!("{shared}[limits]\nconnections = 9\nconnections_of_user = 9\n");
        assert_eq!(load(&of_user).unwrap().limits.connections_of_user, 9);
    }

    #[test]
    fn a_limit_out_of_its_range_is_named_in_its_place() {
        let found = problems(
            "[limits]\nconnections = 7\nconnections_of_user = 2000\npending_requests = 0\npending_bytes = \"64 KiB\"\n\
             subscriptions = 5000\nwaiting_notifications = 15\nwaiting_bytes = \"a lot\"\nsubscribtions = 5\n",
        );
        let expected = [
            "2:15: limits.connections: expected a whole number from 8 to 65536",
            "3:23: limits.connections_of_user: is more than there are connections, 1024",
            "4:20: limits.pending_requests: expected a whole number from 1 to 4096",
            "5:17: limits.pending_bytes: expected a size from 1 MiB to 1024 MiB, such as \"2 MiB\"",
            "6:17: limits.subscriptions: expected a whole number from 1 to 4096",
            "7:25: limits.waiting_notifications: expected a whole number from 16 to 65536",
            "8:17: limits.waiting_bytes: expected a size from 1 MiB",
            "9:1: limits.subscribtions: unknown key; did you mean \"subscriptions\"?",
        ];
        assert_eq!(found.len(), expected.len(), "{found:#?}");
        for (found, expected) in found.iter().zip(expected) {
            assert!(found.starts_with(&format!("/etc/bench/settled.toml:{expected}")), "{found}");
        }
    }
}
