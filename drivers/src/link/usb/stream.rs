//! The link to two endpoints that carry bytes: one thread reads, so that nothing is lost and a departure is noticed at once, while
//! the device's own thread writes.

use tokio::sync::mpsc;

use super::device::Device;
use super::message::ask;
use super::pipes::{Broken, Pipes};
use super::worker::{Order, ended, say, write_all};
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};
use crate::link::Link;

/// Chunks that wait to be taken, some answers' worth; then the device has to wait.
pub const MOST_CHUNKS: usize = 16;

/// Bytes read at once, rounded up to whole packets.
const CHUNK: usize = 1024;

/// What was read, or why nothing more is.
type Chunk = Result<Vec<u8>, Fault>;

/// A link to two endpoints.
#[derive(Debug)]
pub struct Stream {
    orders: mpsc::Sender<Order>,
    chunks: mpsc::Receiver<Chunk>,
}

impl Stream {
    /// A link whose threads take `orders` and give `chunks`.
    #[must_use]
    pub fn new(orders: mpsc::Sender<Order>, chunks: mpsc::Receiver<Chunk>) -> Self {
        Self { orders, chunks }
    }
}

impl Link for Stream {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move { ask(&self.orders, |reply| Order::Send(bytes.to_vec(), reply)).await })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let chunk = self.chunks.recv().await.ok_or_else(ended)??;
            held.extend_from_slice(&chunk);
            Ok(())
        })
    }
}

/// Reads until the link is dropped or the device is gone.
pub(super) fn read(mut device: Device, chunks: &mpsc::Sender<Chunk>) {
    let mut buffer = vec![0; CHUNK.next_multiple_of(device.chosen().ends.packet)];
    while !chunks.is_closed() {
        let chunk = match device.read(&mut buffer) {
            Ok(0) | Err(Broken::Late) => continue,
            Ok(count) => Ok(buffer.get(..count).unwrap_or_default().to_vec()),
            Err(Broken::Halted) => {
                let input = device.chosen().ends.input;
                let halted = Broken::Halted.fault("receiving");
                device.unhalt(input).map_or_else(|broken| Err(broken.fault("receiving")), |()| Err(halted))
            }
            Err(broken) => Err(broken.fault("receiving")),
        };
        let gone = chunk.as_ref().is_err_and(|fault| fault.kind() == FaultKind::Gone);
        if chunks.blocking_send(chunk).is_err() || gone {
            return;
        }
    }
}

/// Writes until the link is dropped.
pub(super) fn write(mut device: Device, mut inbox: mpsc::Receiver<Order>) {
    while let Some(order) = inbox.blocking_recv() {
        match order {
            Order::Send(bytes, reply) if !reply.is_closed() => {
                let outcome = write_all(&mut device, &bytes, &|| reply.is_closed());
                say(reply, outcome);
            }
            Order::Send(..) => {}
            // A stream is drained, not reset.
            Order::Reset(reply) | Order::Look(reply) => say(reply, Ok(())),
            Order::Receive(reply) => say(reply, Err(ended())),
        }
    }
}
