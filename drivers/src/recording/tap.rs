//! Where a driver puts what is to be recorded.

use std::fmt;
use std::sync::Arc;

use super::bytes::Bytes;
use super::line::Event;
use super::wiretap::Wiretap;
use crate::link::Link;

/// Takes what is to be recorded, and never makes anybody wait: it stamps it with the time, and drops it if it can't keep up.
pub trait Recorder: Send + Sync + fmt::Debug {
    /// Takes something that happened now to the meter of this id.
    fn record(&self, meter: &Arc<str>, event: Event);
}

/// One meter's way into a recording.
///
/// A driver over a [`Link`] hands each link it opens through [`link`](Self::link). One that speaks otherwise may tell what it
/// sent and received with [`sent`](Self::sent) and [`received`](Self::received); what was asked of it and what came of it is
/// recorded anyway.
#[derive(Clone, Debug)]
pub struct Tap {
    meter: Arc<str>,
    recorder: Arc<dyn Recorder>,
}

impl Tap {
    /// The way of the meter with this id.
    #[must_use]
    pub fn new(meter: &str, recorder: Arc<dyn Recorder>) -> Self {
        Self { meter: meter.into(), recorder }
    }

    /// Records that something happened.
    pub fn note(&self, event: Event) {
        self.recorder.record(&self.meter, event);
    }

    /// Records that a command was sent.
    pub fn sent(&self, bytes: &[u8]) {
        self.note(Event::Sent { bytes: Bytes(bytes.to_vec()) });
    }

    /// Records that bytes came.
    pub fn received(&self, bytes: &[u8]) {
        if !bytes.is_empty() {
            self.note(Event::Received { bytes: Bytes(bytes.to_vec()) });
        }
    }

    /// The same link, with whatever passes on it recorded.
    #[must_use]
    pub fn link(&self, link: Box<dyn Link>) -> Box<dyn Link> {
        Box::new(Wiretap::new(link, self.clone()))
    }
}
