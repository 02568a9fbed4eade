//! Where a reader is in a meter's readings, and how it finds its place again at a daemon that may be another, with another
//! log. Pure: no I/O and no clock; it says what to ask, and takes the answers.

use settled_protocol::reading::{Flag, Reading};
use settled_protocol::time::Timestamp;

use crate::subscription::Gap;

/// Where to begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// With what comes.
    Now,
    /// After the reading of this number, with what the log has.
    After(u64),
    /// With the first reading at this moment or later, with what the log has.
    Since(Timestamp),
}

/// Why nobody knows what was missed while the daemon was away: neither how many nor which.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lack {
    /// There is no log that could tell.
    NoLog,
    /// What answers has another log than the one that was followed. What it has from after the moment of the last reading follows.
    OtherLog,
}

/// A reading by which a log is known again; or, as number 0, its first event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Mark {
    pub(super) sequence: u64,
    pub(super) at: Timestamp,
}

impl Mark {
    pub(super) fn of(reading: &Reading) -> Self {
        Self { sequence: reading.sequence, at: reading.at }
    }
}

/// What to ask the daemon next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ask {
    /// The reading of this number, whichever meter's; for 0, what the log begins with.
    Reading(u64),
    /// The number before the meter's first reading at this moment or later; the log's last where there is none.
    Before(Timestamp),
    /// The log's last number.
    Last,
    /// The meter's readings, from the log those after this number.
    Subscribe(Option<u64>),
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Answer {
    /// The reading; nothing where the log has none of that number.
    Reading(Option<Mark>),
    /// A number; nothing where there is no log.
    Place(Option<u64>),
    /// It could not, or would not, tell.
    Unknown,
    /// The subscription is there.
    Subscribed,
    /// There is no log to subscribe from.
    NoLog,
    /// The log has not come to that number.
    Beyond,
}

/// How far a reader has come.
#[derive(Clone, Debug, Default)]
pub(super) struct Bookmark {
    /// Up to this number of the log everything was given, or told to be missed; nothing where there is no log.
    place: Option<u64>,
    /// The last reading that was given and is in the log; or what else the log is known by.
    mark: Option<Mark>,
    /// Readings that were missed, nobody knows which: said once the next one comes. If the daemon goes before that, the log
    /// gives them after all.
    held: Option<Gap>,
}

impl Bookmark {
    /// A reading is given. What must be said before it was missed.
    pub(super) fn pass(&mut self, reading: &Reading) -> Option<Gap> {
        let sequence = reading.sequence;
        if !reading.flags.contains(&Flag::Unlogged) {
            self.place = Some(sequence);
            self.mark = Some(Mark::of(reading));
        } else if let Some(place) = &mut self.place {
            // Set aside by the log, though it could not be written.
            *place = sequence;
        }
        self.held.take()
    }

    /// The daemon says that some were missed. Gives what is to be said now.
    pub(super) fn miss(&mut self, gap: Gap) -> Option<Gap> {
        match (gap.range, &mut self.place) {
            (Some((_, to)), Some(place)) => *place = to.max(*place),
            (None, Some(_)) => {
                self.held = Some(self.held.map_or(gap, |held| held.and(gap)));
                return None;
            }
            (_, None) => {}
        }
        Some(self.held.take().map_or(gap, |held| held.and(gap)))
    }
}

#[derive(Clone, Copy, Debug)]
enum Stage {
    Last,
    Before(Timestamp),
    /// The place is known; by which reading is this log known again?
    Recognise(u64),
    /// Is this the log that was followed?
    Recall(Mark),
    Subscribe,
    Over,
}

/// The way to a subscription, over one connection. One that ends on the way has changed nothing.
#[derive(Debug)]
pub(super) struct Search {
    stage: Stage,
    place: Option<u64>,
    mark: Option<Mark>,
    lack: Option<Lack>,
    /// Where the caller wants to begin, if it hasn't yet.
    from: Option<Start>,
}

impl Search {
    /// The first subscription.
    pub(super) fn begin(from: Start) -> Self {
        let (stage, place) = match from {
            Start::Now => (Stage::Last, None),
            Start::After(sequence) => (Stage::Recognise(sequence), Some(sequence)),
            Start::Since(at) => (Stage::Before(at), None),
        };
        Self { stage, place, mark: None, lack: None, from: Some(from) }
    }

    /// A later one.
    pub(super) fn resume(bookmark: &Bookmark) -> Self {
        let Bookmark { place, mark, .. } = *bookmark;
        let stage = match (place, mark) {
            (Some(_), Some(mark)) => Stage::Recall(mark),
            (Some(_), None) => Stage::Subscribe,
            (None, _) => Stage::Last,
        };
        let lack = place.is_none().then_some(Lack::NoLog);
        Self { stage, place, mark, lack, from: None }
    }

    /// Where the caller wants to begin; nothing for a return.
    pub(super) fn begins(&self) -> Option<Start> {
        self.from
    }

    /// Whether what answers is known to have another log.
    pub(super) fn has_begun_anew(&self) -> bool {
        self.lack == Some(Lack::OtherLog)
    }

    /// What to ask next; nothing once the subscription is there.
    pub(super) fn ask(&self) -> Option<Ask> {
        match self.stage {
            Stage::Last => Some(Ask::Last),
            Stage::Before(at) => Some(Ask::Before(at)),
            Stage::Recognise(sequence) => Some(Ask::Reading(sequence)),
            Stage::Recall(mark) => Some(Ask::Reading(mark.sequence)),
            // What comes from now on needs no place in the log.
            Stage::Subscribe => Some(Ask::Subscribe(self.place.filter(|_| self.from != Some(Start::Now)))),
            Stage::Over => None,
        }
    }

    /// Takes the answer to what was asked.
    pub(super) fn take(&mut self, answer: Answer) {
        self.stage = match (self.stage, answer) {
            (Stage::Last | Stage::Before(_), Answer::Place(Some(place))) => {
                self.place = Some(place);
                Stage::Recognise(place)
            }
            (Stage::Recognise(sequence), Answer::Reading(None)) if sequence > 0 => Stage::Recognise(0),
            (Stage::Recognise(_), Answer::Reading(mark)) => {
                self.mark = mark;
                Stage::Subscribe
            }
            (Stage::Recall(mark), Answer::Reading(found)) if found != Some(mark) => self.another_log(),
            (Stage::Subscribe, Answer::Subscribed) => Stage::Over,
            (Stage::Subscribe, Answer::NoLog) => {
                (self.place, self.mark, self.lack) = (None, None, Some(Lack::NoLog));
                Stage::Subscribe
            }
            (Stage::Subscribe, Answer::Beyond) => self.another_log(),
            _ => Stage::Subscribe,
        };
    }

    /// Begins anew in a log that isn't the one that was followed: with the moment of the last reading, where it is known.
    fn another_log(&mut self) -> Stage {
        self.lack = Some(Lack::OtherLog);
        self.place = None;
        self.mark.take().map_or(Stage::Last, |mark| Stage::Before(mark.at))
    }

    /// The place that was found, and what can't be known of what came before it.
    pub(super) fn found(self) -> (Bookmark, Option<Lack>) {
        (Bookmark { place: self.place, mark: self.mark, held: None }, self.lack)
    }
}

#[cfg(test)]
mod tests;
