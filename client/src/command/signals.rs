//! Signals that ask a program to end, for what has something to put away first.

use tokio::signal::unix::{Signal, SignalKind, signal};

/// Whether this process was started to ignore a signal, under nohup say.
pub(super) fn is_ignored(kind: SignalKind) -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // The lowest bit is for the first.
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0);
    mask >> (kind.as_raw_value() - 1) & 1 == 1
}

/// Waits until the process is asked to end: by Ctrl-C, by whoever stops it (SIGTERM), or as its terminal goes (SIGHUP). From the first
/// call on none of them ends it by itself any more.
pub(super) async fn asked_to_end() {
    let kinds = [SignalKind::terminate(), SignalKind::hangup()];
    let [mut terminate, mut hangup] =
        kinds.map(|kind| if is_ignored(kind) { None } else { signal(kind).ok() });
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        () = heard(&mut terminate) => {}
        () = heard(&mut hangup) => {}
    }
}

/// Waits for a signal; for ever, where it is ignored.
pub(super) async fn heard(signal: &mut Option<Signal>) {
    match signal {
        Some(signal) => drop(signal.recv().await),
        None => std::future::pending().await,
    }
}
