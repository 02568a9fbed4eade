//! The link to two endpoints that carry bytes: one thread reads, so that nothing is lost and a departure is noticed at once, while
//! the device's own thread writes.

use tokio::sync::mpsc;

use super::device::Device;
use super::message::ask;
use super::pipes::{Broken, Pipes};
use super::worker::{Order, ended, say};
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
                let output = device.chosen().ends.output;
                let outcome = write_all(&mut device, output, &bytes, &|| reply.is_closed());
                say(reply, outcome);
            }
            Order::Send(..) => {}
            // A stream is drained, not reset.
            Order::Reset(reply) | Order::Look(reply) => say(reply, Ok(())),
            Order::Receive(reply) => say(reply, Err(ended())),
        }
    }
}

/// Writes all of `bytes` to the endpoint `output`.
fn write_all(
    pipes: &mut impl Pipes,
    output: u8,
    bytes: &[u8],
    given_up: &dyn Fn() -> bool,
) -> Result<(), Fault> {
    let mut rest = bytes;
    while !rest.is_empty() {
        match pipes.write(rest) {
            Ok(count) => rest = rest.get(count..).unwrap_or_default(),
            Err(Broken::Late) if !given_up() => {}
            Err(Broken::Halted) => {
                pipes.unhalt(output).map_err(|broken| broken.fault("sending"))?;
                return Err(Broken::Halted.fault("sending"));
            }
            Err(broken) => return Err(broken.fault("sending")),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::usbtmc::request::Request;

    /// A device that halts its output until the halt is taken off.
    #[derive(Default)]
    struct Halting {
        halted: bool,
        unhalted: Vec<u8>,
        written: Vec<u8>,
    }

    impl Pipes for Halting {
        fn ask(&mut self, _: Request, _: &mut [u8]) -> Result<usize, Broken> {
            Err(Broken::Halted)
        }

        fn write(&mut self, bytes: &[u8]) -> Result<usize, Broken> {
            if self.halted {
                return Err(Broken::Halted);
            }
            self.written.extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn read(&mut self, _: &mut [u8]) -> Result<usize, Broken> {
            Err(Broken::Late)
        }

        fn notice(&mut self, _: &mut [u8]) -> Result<usize, Broken> {
            Err(Broken::Late)
        }

        fn unhalt(&mut self, endpoint: u8) -> Result<(), Broken> {
            self.halted = false;
            self.unhalted.push(endpoint);
            Ok(())
        }

        fn pause(&mut self) {}
    }

    #[test]
    fn an_output_that_was_halted_takes_the_next_command() {
        let mut pipes = Halting { halted: true, ..Halting::default() };
        let fault = write_all(&mut pipes, 0x02, b"M", &|| false).unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Garbled);
        write_all(&mut pipes, 0x02, b"N", &|| false).unwrap();
        assert_eq!((pipes.unhalted, pipes.written), (vec![0x02], b"N".to_vec()));
    }
}
