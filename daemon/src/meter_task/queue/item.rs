//! What may be in the queue: a request for one reading, for readings to go on, or to zero the meter.

use settled_drivers::sample::Exposure;
use tokio::sync::oneshot;

use super::alike::Exposed;
use super::places::Alive;
use crate::client::By;
use crate::meter_task::{Outcome, ZeroReply};

/// One request for one reading.
#[derive(Debug)]
pub(in super::super) struct Waiting {
    pub(in super::super) by: By,
    pub(in super::super) exposure: Exposure,
    /// The client vouches that the aperture is covered.
    pub(in super::super) covered: bool,
    pub(in super::super) reply: oneshot::Sender<Outcome>,
}

/// Readings that are to go on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// The settings of each exposure.
    pub exposure: Exposure,
    /// From the beginning of one exposure to that of the next, in s; 0 is without pause.
    pub interval_s: f64,
    /// What for.
    pub purpose: Purpose,
}

/// What readings are to go on for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Purpose {
    /// Until there is a verdict: an answer is waited for.
    Settling(Lengths),
    /// For as long as somebody cares to look.
    Observing,
}

impl Purpose {
    pub(super) fn is_settling(self) -> bool {
        matches!(self, Self::Settling(_))
    }
}

/// What a settling makes of exposures whose integration time is left to the meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lengths {
    /// It has lengthened them to this, in s.
    pub longer_s: Option<f64>,
    /// No longer one is of use to it, in s.
    pub longest_s: f64,
}

/// A request for readings to go on.
#[derive(Debug)]
pub(in super::super) struct Demand {
    pub(in super::super) by: By,
    pub(in super::super) wanted: Wanted,
    pub(in super::super) due_s: f64,
    pub(in super::super) alive: Alive,
}

/// A request to zero the meter.
#[derive(Debug)]
pub(in super::super) struct Zeroing {
    pub(in super::super) by: By,
    pub(in super::super) reply: ZeroReply,
}

impl Demand {
    /// An exposure for it begins at `now_s`. A schedule that has been missed starts anew: it doesn't catch up in a burst.
    pub(super) fn met(&mut self, now_s: f64) {
        let interval_s = self.wanted.interval_s;
        let from_s = if self.due_s + interval_s > now_s { self.due_s.min(now_s) } else { now_s };
        self.due_s = from_s + interval_s;
    }

    /// What a settling that somebody waits for makes of exposures whose integration time is left to the meter.
    pub(super) fn lengths(&self) -> Option<Lengths> {
        match self.wanted.purpose {
            Purpose::Settling(lengths) if self.wanted.exposure == Exposure::default() && self.alive.is() => {
                Some(lengths)
            }
            Purpose::Settling(_) | Purpose::Observing => None,
        }
    }

    /// Takes back a lengthening to as much as was refused, or more.
    pub(super) fn shorten(&mut self, refused: Exposed) {
        if let (Purpose::Settling(lengths), Some(refused_s)) =
            (&mut self.wanted.purpose, refused.exposure.integration_s)
        {
            lengths.longer_s = lengths.longer_s.filter(|longer_s| *longer_s < refused_s);
        }
    }
}

/// Something in the queue.
#[derive(Debug)]
pub(super) enum Item {
    Waiting(Waiting),
    Demand(Demand),
    Zeroing(Zeroing),
}

impl Item {
    pub(super) fn by(&self) -> &By {
        match self {
            Self::Waiting(Waiting { by, .. })
            | Self::Demand(Demand { by, .. })
            | Self::Zeroing(Zeroing { by, .. }) => by,
        }
    }

    /// Whether somebody still cares.
    pub(super) fn is_alive(&self) -> bool {
        match self {
            Self::Waiting(waiting) => !waiting.reply.is_closed(),
            Self::Demand(demand) => demand.alive.is(),
            Self::Zeroing(zeroing) => !zeroing.reply.is_closed(),
        }
    }

    /// Whether it is for once.
    pub(super) fn is_single(&self) -> bool {
        !matches!(self, Self::Demand(_))
    }
}

/// An item in its place.
#[derive(Debug)]
pub(super) struct Placed {
    pub(super) item: Item,
    /// In which order its client's items are served.
    pub(super) number: u64,
    /// In which order it came.
    pub(super) came: u64,
}

impl Placed {
    pub(super) fn by(&self) -> &By {
        self.item.by()
    }

    /// What it asks for; nothing for zeroing.
    pub(super) fn asks(&self) -> Option<Exposure> {
        match &self.item {
            Item::Waiting(waiting) => Some(waiting.exposure),
            Item::Demand(demand) => Some(demand.wanted.exposure),
            Item::Zeroing(_) => None,
        }
    }

    /// Whether such an exposure is what it asks for.
    pub(super) fn is_for(&self, exposed: Exposed) -> bool {
        self.asks().is_some_and(|asked| exposed.serves(asked))
    }

    /// When it is due, in s, if not at once.
    pub(super) fn due_s(&self) -> Option<f64> {
        match &self.item {
            Item::Demand(demand) => Some(demand.due_s),
            Item::Waiting(_) | Item::Zeroing(_) => None,
        }
    }
}
