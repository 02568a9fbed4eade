//! The link to an instrument of messages: orders to the thread that owns it.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{broadcast, mpsc, oneshot};

use super::device::Place;
use super::watch::{News, Watch};
use super::worker::{Order, Reply, ended};
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};
use crate::link::Link;
use crate::link::usbtmc::transfer::Part;

/// What an instrument said.
pub type Received = Part;

/// How often it is looked whether the device is still there, where nothing tells of its departure (a system without udev, say).
/// The look costs one file of the system's.
const LOOKING: Duration = Duration::from_millis(500);

/// A link to an instrument of messages.
#[derive(Debug)]
pub struct Messages {
    /// The device in words.
    name: String,
    orders: mpsc::Sender<Order>,
    /// What ends a line of an answer.
    end: Vec<u8>,
    /// The end of the message so far, as long as `end` at most.
    tail: Vec<u8>,
    place: Place,
    news: broadcast::Receiver<News>,
    /// Held so that it goes on.
    _watch: Arc<Watch>,
}

impl Messages {
    /// A link to the device `name` at `place` whose thread takes `orders`.
    #[must_use]
    pub fn new(
        name: String,
        orders: mpsc::Sender<Order>,
        end: Vec<u8>,
        place: Place,
        watch: Arc<Watch>,
        news: broadcast::Receiver<News>,
    ) -> Self {
        Self { name, orders, end, tail: Vec::new(), place, news, _watch: watch }
    }

    /// Adds what came. The end of a message ends a line, whether or not the instrument says so in bytes too.
    fn hold(&mut self, part: &Part, held: &mut Vec<u8>) -> Result<(), Fault> {
        held.extend_from_slice(&part.bytes);
        self.tail.extend_from_slice(&part.bytes);
        let long = self.tail.len().saturating_sub(self.end.len());
        self.tail.drain(..long);
        if part.last {
            if self.tail != self.end {
                held.extend_from_slice(&self.end);
            } else if self.end.is_empty() && part.bytes.is_empty() {
                return Err(Fault::new(FaultKind::Garbled, "the instrument sent an empty message"));
            }
            self.tail.clear();
        }
        Ok(())
    }
}

/// Gives an order and waits for what comes of it.
pub(super) async fn ask<T>(
    orders: &mpsc::Sender<Order>,
    order: impl FnOnce(Reply<T>) -> Order,
) -> Result<T, Fault> {
    let (reply, outcome) = oneshot::channel();
    orders.send(order(reply)).await.map_err(|_| ended())?;
    outcome.await.unwrap_or_else(|_| Err(ended()))
}

/// Waits until the news says that the device there has left; for ever if nothing tells.
async fn left(news: &mut broadcast::Receiver<News>, place: Place) {
    loop {
        match news.recv().await {
            Ok(News::Left(left)) if left == place => return,
            Ok(_) | Err(RecvError::Lagged(_)) => {}
            Err(RecvError::Closed) => return std::future::pending().await,
        }
    }
}

impl Link for Messages {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        self.tail.clear();
        Box::pin(async move { ask(&self.orders, |reply| Order::Send(bytes.to_vec(), reply)).await })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let part = ask(&self.orders, Order::Receive).await?;
            self.hold(&part, held)
        })
    }

    fn speaks_unasked(&self) -> bool {
        false
    }

    fn reset(&mut self) -> Boxed<'_, Result<(), Fault>> {
        self.tail.clear();
        Box::pin(async move { ask(&self.orders, Order::Reset).await })
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async move {
            loop {
                tokio::select! {
                    () = left(&mut self.news, self.place) => {
                        return Fault::new(FaultKind::Gone, format!("{} has been unplugged", self.name));
                    }
                    () = tokio::time::sleep(LOOKING) => {}
                }
                if let Err(fault) = ask(&self.orders, Order::Look).await {
                    return fault;
                }
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is held of these parts, where lines end with a line feed.
    fn held(parts: &[(&str, bool)]) -> String {
        let (orders, _inbox) = mpsc::channel(1);
        let place = Place { bus: 1, address: 2 };
        let watch = crate::link::usb::watch::shared();
        let mut link =
            Messages::new("it".into(), orders, b"\r\n".to_vec(), place, Arc::clone(&watch), watch.listen());
        let mut held = Vec::new();
        for (text, last) in parts {
            link.hold(&Part { bytes: text.as_bytes().to_vec(), last: *last }, &mut held).unwrap();
        }
        String::from_utf8(held).unwrap()
    }

    #[test]
    fn the_end_of_a_message_ends_a_line_once() {
        assert_eq!(held(&[("1.5\r\n", true), ("2", true)]), "1.5\r\n2\r\n");
        assert_eq!(held(&[("1.", false), ("5", true)]), "1.5\r\n");
        // The line's own end may be cut in two, or in a transfer of its own.
        assert_eq!(held(&[("1.5\r", false), ("\n", true), ("2\r\n", false), ("", true)]), "1.5\r\n2\r\n");
    }
}
