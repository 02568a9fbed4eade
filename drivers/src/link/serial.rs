//! A serial port. The only file that names `tokio-serial`.

use std::path::{Path, PathBuf};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{
    ClearBuffer, DataBits, ErrorKind, FlowControl, Parity, SerialPort, SerialPortBuilderExt, SerialStream,
    StopBits,
};

use super::Link;
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};

/// Bytes read at once.
const CHUNK: usize = 1024;

/// How a port is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Bits a second.
    pub baud: u32,
    /// 5 to 8.
    pub data_bits: u8,
    /// Parity.
    pub parity: ParityBit,
    /// 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow: Flow,
    /// Whether no other program may open the port meanwhile.
    pub exclusive: bool,
}

/// Kinds of parity bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParityBit {
    /// No parity bit.
    None,
    /// An odd number of ones.
    Odd,
    /// An even number of ones.
    Even,
}

/// Kinds of flow control.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flow {
    /// None.
    None,
    /// RTS and CTS.
    Hardware,
    /// XON and XOFF.
    Software,
}

/// An open port. Nothing but its being dropped takes the stream out.
#[derive(Debug)]
struct Serial {
    stream: Option<SerialStream>,
    path: PathBuf,
}

/// Closing a port waits for what has not been sent yet: on Linux for half a minute, where an instrument holds the line. So
/// that is discarded first.
impl Drop for Serial {
    fn drop(&mut self) {
        if let Some(stream) = self.stream.take() {
            let _discarded = stream.clear(ClearBuffer::Output).is_ok();
            let unsent = stream.bytes_to_write().unwrap_or(0);
            let_go(stream, unsent);
        }
    }
}

/// Closes a port: at once if nothing waits to be sent, else (some adapters discard nothing) where nobody else has to wait.
/// Nothing owns that thread: it does nothing but close, and may end with the process.
fn let_go<P: Send + 'static>(port: P, unsent: u32) {
    if unsent == 0 {
        return drop(port);
    }
    let closing = std::thread::Builder::new().name("closing".to_owned()).spawn(move || drop(port));
    // Without a thread the port was closed here, after all.
    let _elsewhere = closing.is_ok();
}

/// Opens the port at `path`; a symbolic link is followed anew at each opening. An adapter whose firmware hangs can hold the
/// system up for seconds meanwhile, so it happens on a thread of its own.
///
/// # Errors
/// `Gone` if there is none, `Busy` if another program holds it, `Denied` without permission, `Refused` if it can't be set like
/// that.
pub async fn open(path: PathBuf, settings: Settings) -> Result<Box<dyn Link>, Fault> {
    let opened = tokio::task::spawn_blocking(move || open_here(&path, settings)).await;
    let link: Box<dyn Link> = Box::new(opened.map_err(|error| {
        Fault::new(FaultKind::Gone, "opening the port failed inside the program").because(error)
    })??);
    Ok(link)
}

fn open_here(path: &Path, settings: Settings) -> Result<Serial, Fault> {
    if let Err(error) = std::fs::metadata(path) {
        let detail = format!("there is no port {:?}", path.display().to_string());
        return Err(Fault::new(FaultKind::Gone, detail).because(error));
    }
    let builder = tokio_serial::new(path.to_string_lossy(), settings.baud)
        .data_bits(match settings.data_bits {
            5 => DataBits::Five,
            6 => DataBits::Six,
            7 => DataBits::Seven,
            _ => DataBits::Eight,
        })
        .parity(match settings.parity {
            ParityBit::None => Parity::None,
            ParityBit::Odd => Parity::Odd,
            ParityBit::Even => Parity::Even,
        })
        .stop_bits(if settings.stop_bits == 2 { StopBits::Two } else { StopBits::One })
        .flow_control(match settings.flow {
            Flow::None => FlowControl::None,
            Flow::Hardware => FlowControl::Hardware,
            Flow::Software => FlowControl::Software,
        });
    let stream = builder.open_native_async().map_err(|error| not_opened(path, error))?;
    // From here on, dropping discards what is unsent.
    let mut serial = Serial { stream: Some(stream), path: path.to_owned() };
    // Opening took the port for itself alone; the settings may be more generous.
    if let Some(stream) = serial.stream.as_mut().filter(|_| !settings.exclusive) {
        stream.set_exclusive(false).map_err(|error| not_opened(path, error))?;
    }
    Ok(serial)
}

/// What a failure to open means. The library says "no device" for a port that another program has locked, too.
fn not_opened(path: &Path, error: tokio_serial::Error) -> Fault {
    let port = path.display();
    let (kind, detail) = match error.kind() {
        ErrorKind::NoDevice if error.description.contains("lock") || error.description.contains("busy") => (
            FaultKind::Busy,
            format!("another program holds {port}: close it, or take the port out of its settings"),
        ),
        ErrorKind::NoDevice => (FaultKind::Gone, format!("nothing is attached to {port}")),
        ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => (
            FaultKind::Denied,
            format!("no permission to open {port}: add the daemon's user to the group that owns it"),
        ),
        ErrorKind::Io(std::io::ErrorKind::NotFound) => (FaultKind::Gone, format!("there is no port {port}")),
        ErrorKind::InvalidInput => {
            (FaultKind::Refused, format!("{port} can't be set like that, or is no serial port"))
        }
        ErrorKind::Io(_) | ErrorKind::Unknown => (FaultKind::Gone, format!("opening {port}")),
    };
    Fault::new(kind, detail).because(error)
}

impl Serial {
    fn gone(&self, doing: &str) -> Fault {
        Fault::new(FaultKind::Gone, format!("{doing} {}", self.path.display()))
    }
}

impl Link for Serial {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let Some(stream) = &mut self.stream else { return Err(self.gone("let go of")) };
            let sent = stream.write_all(bytes).await;
            sent.map_err(|error| self.gone("writing to").because(error))
        })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let mut chunk = [0; CHUNK];
            let Some(stream) = &mut self.stream else { return Err(self.gone("let go of")) };
            match stream.read(&mut chunk).await {
                // A port that is gone ends, for ever and at once.
                Ok(0) => Err(self.gone("the line was closed:")),
                Ok(count) => {
                    held.extend_from_slice(chunk.get(..count).unwrap_or_default());
                    Ok(())
                }
                Err(error) => Err(self.gone("reading from").because(error)),
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, Sender, channel};

    use super::*;

    /// A port that closes once it may, and says so.
    struct Slow(Receiver<()>, Sender<()>);

    impl Drop for Slow {
        fn drop(&mut self) {
            let _allowed = self.0.recv().is_ok();
            self.1.send(()).unwrap();
        }
    }

    #[test]
    fn a_port_with_something_unsent_holds_up_nobody_while_it_closes() {
        let ((allow, allowed), (close, closed)) = (channel(), channel());
        let_go(Slow(allowed, close), 5);
        // Here this thread goes on, while the port still waits.
        assert!(closed.try_recv().is_err());
        allow.send(()).unwrap();
        closed.recv().unwrap();
    }

    #[test]
    fn a_port_with_nothing_unsent_is_closed_at_once_so_that_it_can_be_opened_again() {
        let ((allow, allowed), (close, closed)) = (channel(), channel());
        allow.send(()).unwrap();
        let_go(Slow(allowed, close), 0);
        assert!(closed.try_recv().is_ok());
    }
}
