//! Readings, or meters, as they come. Bounded: who reads too slowly is told what was missed, at its place.

use settled_protocol::meter::Meter;
use settled_protocol::reading::Reading;
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
    /// Readings or changes that were missed here because this reader was too slow.
    Missed {
        /// How many.
        count: u64,
        /// The first and the last sequence, where known.
        range: Option<(u64, u64)>,
    },
}

/// A meter's readings, or the changes of all meters.
#[derive(Debug)]
pub struct Subscription {
    id: String,
    events: mpsc::Receiver<Event>,
}

impl Subscription {
    pub(crate) fn new(id: String, events: mpsc::Receiver<Event>) -> Self {
        Self { id, events }
    }

    /// The subscription's id on its connection.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// The next event; nothing once the connection has ended.
    pub async fn next(&mut self) -> Option<Event> {
        self.events.recv().await
    }
}

/// The connection's end of a subscription.
#[derive(Debug)]
pub(crate) struct Feed {
    events: mpsc::Sender<Event>,
    /// What did not fit, to be said before the next reading.
    missed: Option<(u64, Option<(u64, u64)>)>,
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
            self.note_missed(1, Some((sequence, sequence)));
        }
    }

    pub(crate) fn meter(&mut self, meter: Meter) {
        if !self.say_missed() || self.events.try_send(Event::Meter(Box::new(meter))).is_err() {
            self.note_missed(1, None);
        }
    }

    pub(crate) fn missed(&mut self, count: u64, range: Option<(u64, u64)>) {
        self.note_missed(count, range);
        self.say_missed();
    }

    fn note_missed(&mut self, count: u64, range: Option<(u64, u64)>) {
        self.missed = Some(match self.missed {
            None => (count, range),
            Some((before, earlier)) => {
                let widest = earlier.zip(range).map(|((from, _), (_, to))| (from, to));
                (before + count, widest)
            }
        });
    }

    /// Says what is missing, if anything is and there is room. False if it could not be said.
    fn say_missed(&mut self) -> bool {
        let Some((count, range)) = self.missed else { return true };
        let said = self.events.try_send(Event::Missed { count, range }).is_ok();
        if said {
            self.missed = None;
        }
        said
    }
}
