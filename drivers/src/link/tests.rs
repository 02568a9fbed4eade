//! What every link does while nobody talks to its instrument.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use tokio::time::Instant;

use super::*;
use crate::fault::FaultKind;

/// Says `left` times a few bytes, always at once, and is gone then.
#[derive(Debug)]
struct Babbler {
    left: usize,
    said: Arc<AtomicUsize>,
    unasked: bool,
}

impl Link for Babbler {
    fn send<'a>(&'a mut self, _: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async { Ok(()) })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async {
            self.said.fetch_add(1, Ordering::Relaxed);
            self.left = self.left.checked_sub(1).ok_or_else(|| Fault::new(FaultKind::Gone, "gone"))?;
            held.extend_from_slice(&[b'#'; 1024]);
            Ok(())
        })
    }

    fn speaks_unasked(&self) -> bool {
        self.unasked
    }
}

#[tokio::test(start_paused = true)]
async fn an_instrument_that_babbles_keeps_no_processor_busy_and_its_going_is_noticed() {
    let said = Arc::new(AtomicUsize::new(0));
    let mut endless = Babbler { left: usize::MAX, said: Arc::clone(&said), unasked: true };
    let second = Duration::from_secs(1);
    assert!(tokio::time::timeout(second, endless.departed()).await.is_err());
    let a_second = said.load(Ordering::Relaxed) * 1024;
    assert!((1 << 20..16 << 20).contains(&a_second), "{a_second} bytes a second were looked at");
    // What the system holds back at most (6 MiB on a socket), and then the end of it.
    let start = Instant::now();
    let mut ending = Babbler { left: 6 * 1024, said: Arc::default(), unasked: true };
    assert_eq!(ending.departed().await.kind(), FaultKind::Gone);
    assert!(start.elapsed() < second, "{:?}", start.elapsed());
}

#[tokio::test(start_paused = true)]
async fn what_speaks_only_when_asked_is_not_listened_to_while_idle() {
    let said = Arc::new(AtomicUsize::new(0));
    let mut bus = Babbler { left: 9, said: Arc::clone(&said), unasked: false };
    assert!(tokio::time::timeout(Duration::from_secs(1), bus.departed()).await.is_err());
    assert_eq!(said.load(Ordering::Relaxed), 0);
}
