//! One task owns one meter: nobody else calls it. This is the handle that others hold.
//!
//! Requests go in through a bounded inbox. Readings come out twice: to those who asked for one, and to everyone who
//! follows the meter.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use settled_drivers::fault::FaultKind;
use settled_drivers::sample::Exposure;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::meter::{Instrument, Meter, Span};
use settled_protocol::method::{MeterQueue, Zeroed};
use settled_protocol::settling::Verdict;
use tokio::sync::{Mutex, broadcast, mpsc, oneshot};

use crate::client::{By, ClientId};
use crate::clock::Clock;
use crate::settle::mover::{Darks, WarmUp};
use crate::stop::Stop;

mod attending;
mod commit;
mod due;
mod fan;
pub(crate) mod fit;
mod gather;
mod lease;
mod leasing;
mod limited;
mod opening;
#[cfg(test)]
mod plain;
mod queue;
mod resting;
mod rounds;
mod shared;
mod stamp;
mod summed;
mod task;
mod through;
mod unlogged;
mod zeroing;

pub use fan::{Listener, Listening};
pub use lease::Taken;
pub(crate) use lease::lost_anywhere;
pub(crate) use leasing::Changing;
pub use leasing::Terms;
#[cfg(test)]
pub(crate) use plain::plain_reading;
pub use queue::{Demanded, Exposed, Lengths, Purpose, Wanted};
#[cfg(test)]
pub(crate) use shared::SERIALISED;
pub use shared::{Anew, Logged, Published, changes};
pub(crate) use task::{Task, Tools};
pub use through::Through;

/// What a request for one reading gets.
pub type Outcome = Result<Arc<Logged>, RpcError>;

/// What a request to zero the meter gets.
pub type ZeroOutcome = Result<Zeroed, RpcError>;

type ZeroReply = oneshot::Sender<ZeroOutcome>;

/// Messages that may wait while the task is busy with another: it takes them in at once, even during an exposure.
const INBOX: usize = 64;

#[derive(Debug)]
enum Message {
    Read(queue::Waiting),
    Demand(queue::Demand),
    Zero(queue::Zeroing),
    /// A client that settles has looked at the last reading, and wants another.
    Looked(ClientId),
    Lease(lease::Request),
}

/// A meter, as the rest of the daemon sees it.
#[derive(Clone, Debug)]
pub struct MeterHandle {
    shared: Arc<shared::Shared>,
    inbox: mpsc::Sender<Message>,
    /// How many demands each client has.
    places: Arc<queue::Places>,
}

/// What outlives a task that panics, so that the next can take over.
#[derive(Clone, Debug)]
pub(crate) struct Kept(Arc<Mutex<Belongings>>);

/// What a meter's task has in hand.
#[derive(Debug)]
struct Belongings {
    /// The task's end of the inbox.
    inbox: mpsc::Receiver<Message>,
    /// Readings on their way to the disk.
    commits: commit::Commits,
}

impl MeterHandle {
    /// A handle, and what its task needs.
    pub(crate) fn new(
        id: &str,
        driver: &dyn settled_drivers::driver::Driver,
        sums: settled_protocol::colorimetry::Method,
        changes: &broadcast::Sender<Arc<Meter>>,
        clock: &Arc<Clock>,
    ) -> (Self, Kept) {
        let (sender, inbox) = mpsc::channel(INBOX);
        let shared = shared::Shared::new(id.to_owned(), driver, sums, changes.clone(), clock);
        let places = Arc::default();
        let handle = Self { shared: Arc::new(shared), inbox: sender, places };
        let belongings = Belongings { inbox, commits: commit::Commits::default() };
        (handle, Kept(Arc::new(Mutex::new(belongings))))
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

    /// Failures since the daemon started, by kind.
    pub(crate) fn faults(&self) -> impl Iterator<Item = (FaultKind, u64)> + '_ {
        self.shared.faults_of.of(&FaultKind::ALL)
    }

    /// What requests for settled readings ended with since the daemon started.
    pub(crate) fn verdicts(&self) -> impl Iterator<Item = (Verdict, u64)> + '_ {
        self.shared.verdicts.of(&Verdict::ALL)
    }

    /// Counts a verdict.
    pub(crate) fn judged(&self, verdict: Verdict) {
        self.shared.verdicts.add(&Verdict::ALL, &verdict);
    }

    /// The smallest step of its readings, where known.
    #[must_use]
    pub fn resolution(&self) -> Option<f64> {
        self.shared.status().open.as_ref()?.description.instrument.resolution
    }

    /// The integration times it can be asked for; nothing if it isn't open, or chooses for itself.
    #[must_use]
    pub fn integration_s(&self) -> Option<Span> {
        self.shared.status().open.as_ref()?.description.instrument.integration_s
    }

    /// What is attached.
    ///
    /// # Errors
    /// Why it isn't open: `meter_absent` where nothing else is known.
    pub fn instrument(&self) -> Result<Instrument, RpcError> {
        let status = self.shared.status();
        if let Some(open) = &status.open {
            return Ok(open.description.instrument.clone());
        }
        let absent = || RpcError::new(ErrorKind::MeterAbsent, format!("{} is not open yet", self.id()));
        Err(status.error.clone().unwrap_or_else(|| absent().about(self.id())))
    }

    /// Lets every exposure that begins from now on go through a correction, or through none, and tells those who observe meters.
    pub(crate) fn correct(&self, through: Option<Arc<Through>>, now_s: f64) {
        self.shared.correct(through, now_s);
    }

    /// Whether its light went through a correction before it came here: it must not go through another.
    pub(crate) fn is_corrected(&self) -> bool {
        self.shared.is_corrected
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
    pub async fn read(&self, by: &By, exposure: Exposure) -> Outcome {
        self.expose(by, exposure, false).await
    }

    /// The same, where the client vouches that the aperture is covered: the reading is flagged as a dark one, and is kept in
    /// mind to tell a drift of the meter from one of the display.
    ///
    /// # Errors
    /// As [`read`](Self::read).
    pub async fn read_dark(&self, by: &By, exposure: Exposure) -> Outcome {
        self.expose(by, exposure, true).await
    }

    async fn expose(&self, by: &By, exposure: Exposure, covered: bool) -> Outcome {
        let (reply, answer) = oneshot::channel();
        let _over = self.move_on();
        let asked = async {
            let by = by.clone();
            self.send(Message::Read(queue::Waiting { by, exposure, covered, reply })).await?;
            answer.await.map_err(|_| self.restarted())?
        };
        self.fenced(by, asked).await
    }

    /// Zeroes the meter. The client vouches that its aperture is covered. Dropping the future takes the request back, but what has
    /// begun goes on to its end.
    ///
    /// # Errors
    /// What kept the meter from being zeroed; `unsupported` if it can't be.
    pub async fn zero(&self, by: &By) -> ZeroOutcome {
        let (reply, answer) = oneshot::channel();
        let _over = self.move_on();
        let asked = async {
            self.send(Message::Zero(queue::Zeroing { by: by.clone(), reply })).await?;
            answer.await.map_err(|_| self.restarted())?
        };
        self.fenced(by, asked).await
    }

    /// The error that a request for a reading gets at `now_s` because the meter must be zeroed first; nothing if it gives readings.
    #[must_use]
    pub fn zero_needed(&self, now_s: f64) -> Option<RpcError> {
        self.shared.zero_needed(now_s)
    }

    /// Its latest dark readings.
    #[must_use]
    pub fn darks(&self) -> Darks {
        self.shared.darks()
    }

    /// Its own warm-up at `now_s`, as far as it is known.
    #[must_use]
    pub fn warm_up(&self, now_s: f64) -> WarmUp {
        match self.shared.status().open.as_ref() {
            Some(open) if open.warming(now_s) => WarmUp::Going,
            Some(open) if open.description.warm_up_s > 0.0 => WarmUp::Over,
            _ => WarmUp::Unknown,
        }
    }

    /// The latest reading, if it is what such a request asks for and its exposure began no earlier than `since_s`.
    #[must_use]
    pub fn recent(&self, exposure: Exposure, since_s: f64) -> Option<Arc<Logged>> {
        self.shared.recent(exposure, since_s)
    }

    /// The latest reading of light, however it was taken; none from before the meter was zeroed, or from another instrument.
    #[must_use]
    pub fn latest(&self) -> Option<Arc<Logged>> {
        self.shared.latest()
    }

    /// Readings from now on, whoever causes them. Causes none itself.
    #[must_use]
    pub fn follow(&self) -> broadcast::Receiver<Published> {
        self.shared.published.subscribe()
    }

    /// Tells a listener on the spot, until the result is dropped. It may still be told of readings that went out before, up to
    /// [`last_out`](Self::last_out).
    pub fn listen(&self, listener: Arc<dyn Listener>) -> Listening {
        self.shared.fan.listen(listener)
    }

    /// The sequence of the last reading that went out since the daemon's start; 0 if none did.
    #[must_use]
    pub fn last_out(&self) -> u64 {
        self.shared.fan.last_out()
    }

    /// Makes a reading known as if the meter had given it.
    #[cfg(test)]
    pub(crate) fn publish(&self, logged: Arc<Logged>) {
        let exposure = Exposed { exposure: Exposure::default(), free: true };
        self.shared.publish(Published::Reading { exposure, logged, lease: None });
    }

    /// Tells those who [listen](Self::listen), until the daemon stops.
    pub(crate) async fn tell(&self, stop: Stop) {
        self.shared.fan.run(self.follow(), stop).await;
    }

    /// Takes over which of the meter's readings went out unlogged before the daemon started, in rising order.
    pub(crate) fn recall(&self, stretches: &[(u64, u64)]) {
        self.shared.recall(stretches);
    }

    /// From which to which sequence readings went out unlogged, of those after one and before another; nothing if none did.
    #[must_use]
    pub fn unlogged(&self, after: u64, before: u64) -> Option<(u64, u64)> {
        self.shared.unlogged(after, before)
    }

    /// Readings that go on from now on, until the result is dropped.
    ///
    /// # Errors
    /// As [`reserve`](Self::reserve) and [`press`](Self::press).
    pub async fn demand(&self, by: &By, wanted: Wanted) -> Result<Demanded, RpcError> {
        let demanded = self.reserve(by)?;
        self.press(&demanded, by, wanted).await?;
        Ok(demanded)
    }

    /// A place for a demand of a client's that the task doesn't know of yet.
    ///
    /// # Errors
    /// `overloaded` if it has too many already.
    pub fn reserve(&self, by: &By) -> Result<Demanded, RpcError> {
        self.places.take(by.client).ok_or_else(|| {
            let most = queue::MOST_DEMANDS;
            let message =
                format!("this client has {most} requests for readings to go on already: let one end first");
            RpcError::new(ErrorKind::Overloaded, message).about(&self.shared.id)
        })
    }

    /// Tells the task of a demand, or that something else is wanted of it now. It keeps its place in the queue.
    ///
    /// # Errors
    /// `shutting_down` if the task is gone.
    pub async fn press(&self, demanded: &Demanded, by: &By, wanted: Wanted) -> Result<(), RpcError> {
        let (due_s, alive, by) = (f64::NEG_INFINITY, demanded.watch(), by.clone());
        self.send(Message::Demand(queue::Demand { by, wanted, due_s, alive })).await
    }

    /// Clears up after a task that panicked. The meter is to be opened anew; the readings that were on their way to the
    /// disk go out, as nothing else would say that they are there. Then says that the task is restarted: demands that
    /// it knew of are forgotten, and must be made anew.
    pub(crate) async fn clear_up(&self, kept: &Kept, now_s: f64) {
        let was_zeroing = self.shared.restarting(now_s);
        kept.0.lock().await.commits.deliver_all(&self.shared).await;
        if was_zeroing {
            self.shared.publish(Published::Anew { why: Anew::Zeroed, t_s: now_s });
        }
        self.shared.publish(Published::Failed { exposure: None, error: Arc::new(self.restarted()) });
    }

    /// A client that settles has looked at the last reading, and wants another. A task that is too busy to be told doesn't wait for long.
    pub(crate) fn looked(&self, by: &By) {
        let _told = self.inbox.try_send(Message::Looked(by.client)).is_ok();
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
