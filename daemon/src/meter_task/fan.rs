//! From a meter's task to those who listen to it on the spot: one task for all of them, so that a listener costs neither the
//! meter nor a task of its own anything.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::shared::{Logged, Published};
use crate::stop::Stop;

/// Listeners that are told without a pause: each takes a few µs, mostly to write to a socket, and everyone else in the daemon
/// must have a turn within a fraction of a millisecond.
const AT_ONCE: usize = 64;

/// Somebody who is told of a meter's readings on the spot. None of this may block, or take longer than a write that doesn't wait.
pub trait Listener: fmt::Debug + Send + Sync {
    /// A reading has gone out.
    fn reading(&self, logged: &Arc<Logged>);

    /// So much of what the meter made known went by too fast to be told.
    fn lagged(&self, count: u64);

    /// The meter went away, or its task was restarted: demands are to be made anew.
    fn restarted(&self);
}

/// Those who listen to one meter.
#[derive(Debug, Default)]
pub(super) struct Fan {
    listeners: Mutex<Listeners>,
    /// The sequence of the last reading that went out.
    last_out: AtomicU64,
}

#[derive(Debug, Default)]
struct Listeners {
    by_number: BTreeMap<u64, Arc<dyn Listener>>,
    counter: u64,
}

/// Listens until it is dropped.
#[derive(Debug)]
#[must_use]
pub struct Listening {
    fan: Arc<Fan>,
    number: u64,
}

impl Fan {
    fn listeners(&self) -> MutexGuard<'_, Listeners> {
        self.listeners.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds a listener. It may still be told of readings that went out before.
    pub(super) fn listen(self: &Arc<Self>, listener: Arc<dyn Listener>) -> Listening {
        let mut listeners = self.listeners();
        listeners.counter += 1;
        let number = listeners.counter;
        listeners.by_number.insert(number, listener);
        Listening { fan: Arc::clone(self), number }
    }

    /// Takes note that a reading goes out.
    pub(super) fn goes_out(&self, sequence: u64) {
        self.last_out.store(sequence, Ordering::Relaxed);
    }

    /// The sequence of the last reading that went out, whether listeners were told already or not; 0 if none did.
    pub(super) fn last_out(&self) -> u64 {
        self.last_out.load(Ordering::Relaxed)
    }

    /// Tells listeners until the daemon stops.
    pub(super) async fn run(&self, mut follow: Receiver<Published>, mut stop: Stop) {
        // Whoever listens already was told by a task that has failed: of what it had in hand nobody knows.
        self.each(|listener| listener.lagged(1)).await;
        loop {
            let news = tokio::select! {
                biased;
                news = follow.recv() => news,
                () = stop.wait() => return,
            };
            match news {
                Ok(Published::Reading { logged, .. }) => {
                    self.each(|listener| listener.reading(&logged)).await
                }
                Ok(Published::Failed { exposure: None, .. }) => {
                    self.each(|listener| listener.restarted()).await
                }
                Ok(_) => {}
                Err(RecvError::Lagged(count)) => self.each(|listener| listener.lagged(count)).await,
                Err(RecvError::Closed) => return,
            }
        }
    }

    /// Tells every listener, in the order in which they came, with a pause now and then.
    async fn each(&self, tell: impl Fn(&dyn Listener)) {
        let mut from = 0;
        while let Some(next) = self.some(from, &tell) {
            from = next;
            tokio::task::yield_now().await;
        }
    }

    /// Tells some listeners, and says with whom to go on; nothing if these were the last.
    fn some(&self, from: u64, tell: impl Fn(&dyn Listener)) -> Option<u64> {
        let listeners = self.listeners();
        let mut rest = listeners.by_number.range(from..);
        for (_, listener) in rest.by_ref().take(AT_ONCE) {
            tell(listener.as_ref());
        }
        rest.next().map(|(number, _)| *number)
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        let gone = self.fan.listeners().by_number.remove(&self.number);
        // Outside the lock: whatever a listener holds goes with it.
        drop(gone);
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicUsize;

    use settled_drivers::sample::Exposure;
    use tokio::sync::broadcast;

    use super::*;
    use crate::meter_task::{Exposed, plain_reading};
    use crate::stop;

    /// Counts what it is told, beside all others.
    #[derive(Debug, Default)]
    struct Counting {
        told: AtomicUsize,
        all: Arc<AtomicUsize>,
    }

    impl Listener for Counting {
        fn reading(&self, _: &Arc<Logged>) {
            self.told.fetch_add(1, Ordering::Relaxed);
            self.all.fetch_add(1, Ordering::Relaxed);
        }

        fn lagged(&self, _: u64) {}

        fn restarted(&self) {}
    }

    fn reading() -> Published {
        let logged = Arc::new(Logged::new(plain_reading()).unwrap());
        let exposure = Exposed { exposure: Exposure::default(), free: true };
        Published::Reading { exposure, logged, lease: None }
    }

    #[tokio::test]
    async fn however_many_listen_all_are_told_once_and_others_have_their_turns_in_between() {
        let (fan, all) = (Arc::new(Fan::default()), Arc::new(AtomicUsize::new(0)));
        let new = |_| Arc::new(Counting { all: Arc::clone(&all), ..Counting::default() });
        let listeners: Vec<Arc<Counting>> = (0..1000).map(new).collect();
        let mut listening: Vec<_> =
            listeners.iter().map(|listener| fan.listen(Arc::clone(listener) as Arc<dyn Listener>)).collect();
        let (publish, follow) = broadcast::channel(8);
        let (_stopper, stop) = stop::pair();
        publish.send(reading()).unwrap();
        let mut longest = 0;
        let others = async {
            let mut before = 0;
            while before < 900 {
                tokio::task::yield_now().await;
                let told = all.load(Ordering::Relaxed);
                longest = longest.max(told - std::mem::replace(&mut before, told));
                // Those at the end go before their turn comes.
                listening.truncate(900);
            }
        };
        // In this order, as if they were tasks.
        tokio::select! { biased; () = fan.run(follow, stop) => panic!("nobody stopped it"), () = others => {} }
        assert!(longest <= AT_ONCE, "{longest} without a turn for others");
        let told: Vec<usize> =
            listeners.iter().map(|listener| listener.told.load(Ordering::Relaxed)).collect();
        assert_eq!((told[..900].iter().min(), told[..900].iter().max()), (Some(&1), Some(&1)));
        assert_eq!(told[900..].iter().sum::<usize>(), 0);
    }
}
