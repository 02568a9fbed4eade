//! One reading, many subscribers: how long until the last has it, what that costs, and what one client costs another. Each figure
//! beside its peers, in the same run. Not a test: nothing is asserted but that everything arrived.
//!
//! `cargo build --release --bins && cargo bench -p settled-tests --bench fan`, with `-- fanned`, `stalled` or `shares` for one part alone.
//!
//! Peers are a bare server (one thread, blocking writes, nothing else) and, where they are on the PATH, Redis and Mosquitto: `apt-get install
//! redis-server mosquitto`. Each carries the same bytes, the line of a reading, over a Unix socket.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a benchmark prints, and ends where it can't go on"
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
    let chosen: Vec<String> =
        std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    let is_chosen = |part: &str| chosen.is_empty() || chosen.iter().any(|chosen| chosen == part);
    if is_chosen("fanned") {
        fanned::run(folder.path());
    }
    if is_chosen("stalled") {
        stalled::run(folder.path());
    }
    if is_chosen("shares") {
        shares::run(folder.path());
    }
}
