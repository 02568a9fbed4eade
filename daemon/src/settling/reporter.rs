//! Reports of progress, no more often than they are of use.

use std::time::Duration;

use tokio::time::Instant;

use super::Report;

/// Between two reports of progress, in real time: more often than a person can read is a waste.
const REPORTS: Duration = Duration::from_millis(200);

/// Where reports go, and from when on the next may.
#[derive(Debug)]
pub(super) struct Reporter<F> {
    report: F,
    next: Instant,
}

impl<F: Fn(Report)> Reporter<F> {
    pub(super) fn new(report: F) -> Self {
        Self { report, next: Instant::now() }
    }

    /// Reports, if it is time to and there is something to be told.
    pub(super) fn say(&mut self, how: impl FnOnce() -> Option<Report>) {
        if Instant::now() >= self.next
            && let Some(report) = how()
        {
            self.next = Instant::now() + REPORTS;
            (self.report)(report);
        }
    }
}
