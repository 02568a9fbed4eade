//! What a process holds, as the kernel counts it.

use std::fmt;
use std::fs;
use std::path::PathBuf;

/// A process's belongings at a moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Vitals {
    /// Memory that it has in use, in KiB.
    pub(crate) resident_kib: u64,
    /// Descriptors that it has open, but for those of its log: SQLite keeps a few that were for reading, and reads by them again.
    pub(crate) files: usize,
    /// Its threads.
    pub(crate) threads: usize,
    /// How long its first thread has run, in s, …
    pub(crate) ran_s: f64,
    /// … and how long it would have, had a processor been free.
    pub(crate) kept_waiting_s: f64,
}

impl Vitals {
    pub(crate) fn of(pid: u32) -> Self {
        let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
        let resident = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        let scheduled = fs::read_to_string(format!("/proc/{pid}/schedstat")).unwrap();
        let scheduled: Vec<f64> = scheduled.split_whitespace().map(|it| it.parse().unwrap()).collect();
        let entries =
            |what: &str| fs::read_dir(format!("/proc/{pid}/{what}")).unwrap().map(|it| it.unwrap().path());
        let is_log =
            |path: &PathBuf| fs::read_link(path).is_ok_and(|file| file.to_string_lossy().contains(".sqlite"));
        Self {
            resident_kib: resident.trim().trim_end_matches(" kB").parse().unwrap(),
            files: entries("fd").filter(|path| !is_log(path)).count(),
            threads: entries("task").count(),
            ran_s: scheduled[0] * 1e-9,
            kept_waiting_s: scheduled[1] * 1e-9,
        }
    }

    /// What must return exactly.
    pub(crate) fn held(&self) -> (usize, usize) {
        (self.files, self.threads)
    }
}

impl fmt::Display for Vitals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { resident_kib, files, threads, .. } = self;
        write!(f, "{resident_kib} KiB, {files} files, {threads} threads")
    }
}
