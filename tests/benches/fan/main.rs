//! One reading, many subscribers: how long until the last has it, what that costs, and what one client costs another. Each figure
//! beside its peers, in the same run. Not a test: nothing is asserted but that everything arrived.
//!
//! `cargo build --release --bins && cargo bench -p settled-tests --bench fan`
//!
//! Peers are a bare server (one thread, blocking writes, nothing else) and, where they are on the PATH, Redis and Mosquitto: `apt-get install
//! redis-server mosquitto`. Each carries the same bytes, the line of a reading, over a Unix socket.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things and prints"
)]

mod fanned;
mod machine;
mod peers;
mod settled;
mod shares;
mod stalled;
mod subscribers;

fn main() {
    let folder = tempfile::tempdir().unwrap();
    fanned::run(folder.path());
    stalled::run(folder.path());
    shares::run(folder.path());
}
