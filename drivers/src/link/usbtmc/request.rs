//! Requests on the control pipe, and what comes back. All of them read; from memory of the specification.

use super::tag::{StatusTag, Tag};

/// One request: the setup packet's fields, and how many bytes are to come back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Request {
    /// `bmRequestType`.
    pub kind: u8,
    /// `bRequest`.
    pub code: u8,
    /// `wValue`.
    pub value: u16,
    /// `wIndex`: an interface or an endpoint.
    pub index: u16,
    /// `wLength`.
    pub length: usize,
    /// Its name in the specification, for messages.
    pub name: &'static str,
}

/// Class requests that read, from an interface and from an endpoint.
const OF_INTERFACE: u8 = 0xA1;
const OF_ENDPOINT: u8 = 0xA2;

impl Request {
    /// Asks the instrument to take nothing more of the transfer with `tag`.
    #[must_use]
    pub fn initiate_abort_out(tag: Tag, endpoint: u8) -> Self {
        let value = tag.number().into();
        Self::of_endpoint(1, value, endpoint, 2, "INITIATE_ABORT_BULK_OUT")
    }

    /// Asks how far it is with that.
    #[must_use]
    pub fn check_abort_out(endpoint: u8) -> Self {
        Self::of_endpoint(2, 0, endpoint, 8, "CHECK_ABORT_BULK_OUT_STATUS")
    }

    /// Asks the instrument to send nothing more of the transfer with `tag`.
    #[must_use]
    pub fn initiate_abort_in(tag: Tag, endpoint: u8) -> Self {
        let value = tag.number().into();
        Self::of_endpoint(3, value, endpoint, 2, "INITIATE_ABORT_BULK_IN")
    }

    /// Asks how far it is with that.
    #[must_use]
    pub fn check_abort_in(endpoint: u8) -> Self {
        Self::of_endpoint(4, 0, endpoint, 8, "CHECK_ABORT_BULK_IN_STATUS")
    }

    /// Asks the instrument to forget whatever it has been sent and has to say.
    #[must_use]
    pub fn initiate_clear(interface: u8) -> Self {
        Self::of_interface(5, 0, interface, 1, "INITIATE_CLEAR")
    }

    /// Asks how far it is with that.
    #[must_use]
    pub fn check_clear(interface: u8) -> Self {
        Self::of_interface(6, 0, interface, 2, "CHECK_CLEAR_STATUS")
    }

    /// Asks what the instrument can do.
    #[must_use]
    pub fn get_capabilities(interface: u8) -> Self {
        Self::of_interface(7, 0, interface, 24, "GET_CAPABILITIES")
    }

    /// Asks for the status byte (USB488).
    #[must_use]
    pub fn read_status_byte(tag: StatusTag, interface: u8) -> Self {
        Self::of_interface(128, tag.number().into(), interface, 3, "READ_STATUS_BYTE")
    }

    fn of_interface(code: u8, value: u16, interface: u8, length: usize, name: &'static str) -> Self {
        Self { kind: OF_INTERFACE, code, value, index: interface.into(), length, name }
    }

    fn of_endpoint(code: u8, value: u16, endpoint: u8, length: usize, name: &'static str) -> Self {
        Self { kind: OF_ENDPOINT, code, value, index: endpoint.into(), length, name }
    }
}

/// How a request went: the first byte that comes back, `USBTMC_status`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// It is done.
    Success,
    /// It isn't done yet.
    Pending,
    /// It failed; of an abort: nothing is on the way.
    Failed,
    /// Another transfer is on the way, or none with bytes still held.
    NotInProgress,
    /// The interrupt endpoint still holds an earlier notification (USB488).
    Busy,
    /// Any other.
    Other(u8),
}

impl From<u8> for Status {
    fn from(byte: u8) -> Self {
        match byte {
            0x01 => Self::Success,
            0x02 => Self::Pending,
            0x20 => Self::Busy,
            0x80 => Self::Failed,
            0x81 => Self::NotInProgress,
            other => Self::Other(other),
        }
    }
}

/// What an instrument can do, as far as it matters here.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Capabilities {
    /// It takes commands and never answers.
    pub listens_only: bool,
    /// It answers and takes no commands.
    pub talks_only: bool,
}

impl Capabilities {
    /// Reads the answer to [`Request::get_capabilities`]; nothing if it is no such answer.
    #[must_use]
    pub fn read(answer: &[u8]) -> Option<Self> {
        let [status, _, _, _, interface, ..] = *answer else { return None };
        (answer.len() == 24 && Status::from(status) == Status::Success)
            .then_some(Self { listens_only: interface & 1 != 0, talks_only: interface & 2 != 0 })
    }
}

/// Bit 4 of the status byte (IEEE 488.2, MAV): an answer is waiting.
pub const ANSWER_WAITS: u8 = 1 << 4;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn capabilities_are_read_from_a_whole_answer_alone() {
        let mut answer = [0; 24];
        assert_eq!(Capabilities::read(&answer), None);
        answer[0] = 1;
        assert_eq!(Capabilities::read(&answer), Some(Capabilities::default()));
        answer[4] = 1;
        assert!(Capabilities::read(&answer).unwrap().listens_only);
        assert_eq!(Capabilities::read(&answer[..23]), None);
        assert_eq!(Capabilities::read(&[]), None);
    }
}
