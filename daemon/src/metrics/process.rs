//! What the daemon's own process costs, under the names that Prometheus's client libraries use for it ("Process metrics" in its guide
//! to writing client libraries). Where the system doesn't tell, they are left out.

use std::time::Duration;

use nix::sys::resource::{Resource, UsageWho, getrlimit, getrusage};
use nix::sys::time::{TimeVal, TimeValLike};
use nix::unistd::{SysconfVar, sysconf};

use super::contents::count;
use super::exposition::{Kind, Page, number};

pub(super) fn write(page: &mut Page) {
    page.family(
        Kind::Counter,
        "process_cpu_seconds",
        "seconds",
        "Processor time that the process has taken.",
    )
    .known(&[], cpu_s());
    page.family(
        Kind::Gauge,
        "process_resident_memory_bytes",
        "bytes",
        "Memory of the process that is resident.",
    )
    .known(&[], resident_bytes());
    page.gauge("process_open_fds", "Files that the process has open.")
        .known(&[], std::fs::read_dir("/proc/self/fd").ok().map(|files| number(count(files.count()))));
    page.gauge("process_max_fds", "Files that the process may have open.")
        .known(&[], getrlimit(Resource::RLIMIT_NOFILE).ok().map(|(soft, _)| number(soft)));
}

fn cpu_s() -> Option<f64> {
    let usage = getrusage(UsageWho::RUSAGE_SELF).ok()?;
    let seconds = |time: TimeVal| {
        Some(Duration::from_micros(u64::try_from(time.num_microseconds()).ok()?).as_secs_f64())
    };
    Some(seconds(usage.user_time())? + seconds(usage.system_time())?)
}

/// The second figure of `statm` (proc(5)), in pages.
fn resident_bytes() -> Option<f64> {
    let statm = std::fs::read_to_string("/proc/self/statm").ok()?;
    let pages: u64 = statm.split_whitespace().nth(1)?.parse().ok()?;
    let page_bytes = u64::try_from(sysconf(SysconfVar::PAGE_SIZE).ok()??).ok()?;
    pages.checked_mul(page_bytes).map(number)
}
