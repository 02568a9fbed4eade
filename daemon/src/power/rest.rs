//! Rest for meters while the machine sleeps: asked for, entered at a reading's edge, and over.

use std::sync::Arc;

use tokio::sync::watch;

/// How it stands with sleep.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Sleep {
    /// The machine is about to sleep, or asleep.
    wanted: bool,
    /// How often it has slept without having told before.
    naps: u64,
}

/// Has every meter rest. Clones are of one and the same.
#[derive(Clone, Debug, Default)]
pub struct Rest {
    sleep: Arc<watch::Sender<Sleep>>,
    busy: Arc<watch::Sender<usize>>,
}

/// A meter's view of it.
#[derive(Clone, Debug)]
pub struct Resting {
    sleep: watch::Receiver<Sleep>,
    busy: Arc<watch::Sender<usize>>,
    /// The naps that the meter has been opened anew after.
    naps: u64,
}

/// A meter is open until this is dropped.
#[derive(Debug)]
pub struct Busy(Arc<watch::Sender<usize>>);

impl Rest {
    /// For one meter.
    #[must_use]
    pub fn resting(&self) -> Resting {
        let sleep = self.sleep.subscribe();
        let naps = sleep.borrow().naps;
        Resting { sleep, busy: Arc::clone(&self.busy), naps }
    }

    /// How many meters are open.
    #[must_use]
    pub fn busy(&self) -> usize {
        *self.busy.borrow()
    }

    /// Whether meters rest, or are about to.
    #[must_use]
    pub fn is_wanted(&self) -> bool {
        self.sleep.borrow().wanted
    }

    /// Asks for rest, and returns once no meter is open any more.
    pub async fn begin(&self) {
        self.sleep.send_modify(|sleep| sleep.wanted = true);
        let mut busy = self.busy.subscribe();
        // The sender is in our own hands.
        let _gone = busy.wait_for(|busy| *busy == 0).await.is_err();
    }

    /// The machine is awake: meters are opened again.
    pub fn wake(&self) {
        self.sleep.send_if_modified(|sleep| std::mem::take(&mut sleep.wanted));
    }

    /// The machine has slept. Where nobody told before, meters are still open, and are opened anew.
    pub fn slept(&self) {
        self.sleep.send_if_modified(|sleep| {
            sleep.naps += u64::from(!sleep.wanted);
            !sleep.wanted
        });
    }
}

impl Resting {
    /// The meter is open from now on, until the result is dropped.
    pub fn open(&self) -> Busy {
        self.busy.send_modify(|busy| *busy += 1);
        Busy(Arc::clone(&self.busy))
    }

    /// Whether the meter is to be closed: the machine is about to sleep, or has slept since it was opened.
    #[must_use]
    pub fn is_due(&self) -> bool {
        let sleep = *self.sleep.borrow();
        sleep.wanted || sleep.naps != self.naps
    }

    /// Returns once it is.
    pub async fn due(&mut self) {
        let naps = self.naps;
        if self.sleep.wait_for(|sleep| sleep.wanted || sleep.naps != naps).await.is_err() {
            std::future::pending::<()>().await;
        }
    }

    /// Returns once the machine is awake.
    pub async fn over(&mut self) {
        // Whoever could have it sleep is gone where this fails.
        let naps = self.sleep.wait_for(|sleep| !sleep.wanted).await.map(|sleep| sleep.naps);
        self.naps = naps.unwrap_or(self.naps);
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.send_modify(|busy| *busy -= 1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn rest_begins_once_the_last_meter_is_closed_and_a_nap_nobody_told_of_is_one_too() {
        let rest = Rest::default();
        let (mut first, mut second) = (rest.resting(), rest.resting());
        let (busy, other) = (first.open(), second.open());
        let meters = async {
            first.due().await;
            drop(busy);
            second.due().await;
            assert_eq!(rest.busy(), 1);
            drop(other);
        };
        tokio::join!(rest.begin(), meters);
        assert!(rest.is_wanted() && first.is_due() && rest.busy() == 0);
        // The clocks notice the same sleep, before anybody says that it is over.
        rest.slept();
        rest.wake();
        first.over().await;
        assert!(!first.is_due() && !rest.is_wanted());
        rest.slept();
        assert!(first.is_due());
        first.over().await;
        assert!(!first.is_due());
    }
}
