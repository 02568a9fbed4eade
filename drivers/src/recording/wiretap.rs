//! A link that is recorded.

use super::line::{Event, Failed};
use super::tap::Tap;
use crate::clock::Boxed;
use crate::fault::Fault;
use crate::link::Link;

/// A link, and where what passes on it is recorded.
#[derive(Debug)]
pub(super) struct Wiretap {
    link: Box<dyn Link>,
    tap: Tap,
}

impl Wiretap {
    pub(super) fn new(link: Box<dyn Link>, tap: Tap) -> Self {
        tap.note(Event::LinkOpened { speaks_unasked: link.speaks_unasked() });
        Self { link, tap }
    }

    fn noted<T>(&self, outcome: Result<T, Fault>) -> Result<T, Fault> {
        outcome.inspect_err(|fault| self.tap.note(Event::LinkFault(Failed::of(fault))))
    }
}

impl Drop for Wiretap {
    fn drop(&mut self) {
        self.tap.note(Event::LinkClosed);
    }
}

impl Link for Wiretap {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            // Whoever drops this while it is being sent may have sent it.
            self.tap.sent(bytes);
            let outcome = self.link.send(bytes).await;
            self.noted(outcome)
        })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let before = held.len();
            let outcome = self.link.receive(held).await;
            self.tap.received(held.get(before..).unwrap_or_default());
            self.noted(outcome)
        })
    }

    fn speaks_unasked(&self) -> bool {
        self.link.speaks_unasked()
    }

    fn reset(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async move {
            let outcome = self.link.reset().await;
            self.noted(outcome)
        })
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async move {
            if self.link.speaks_unasked() {
                return Heard(self).departed().await;
            }
            let fault = self.link.departed().await;
            self.tap.note(Event::LinkFault(Failed::of(&fault)));
            fault
        })
    }
}

/// The same link; what a stream says while nobody asks is recorded before it is thrown away.
#[derive(Debug)]
struct Heard<'a>(&'a mut Wiretap);

impl Link for Heard<'_> {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        self.0.send(bytes)
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        self.0.receive(held)
    }
}
