//! More time for a start that takes long: a large log that is recovered, or brought up to a new version, takes minutes. A start that was
//! given up in the middle of that would begin it anew each time.

use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::time::Duration;

/// Bytes of stack that the asking takes: it writes one datagram.
const STACK: usize = 128 * 1024;

/// Asks for more time, from a thread of its own as the runtime's may be busy, until it is dropped.
#[derive(Debug)]
pub struct Starting {
    _ends: Option<Sender<()>>,
}

impl Starting {
    /// Has `ask` called each `every` from now on.
    pub(super) fn begin(every: Duration, ask: impl Fn() + Send + 'static) -> Self {
        let (ends, ended) = mpsc::channel::<()>();
        let asking = move || {
            while ended.recv_timeout(every) == Err(RecvTimeoutError::Timeout) {
                ask();
            }
        };
        let thread = std::thread::Builder::new().name("starting".to_owned()).stack_size(STACK).spawn(asking);
        if let Err(error) = &thread {
            tracing::warn!(%error, "the service manager isn't asked for more time, should the start take long");
        }
        Self { _ends: thread.is_ok().then_some(ends) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_start_that_takes_long_asks_for_more_time_until_it_is_over() {
        let (asked, heard) = mpsc::channel();
        let starting = Starting::begin(Duration::from_millis(5), move || asked.send(()).unwrap_or_default());
        let long = Duration::from_secs(30);
        assert!((0..3).all(|_| heard.recv_timeout(long).is_ok()));
        drop(starting);
        // The thread ends, and what it asks by goes with it.
        while heard.recv_timeout(long) != Err(RecvTimeoutError::Disconnected) {}
    }
}
