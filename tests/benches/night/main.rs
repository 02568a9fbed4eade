//! A night's log: what it costs to have readings durable, and how soon a long stretch is drawn. Each figure beside its peer in the same run. Not
//! a test: nothing is asserted but that everything arrived.
//!
//! `cargo build --release --bins && cargo bench -p settled-tests --bench night`, with `-- appended` or `binned` for one part alone. The peers are a
//! bare loop of SQLite's and, on the PATH, its shell: `apt-get install sqlite3`.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things, prints, and ends where it can't go on"
)]

mod appended;
mod binned;

/// The daemon's own.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() {
    let chosen: Vec<String> =
        std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    let is_chosen = |part: &str| chosen.is_empty() || chosen.iter().any(|chosen| chosen == part);
    if is_chosen("appended") {
        appended::run();
    }
    if is_chosen("binned") {
        binned::run();
    }
}

/// The middle one.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
