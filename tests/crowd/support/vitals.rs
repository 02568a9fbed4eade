//! What a process holds, as the kernel counts it.

use std::fmt;
use std::fs;
use std::path::PathBuf;

/// A process's belongings at a moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Vitals {
    /// Memory that it has of the system, in KiB, not counting what is its programs' and the log's files.
    pub(crate) memory_kib: u64,
    /// Descriptors that it has open, but for those of its log: SQLite keeps a few that were for reading, and reads by them again.
    pub(crate) files: usize,
    /// Its threads.
    pub(crate) threads: usize,
    /// How long those of its threads have run that a reading goes through, in s: the first, and the log's, …
    pub(crate) ran_s: f64,
    /// … and how long they would have, had a processor been free.
    pub(crate) kept_waiting_s: f64,
}

impl Vitals {
    pub(crate) fn of(pid: u32) -> Self {
        let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
        let memory = status.lines().find_map(|line| line.strip_prefix("RssAnon:")).unwrap();
        let entries =
            |what: &str| fs::read_dir(format!("/proc/{pid}/{what}")).unwrap().map(|it| it.unwrap().path());
        let is_log =
            |path: &PathBuf| fs::read_link(path).is_ok_and(|file| file.to_string_lossy().contains(".sqlite"));
        let (ran_s, kept_waiting_s) = scheduled(pid);
        Self {
            memory_kib: memory.trim().trim_end_matches(" kB").parse().unwrap(),
            files: entries("fd").filter(|path| !is_log(path)).count(),
            threads: entries("task").count(),
            ran_s,
            kept_waiting_s,
        }
    }

    /// What must return exactly.
    pub(crate) fn held(&self) -> (usize, usize) {
        (self.files, self.threads)
    }
}

/// For how long the threads that a reading goes through have run, and were kept waiting, in s.
fn scheduled(pid: u32) -> (f64, f64) {
    let mut times_s = (0.0, 0.0);
    for thread in fs::read_dir(format!("/proc/{pid}/task")).unwrap() {
        let thread = thread.unwrap().path();
        let read = |what: &str| fs::read_to_string(thread.join(what));
        // A thread that has ended in between was none of these.
        let (Ok(name), Ok(scheduled)) = (read("comm"), read("schedstat")) else { continue };
        if thread.ends_with(pid.to_string()) || name.trim() == "log" {
            let scheduled: Vec<f64> = scheduled.split_whitespace().map(|it| it.parse().unwrap()).collect();
            times_s = (times_s.0 + scheduled[0] * 1e-9, times_s.1 + scheduled[1] * 1e-9);
        }
    }
    times_s
}

impl fmt::Display for Vitals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { memory_kib, files, threads, .. } = self;
        write!(f, "{memory_kib} KiB, {files} files, {threads} threads")
    }
}
