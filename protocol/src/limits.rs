//! How much a client may ask for at once.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a client may ask for at once. Whatever is beyond answers `overloaded`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Limits {
    /// Longest line, in bytes, without its end.
    pub line_bytes: usize,
    /// Requests in one batch.
    pub batch: usize,
    /// Connections at once, all clients together.
    pub connections: usize,
    /// Requests of one connection that are not answered yet.
    pub pending_requests: usize,
    /// Subscriptions of one connection.
    pub subscriptions: usize,
    /// Notifications waiting for one slow reader, per subscription; the oldest give way.
    pub waiting_notifications: usize,
    /// Bytes of notifications waiting for one connection, all its subscriptions together; the oldest give way.
    pub waiting_bytes: usize,
    /// Connections at once of one user, by the system's user id.
    pub connections_of_user: usize,
    /// Bytes of one connection's requests that are not answered yet, together with those of answers that wait for the rest of their batch.
    pub pending_bytes: usize,
}
