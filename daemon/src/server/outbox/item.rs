//! What a stream has to say: a reading, a notice, or which of them are gone.

use std::sync::Arc;

use settled_protocol::message::notification_line;
use settled_protocol::notification::{Missed, MissedWhy};

use crate::meter_task::Logged;

/// What a reading's line has beside the reading itself, at least; streams' names are short.
const FRAME: usize = READING.len() + NAMED.len() + END.len();

const READING: &str = r#"{"jsonrpc":"2.0","method":"reading","params":{"subscription":""#;
const NAMED: &str = r#"","reading":"#;
const END: &str = "}}";

/// Something of a stream.
#[derive(Debug)]
pub(super) enum Item {
    /// A reading for a subscription, with or without its spectrum.
    Reading(Arc<Logged>, bool),
    /// Any other notification: its line.
    Notice(String),
    /// What is gone, at its place.
    Gap(Gap),
}

/// Notifications that are gone.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gap {
    pub(super) why: MissedWhy,
    pub(super) count: u64,
    /// The first sequence and the last, where they are known.
    pub(super) range: Option<(u64, u64)>,
}

impl Gap {
    /// Takes in one that comes right after this.
    pub(super) fn join(&mut self, next: Self) {
        self.count += next.count;
        self.range = match (self.range, next.range) {
            (Some((from, _)), Some((_, to))) => Some((from, to)),
            (range, next) => range.or(next),
        };
    }
}

/// How many bytes a reading counts for.
pub(super) fn reading_bytes(logged: &Logged, spectra: bool) -> usize {
    FRAME + logged.json(spectra).get().len()
}

impl Item {
    /// How many bytes it counts for; a gap, which gives way to nothing, none.
    pub(super) fn bytes(&self) -> usize {
        match self {
            Self::Reading(logged, spectra) => reading_bytes(logged, *spectra),
            Self::Notice(line) => line.len(),
            Self::Gap(_) => 0,
        }
    }

    /// The gap that it leaves where a slow reader doesn't get it.
    pub(super) fn gone(&self) -> Gap {
        let why = MissedWhy::SlowReader;
        match self {
            Self::Reading(logged, _) => {
                let sequence = logged.reading.sequence;
                Gap { why, count: 1, range: Some((sequence, sequence)) }
            }
            Self::Notice(_) => Gap { why, count: 1, range: None },
            Self::Gap(gap) => *gap,
        }
    }

    /// Its line, without the end.
    pub(super) fn write(&self, stream: &str, bytes: &mut Vec<u8>) {
        bytes.reserve(self.bytes() + stream.len() + 1);
        match self {
            Self::Notice(line) => bytes.extend_from_slice(line.as_bytes()),
            Self::Reading(logged, spectra) => {
                // The reading's bytes are the same for everyone; stream names are ours and need no escaping.
                for part in [READING, stream, NAMED, logged.json(*spectra).get(), END] {
                    bytes.extend_from_slice(part.as_bytes());
                }
            }
            Self::Gap(Gap { why, count, range }) => {
                let (from, to) = range.unzip();
                let missed = Missed { subscription: stream.to_owned(), count: *count, from, to, why: *why };
                bytes.extend_from_slice(notification_line(&missed).unwrap_or_default().as_bytes());
            }
        }
    }
}
