//! Something that may take longer than it takes to wonder: how far it is, and how long it will still take.

use std::time::Duration;

use crate::output::Output;
use crate::show;

/// Shows how far something is that takes longer than it takes to wonder.
pub(super) struct Progress {
    output: Output,
    started: tokio::time::Instant,
    shown: Option<tokio::time::Instant>,
}

/// When progress is first shown, and how often then.
const PATIENCE: Duration = Duration::from_secs(2);
const PACE: Duration = Duration::from_millis(200);

impl Progress {
    pub(super) fn new(output: Output) -> Self {
        Self { output, started: tokio::time::Instant::now(), shown: None }
    }

    /// Says what is done, of which `share` is known where it is.
    pub(super) fn show(&mut self, done: &str, share: Option<f64>) {
        let waited = self.started.elapsed();
        if waited < PATIENCE || self.shown.is_some_and(|shown| shown.elapsed() < PACE) {
            return;
        }
        self.shown = Some(tokio::time::Instant::now());
        let left = share.and_then(|share| left_s(waited.as_secs_f64(), share));
        let left = left.map_or_else(String::new, |left| format!(", {} left", show::wait(left)));
        self.output.status(&format!("{done}{left}"));
    }

    /// Takes it away.
    pub(super) fn end(&self) {
        if self.shown.is_some() {
            self.output.end_status();
        }
    }
}

/// Waits for something of which nobody can tell how far it is, and shows for how long already once that is longer than it takes to
/// wonder.
pub(super) async fn waiting<T>(output: Output, what: &str, call: impl Future<Output = T>) -> T {
    tokio::pin!(call);
    let mut progress = Progress::new(output);
    loop {
        tokio::select! {
            biased;
            outcome = &mut call => {
                progress.end();
                return outcome;
            }
            () = tokio::time::sleep(PACE) => {
                let waited_s = progress.started.elapsed().as_secs_f64();
                progress.show(&format!("{what}: {}", show::wait(waited_s)), None);
            }
        }
    }
}

/// How long what has come so far in `waited_s` will still take.
fn left_s(waited_s: f64, share: f64) -> Option<f64> {
    (share > 0.0 && share <= 1.0).then(|| waited_s * (1.0 - share) / share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_from_what_is_done() {
        assert_eq!(left_s(10.0, 0.25), Some(30.0));
        assert_eq!([left_s(10.0, 0.0), left_s(10.0, 1.5)], [None, None]);
        assert_eq!(left_s(10.0, 1.0), Some(0.0));
    }
}
