//! A time during which readings can't be logged: what goes out meanwhile, and what is told of it afterwards.

use std::collections::BTreeMap;

use rusqlite::Transaction;
use settled_protocol::log::EventKind;
use settled_protocol::time::Timestamp;

use super::{Happening, unlogged};
use crate::clock::Moment;

/// The shortest and the longest time, in s, between attempts to write again while nobody sends anything.
const FIRST_S: f64 = 0.5;
const LONGEST_S: f64 = 30.0;

/// How long to wait before the next attempt: each time twice as long.
#[derive(Debug)]
pub(super) struct BackOff {
    span_s: f64,
    at_s: f64,
}

impl BackOff {
    pub(super) fn new(now_s: f64) -> Self {
        Self { span_s: FIRST_S, at_s: now_s + FIRST_S }
    }

    /// One whose first attempt is due at once.
    pub(super) fn at_once(now_s: f64) -> Self {
        Self { span_s: FIRST_S, at_s: now_s }
    }

    /// When the next attempt is due.
    pub(super) fn at_s(&self) -> f64 {
        self.at_s
    }

    /// An attempt has failed.
    pub(super) fn failed(&mut self, now_s: f64) {
        self.span_s = (2.0 * self.span_s).min(LONGEST_S);
        self.at_s = now_s + self.span_s;
    }
}

/// Such a time.
#[derive(Debug)]
pub(super) struct Outage {
    since: Timestamp,
    /// Why, as it was first told.
    reason: String,
    readings: u64,
    /// From which to which sequence, by meter.
    stretches: BTreeMap<String, (u64, u64)>,
    /// Events that there was no room to keep.
    dropped: u64,
    pub(super) retry: BackOff,
}

impl Outage {
    pub(super) fn new(now: Moment, now_s: f64, reason: String) -> Self {
        Self {
            since: now.at,
            reason,
            readings: 0,
            stretches: BTreeMap::new(),
            dropped: 0,
            retry: BackOff::new(now_s),
        }
    }

    /// A reading goes out unlogged.
    pub(super) fn unlogged(&mut self, meter: &str, sequence: u64) {
        self.readings += 1;
        match self.stretches.get_mut(meter) {
            Some((_, last)) => *last = sequence,
            None => drop(self.stretches.insert(meter.to_owned(), (sequence, sequence))),
        }
    }

    /// An event is known from the daemon's trace alone.
    pub(super) fn dropped(&mut self) {
        self.dropped += 1;
    }

    /// Writes down which readings went out.
    pub(super) fn write(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        self.stretches.iter().try_for_each(|(meter, stretch)| unlogged::write(transaction, meter, *stretch))
    }

    /// What is told once it is over.
    pub(super) fn told(&self, now: Moment) -> Happening {
        let Self { since, reason, readings, stretches, dropped, .. } = self;
        let first = stretches.values().map(|(first, _)| first).min();
        let last = stretches.values().map(|(_, last)| last).max();
        let of = match (first, last) {
            (Some(first), Some(last)) => {
                let meters: Vec<&str> = stretches.keys().map(String::as_str).collect();
                format!(
                    "{readings} readings (of sequences {first} to {last}, of {}) went out unlogged",
                    meters.join(", ")
                )
            }
            _ => "no reading went out meanwhile".to_owned(),
        };
        let dropped = match dropped {
            0 => String::new(),
            count => format!("; {count} events are in the daemon's trace alone"),
        };
        let detail =
            format!("the log could not be written from {since} to {}: {reason}; {of}{dropped}", now.at);
        Happening::new(EventKind::LogFailed, detail)
    }
}
