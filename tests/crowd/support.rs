//! The harness: that of the other end-to-end tests, clients that can be stopped and killed, and what a process holds.

#[path = "../it/support/client.rs"]
#[expect(dead_code, reason = "other tests need more of it")]
pub(crate) mod client;
#[path = "../it/support/daemon.rs"]
#[expect(dead_code, reason = "other tests need more of it")]
pub(crate) mod daemon;
#[path = "../it/support/others.rs"]
#[expect(dead_code, reason = "other tests need more of it")]
pub(crate) mod others;
pub(crate) mod relay;
pub(crate) mod vitals;
