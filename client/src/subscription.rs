//! Readings, meters or runs, as they come. Bounded: who reads too slowly is told what was missed, at its place.

use settled_protocol::message::call_without_answer_line;
use settled_protocol::meter::Meter;
use settled_protocol::method::{SubscriptionCancel, SubscriptionParams};
use settled_protocol::notification::MissedWhy;
use settled_protocol::reading::Reading;
use settled_protocol::run::{Alert, Run};
use tokio::sync::mpsc;

/// Readings that may wait for their reader: a quarter of a minute of the fastest meter.
const READINGS: usize = 256;

/// What a subscription yields.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A reading.
    Reading(Box<Reading>),
    /// A meter that came, went, failed or recovered, as it is now.
    Meter(Box<Meter>),
    /// A run as it is now, and what it is alarmed at since the last time.
    Run(Box<Run>, Option<Alert>),
    /// Readings or changes that were missed here.
    Missed(Gap),
}

/// What was missed at one place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// How many; at most so many where the log could not be read.
    pub count: u64,
    /// The first and the last sequence, where known.
    pub range: Option<(u64, u64)>,
    /// Why.
    pub why: MissedWhy,
}

impl Gap {
    /// One that this reader had no room for.
    fn at(range: Option<(u64, u64)>) -> Self {
        Self { count: 1, range, why: MissedWhy::SlowReader }
    }

    /// This and the one after it. That the log could not be read is told of both: they may not be in it.
    pub(crate) fn and(self, next: Self) -> Self {
        let range = self.range.zip(next.range).map(|((from, _), (_, to))| (from, to));
        let why = if self.why == MissedWhy::LogUnavailable { self.why } else { next.why };
        Self { count: self.count + next.count, range, why }
    }
}

/// A meter's readings, or the changes of all meters, or of runs. Dropping it ends it.
#[derive(Debug)]
pub struct Subscription {
    id: String,
    /// Where lines to the daemon go, for as long as there is a connection.
    lines: mpsc::WeakSender<String>,
    events: mpsc::Receiver<Event>,
    /// What was taken too early.
    returned: Option<Event>,
}

impl Subscription {
    pub(crate) fn new(id: String, lines: mpsc::WeakSender<String>, events: mpsc::Receiver<Event>) -> Self {
        Self { id, lines, events, returned: None }
    }

    /// The next event will be this one.
    pub(crate) fn put_back(&mut self, event: Event) {
        self.returned = Some(event);
    }

    /// The subscription's id on its connection.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// The next event; nothing once the connection has ended.
    pub async fn next(&mut self) -> Option<Event> {
        match self.returned.take() {
            Some(event) => Some(event),
            None => self.events.recv().await,
        }
    }
}

impl Drop for Subscription {
    fn drop(&mut self) {
        let params = SubscriptionParams { subscription: std::mem::take(&mut self.id) };
        if let Some(lines) = self.lines.upgrade()
            && let Ok(line) = call_without_answer_line::<SubscriptionCancel>(&params)
        {
            // If the queue is full the connection is as good as dead; the daemon ends its subscriptions when it closes.
            let _sent = lines.try_send(line).is_ok();
        }
    }
}

/// The connection's end of a subscription.
#[derive(Debug)]
pub(crate) struct Feed {
    events: mpsc::Sender<Event>,
    /// What did not fit, to be said before the next reading.
    missed: Option<Gap>,
}

pub(crate) fn channel() -> (Feed, mpsc::Receiver<Event>) {
    let (events, receiver) = mpsc::channel(READINGS);
    (Feed { events, missed: None }, receiver)
}

impl Feed {
    pub(crate) fn is_closed(&self) -> bool {
        self.events.is_closed()
    }

    pub(crate) fn reading(&mut self, reading: Reading) {
        let sequence = reading.sequence;
        if !self.say_missed() || self.events.try_send(Event::Reading(Box::new(reading))).is_err() {
            self.note_missed(Gap::at(Some((sequence, sequence))));
        }
    }

    pub(crate) fn meter(&mut self, meter: Meter) {
        if !self.say_missed() || self.events.try_send(Event::Meter(Box::new(meter))).is_err() {
            self.note_missed(Gap::at(None));
        }
    }

    pub(crate) fn run(&mut self, run: Run, alert: Option<Alert>) {
        if !self.say_missed() || self.events.try_send(Event::Run(Box::new(run), alert)).is_err() {
            self.note_missed(Gap::at(None));
        }
    }

    pub(crate) fn missed(&mut self, gap: Gap) {
        self.note_missed(gap);
        self.say_missed();
    }

    fn note_missed(&mut self, gap: Gap) {
        self.missed = Some(self.missed.map_or(gap, |before| before.and(gap)));
    }

    /// Says what is missing, if anything is and there is room. False if it could not be said.
    fn say_missed(&mut self) -> bool {
        let Some(gap) = self.missed else { return true };
        let said = self.events.try_send(Event::Missed(gap)).is_ok();
        if said {
            self.missed = None;
        }
        said
    }
}
