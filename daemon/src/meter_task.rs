//! One task owns one meter: nobody else calls it. This is the handle that others hold.
//!
//! Requests go in through a bounded inbox. Readings come out twice: to those who asked for one, and to everyone who
//! follows the meter.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use settled_drivers::sample::Exposure;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::meter::Meter;
use settled_protocol::method::MeterQueue;
use tokio::sync::{Mutex, broadcast, mpsc, oneshot};

mod commit;
mod limited;
mod opening;
mod queue;
mod shared;
mod stamp;
mod task;

pub use queue::Demanded;
pub use shared::{Logged, Published, changes};
pub(crate) use task::{Task, Tools};

/// What a request for one reading gets.
pub type Outcome = Result<Arc<Logged>, RpcError>;

/// Messages that may wait while the task is busy with another: it takes them in at once, even during an exposure.
const INBOX: usize = 64;

#[derive(Debug)]
enum Message {
    Read { exposure: Exposure, reply: oneshot::Sender<Outcome> },
    Demand(queue::Demand),
}

/// A meter, as the rest of the daemon sees it.
#[derive(Clone, Debug)]
pub struct MeterHandle {
    shared: Arc<shared::Shared>,
    inbox: mpsc::Sender<Message>,
}

/// The task's end of the inbox. It outlives a task that panics, so that the next can take over.
#[derive(Clone, Debug)]
pub(crate) struct Inbox(Arc<Mutex<mpsc::Receiver<Message>>>);

impl MeterHandle {
    /// A handle, and what its task needs.
    pub(crate) fn new(
        id: &str,
        driver: &dyn settled_drivers::driver::Driver,
        changes: &broadcast::Sender<Arc<Meter>>,
    ) -> (Self, Inbox) {
        let (sender, receiver) = mpsc::channel(INBOX);
        let simulated = driver.stage().is_some();
        let shared = shared::Shared::new(id.to_owned(), driver.name(), simulated, changes.clone());
        (Self { shared: Arc::new(shared), inbox: sender }, Inbox(Arc::new(Mutex::new(receiver))))
    }

    /// The meter's id.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.shared.id
    }

    /// The meter as clients are told of it.
    #[must_use]
    pub fn meter(&self, now_s: f64) -> Meter {
        self.shared.meter(now_s)
    }

    /// How busy it is.
    #[must_use]
    pub fn queue(&self) -> MeterQueue {
        MeterQueue {
            meter: self.shared.id.clone(),
            waiting: self.shared.waiting.load(Ordering::Relaxed),
            exposures: self.shared.exposures.load(Ordering::Relaxed),
        }
    }

    /// The smallest step of its readings, where known.
    #[must_use]
    pub fn resolution(&self) -> Option<f64> {
        self.shared.status().open.as_ref()?.description.instrument.resolution
    }

    /// Why it can't be used now; nothing if it is open or about to be.
    #[must_use]
    pub fn unusable(&self) -> Option<RpcError> {
        self.shared.status().error.clone()
    }

    /// When its own warm-up ends, in s; nothing if it isn't open.
    #[must_use]
    pub fn warm_at_s(&self) -> Option<f64> {
        self.shared.status().open.as_ref().map(shared::Open::warm_at_s)
    }

    /// One reading, from an exposure that begins after this call.
    ///
    /// # Errors
    /// What kept the meter from giving one.
    pub async fn read(&self, exposure: Exposure) -> Outcome {
        let (reply, answer) = oneshot::channel();
        self.send(Message::Read { exposure, reply }).await?;
        answer.await.map_err(|_| self.restarted())?
    }

    /// The latest reading, if it was taken with these settings and its exposure began no earlier than `since_s`.
    #[must_use]
    pub fn recent(&self, exposure: Exposure, since_s: f64) -> Option<Arc<Logged>> {
        self.shared.recent(exposure, since_s)
    }

    /// Readings from now on, whoever causes them. Causes none itself.
    #[must_use]
    pub fn follow(&self) -> broadcast::Receiver<Published> {
        self.shared.published.subscribe()
    }

    /// Exposures with these settings from now on, `interval_s` from one's beginning to the next's, until the result is
    /// dropped.
    ///
    /// # Errors
    /// `shutting_down` if the task is gone.
    pub async fn demand(&self, exposure: Exposure, interval_s: f64) -> Result<Demanded, RpcError> {
        let (demanded, alive) = Demanded::pair();
        let due_s = f64::NEG_INFINITY;
        self.send(Message::Demand(queue::Demand { exposure, interval_s, due_s, alive })).await?;
        Ok(demanded)
    }

    /// Says that the task was restarted: demands that it knew of are forgotten, and must be made anew.
    pub(crate) fn say_restarted(&self) {
        self.shared.publish(Published::Failed { exposure: None, error: Arc::new(self.restarted()) });
    }

    async fn send(&self, message: Message) -> Result<(), RpcError> {
        self.inbox
            .send(message)
            .await
            .map_err(|_| RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping"))
    }

    fn restarted(&self) -> RpcError {
        RpcError::new(ErrorKind::Internal, "the meter's task was restarted; try again").about(&self.shared.id)
    }
}

#[cfg(test)]
mod tests;
