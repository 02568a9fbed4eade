//! A serial port. The only file that names `tokio-serial`.

use std::path::{Path, PathBuf};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{DataBits, ErrorKind, FlowControl, Parity, SerialPortBuilderExt, SerialStream, StopBits};

use super::Link;
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};

/// Bytes read at once.
const CHUNK: usize = 1024;

/// How a port is set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// The port's path. A symbolic link is followed anew at each opening.
    pub path: PathBuf,
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

/// An open port.
#[derive(Debug)]
struct Serial {
    stream: SerialStream,
    path: PathBuf,
}

/// Opens a port.
///
/// # Errors
/// `Gone` if there is none, `Busy` if another program holds it, `Denied` without permission.
pub fn open(settings: &Settings) -> Result<Box<dyn Link>, Fault> {
    let path = &settings.path;
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
    let mut stream = builder.open_native_async().map_err(|error| not_opened(path, error))?;
    // Opening took the port for itself alone; the settings may be more generous.
    if !settings.exclusive {
        stream.set_exclusive(false).map_err(|error| not_opened(path, error))?;
    }
    Ok(Box::new(Serial { stream, path: path.clone() }))
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
            let sent = self.stream.write_all(bytes).await;
            sent.map_err(|error| self.gone("writing to").because(error))
        })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let mut chunk = [0; CHUNK];
            match self.stream.read(&mut chunk).await {
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
