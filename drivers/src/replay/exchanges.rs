//! What an instrument was asked over its link, and what it did then, as it was recorded.

use crate::recording::line::{Call, Event, Failed, Note};
use crate::recording::reader::Happening;

use super::LEAST_S;
use super::shape::Shape;

/// One request, and everything that came of it until the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Exchange {
    /// What was sent; empty for the opening of the link.
    pub(crate) request: Vec<u8>,
    /// The last request before it that had a number in it, since the link was opened.
    pub(crate) setting: Option<Vec<u8>>,
    /// What came, in order.
    pub(crate) answer: Vec<Piece>,
    /// How the link failed, at last.
    pub(crate) end: Option<End>,
    /// Where a reading came of it: the least that it takes, in s, where nobody waits for its time to come.
    pub(crate) lasts_s: Option<f64>,
}

impl Exchange {
    /// Whether readings come of it: it was recorded that one did, or it is what an instrument says by itself once its link is open.
    pub(crate) fn reads(&self) -> bool {
        self.lasts_s.is_some() || (self.request.is_empty() && !self.answer.is_empty())
    }
}

/// Bytes that came at once.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Piece {
    /// How long after the request, in s.
    pub(crate) after_s: f64,
    pub(crate) bytes: Vec<u8>,
}

/// The failure of a link.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct End {
    /// How long after the request, in s.
    pub(crate) after_s: f64,
    pub(crate) failed: Failed,
    /// For how long it could not be opened again, in s; for good if absent.
    pub(crate) away_s: Option<f64>,
}

/// Exchanges, as a recording is read.
#[derive(Clone, Debug, Default)]
pub(crate) struct Exchanges {
    pub(crate) all: Vec<Exchange>,
    /// Whether bytes may come that nobody asked for.
    pub(crate) speaks_unasked: bool,
    /// When the exchange that goes on began; nothing where none does.
    began_s: Option<f64>,
    setting: Option<Vec<u8>>,
    /// The first exchange of the measurement that goes on.
    measuring: Option<usize>,
    /// The exchange at whose end the link failed, and when, until it is open again.
    away: Option<(usize, f64)>,
    /// When it could last not be opened.
    missed_s: Option<f64>,
    /// Bytes held so far, roughly.
    pub(crate) held: usize,
}

impl Exchanges {
    /// Takes what happened to the meter, or to the recording.
    pub(crate) fn take(&mut self, happening: &Happening) {
        let entry = match happening {
            Happening::Entry(entry) => entry,
            // What is missing may have been a part of any exchange: the one that goes on can't be told.
            Happening::Note(Note::Gap { .. }) => {
                if self.began_s.take().is_some() {
                    self.all.pop();
                }
                self.measuring = None;
                return;
            }
            Happening::Note(Note::End { .. }) => return,
        };
        let t_s = entry.t_s;
        match &entry.event {
            Event::LinkOpened { speaks_unasked } => self.opened(*speaks_unasked, t_s),
            Event::LinkClosed => self.began_s = None,
            Event::Sent { bytes } => self.sent(&bytes.0, t_s),
            Event::Received { bytes } => self.received(&bytes.0, t_s),
            Event::LinkFault(failed) => self.failed(failed, t_s),
            Event::Fault { call: Call::Open, .. } => self.missed_s = Some(t_s),
            Event::Asked { call, .. } => {
                self.measuring = (*call == Call::Measure).then_some(self.all.len());
            }
            Event::Sample(sample) => self.gave(sample.integration_s),
            Event::Opened { .. }
            | Event::Done { .. }
            | Event::Fault { .. }
            | Event::Departed(_)
            | Event::GivenUp { .. } => {}
        }
    }

    fn begin(&mut self, exchange: Exchange, t_s: f64) {
        self.held += size_of::<Exchange>() + exchange.request.len();
        self.held += exchange.setting.as_ref().map_or(0, Vec::len);
        self.all.push(exchange);
        self.began_s = Some(t_s);
    }

    fn opened(&mut self, speaks_unasked: bool, t_s: f64) {
        self.speaks_unasked = speaks_unasked;
        self.setting = None;
        if let Some((index, since_s)) = self.away.take()
            && let Some(end) = self.all.get_mut(index).and_then(|exchange| exchange.end.as_mut())
        {
            // It came back some time after the last attempt in vain.
            let missed_s = self.missed_s.map_or(since_s, |missed_s| missed_s.max(since_s));
            end.away_s = Some((missed_s.midpoint(t_s) - since_s).max(0.0));
        }
        self.begin(Exchange::default(), t_s);
    }

    fn sent(&mut self, request: &[u8], t_s: f64) {
        let exchange =
            Exchange { request: request.to_vec(), setting: self.setting.clone(), ..Exchange::default() };
        self.begin(exchange, t_s);
        if Shape::of(request).sets() {
            self.setting = Some(request.to_vec());
        }
    }

    /// A reading came of the last answer of the measurement.
    fn gave(&mut self, integration_s: Option<f64>) {
        let exchanges = self.measuring.take().and_then(|from| self.all.get_mut(from..));
        let last = exchanges.unwrap_or_default().iter_mut().rev().find(|it| !it.answer.is_empty());
        let Some(exchange) = last else { return };
        // It began before the last request of several: no longer than that took.
        let took_s = exchange.answer.last().map_or(0.0, |piece| piece.after_s);
        exchange.lasts_s = Some(integration_s.unwrap_or(0.0).min(took_s).max(LEAST_S));
    }

    /// The exchange that goes on, and how long it has.
    fn current(&mut self, t_s: f64) -> Option<(&mut Exchange, f64)> {
        let after_s = (t_s - self.began_s?).max(0.0);
        self.all.last_mut().map(|exchange| (exchange, after_s))
    }

    fn received(&mut self, bytes: &[u8], t_s: f64) {
        let Some((exchange, after_s)) = self.current(t_s) else { return };
        exchange.answer.push(Piece { after_s, bytes: bytes.to_vec() });
        self.held += size_of::<Piece>() + bytes.len();
    }

    fn failed(&mut self, failed: &Failed, t_s: f64) {
        let Some((exchange, after_s)) = self.current(t_s) else { return };
        exchange.end = Some(End { after_s, failed: failed.clone(), away_s: None });
        self.held += size_of::<End>() + failed.detail.len();
        if failed.kind.needs_reopening() {
            self.away = Some((self.all.len() - 1, t_s));
            self.began_s = None;
        }
    }
}
