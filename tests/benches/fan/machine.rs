//! What the machine tells: its boot clock, a process's processor time and memory. And what becomes of many such figures.

use std::process::Child;

use nix::time::{ClockId, clock_gettime};

/// Now on the clock that readings are stamped by, in s.
pub(crate) fn now_s() -> f64 {
    let now = clock_gettime(ClockId::CLOCK_BOOTTIME).unwrap();
    now.tv_sec() as f64 + now.tv_nsec() as f64 * 1e-9
}

/// Processor time of every thread of a process, in s. Threads that have ended don't count.
pub(crate) fn process_s(pid: u32) -> f64 {
    let threads = std::fs::read_dir(format!("/proc/{pid}/task")).unwrap();
    threads.map(|thread| spent_s(&format!("{}/schedstat", thread.unwrap().path().display()))).sum()
}

/// Processor time of one of our own threads, in s.
pub(crate) fn thread_s(thread: i32) -> f64 {
    spent_s(&format!("/proc/self/task/{thread}/schedstat"))
}

fn spent_s(schedstat: &str) -> f64 {
    let text = std::fs::read_to_string(schedstat).unwrap();
    text.split_whitespace().next().unwrap().parse::<f64>().unwrap() * 1e-9
}

/// A process's resident memory, in MiB.
pub(crate) fn resident_mib(pid: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

/// The value that this share of the others doesn't exceed.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share) as usize]
}

/// A process that is killed when this is dropped.
pub(crate) struct Killed(pub(crate) Child);

impl Drop for Killed {
    fn drop(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}
