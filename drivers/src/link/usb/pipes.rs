//! What an open USB interface offers whoever drives it. Blocking: it is used on a thread of its own.

use std::error::Error;

use crate::fault::{Fault, FaultKind};
use crate::link::usbtmc::request::Request;

/// The endpoints that are used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ends {
    /// The interface's number.
    pub interface: u8,
    /// The address of the endpoint that is read.
    pub input: u8,
    /// The address of the endpoint that is written.
    pub output: u8,
    /// The address of the interrupt endpoint that notifies, if there is one.
    pub notices: Option<u8>,
    /// The size of the packets that are read, in bytes, at least 1.
    pub packet: usize,
    /// Whether the interface speaks USB488.
    pub is_488: bool,
}

/// Pipes to an open interface. Each call takes a fraction of a second at most.
pub trait Pipes {
    /// A request on the control pipe; gives how many bytes of the answer came.
    ///
    /// # Errors
    /// Any [`Broken`].
    fn ask(&mut self, request: Request, answer: &mut [u8]) -> Result<usize, Broken>;

    /// Writes to the output; gives how many bytes went.
    ///
    /// # Errors
    /// Any [`Broken`]; `Late` if none did.
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Broken>;

    /// Reads from the input until a short packet or until `into` is full; gives how many bytes came.
    ///
    /// # Errors
    /// Any [`Broken`]; `Late` if nothing came.
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Broken>;

    /// Reads one notification from the interrupt endpoint.
    ///
    /// # Errors
    /// Any [`Broken`]; `Late` if none came.
    fn notice(&mut self, into: &mut [u8]) -> Result<usize, Broken>;

    /// Takes the halt off an endpoint: `CLEAR_FEATURE(ENDPOINT_HALT)`.
    ///
    /// # Errors
    /// Any [`Broken`].
    fn unhalt(&mut self, endpoint: u8) -> Result<(), Broken>;

    /// Waits a little before something is asked again.
    fn pause(&mut self);
}

/// Why a transfer didn't come about.
#[derive(Debug)]
pub enum Broken {
    /// Nothing happened in its time.
    Late,
    /// The device has halted the endpoint, or doesn't know the request.
    Halted,
    /// The device isn't there any more.
    Gone,
    /// The device sent more than was to come.
    Overrun,
    /// The daemon's user may not.
    Denied,
    /// Another program has it.
    Busy,
    /// Anything else.
    Failed(Box<dyn Error + Send + Sync>),
}

impl Broken {
    /// The fault that this is, where `doing` says what was being done.
    #[must_use]
    pub fn fault(self, doing: &str) -> Fault {
        match self {
            Self::Late => Fault::new(FaultKind::Silent, format!("{doing}: the device takes its time")),
            Self::Halted => {
                Fault::new(FaultKind::Garbled, format!("{doing}: the device halted the endpoint"))
            }
            Self::Gone => Fault::new(FaultKind::Gone, format!("{doing}: the device isn't there any more")),
            Self::Overrun => Fault::new(FaultKind::Garbled, format!("{doing}: more came than was asked for")),
            Self::Denied => Fault::new(FaultKind::Denied, format!("{doing}: no permission")),
            Self::Busy => Fault::new(FaultKind::Busy, format!("{doing}: another program has it")),
            Self::Failed(cause) => {
                Fault::new(FaultKind::Garbled, format!("{doing}: the transfer broke off")).because(cause)
            }
        }
    }
}
