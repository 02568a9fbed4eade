//! Requests on the control endpoint (USBTMC 1.0, section 4.2; USB488 1.0, section 4.3), and their answers.

use crate::device::{Device, TakenBack};
use crate::functionfs::Setup;

const SUCCESS: u8 = 0x01;
const PENDING: u8 = 0x02;
const FAILED: u8 = 0x80;
const TRANSFER_NOT_IN_PROGRESS: u8 = 0x81;

/// Requests of the class to the interface, and to an endpoint, that the host reads the answer to.
const TO_INTERFACE: u8 = 0xA1;
const TO_ENDPOINT: u8 = 0xA2;

/// What it can do: neither triggers, nor remote and local, nor requests for service, nor a character that ends messages; but it
/// speaks IEEE 488.2 and SCPI.
const CAPABILITIES: [u8; 24] =
    [SUCCESS, 0, 0x00, 0x01, 0, 0, 0, 0, 0, 0, 0, 0, 0x00, 0x01, 0x04, 0x08, 0, 0, 0, 0, 0, 0, 0, 0];

impl Device {
    /// The answer to a control request; nothing where it is to be refused.
    pub(crate) fn control(&mut self, setup: Setup, now_s: f64) -> Option<Vec<u8>> {
        let tag = setup.value.to_le_bytes()[0];
        let mut answer = match (setup.kind, setup.request) {
            // INITIATE_ABORT_BULK_OUT, CHECK_ABORT_BULK_OUT_STATUS.
            (TO_ENDPOINT, 1) => begun(self.abort_out(tag), tag),
            (TO_ENDPOINT, 2) => counted(SUCCESS, 0, self.taken_back()),
            // INITIATE_ABORT_BULK_IN, CHECK_ABORT_BULK_IN_STATUS.
            (TO_ENDPOINT, 3) => begun(self.abort_in(tag), tag),
            (TO_ENDPOINT, 4) if self.is_sending() => counted(PENDING, 1, 0),
            (TO_ENDPOINT, 4) => counted(SUCCESS, 0, self.taken_back()),
            // INITIATE_CLEAR, CHECK_CLEAR_STATUS: while the host has something to fetch, it is told to.
            (TO_INTERFACE, 5) => {
                self.clear();
                vec![SUCCESS]
            }
            (TO_INTERFACE, 6) if self.is_sending() => vec![PENDING, 1],
            (TO_INTERFACE, 6) => vec![SUCCESS, 0],
            // GET_CAPABILITIES.
            (TO_INTERFACE, 7) => CAPABILITIES.to_vec(),
            // READ_STATUS_BYTE.
            (TO_INTERFACE, 128) if (2..=127).contains(&tag) => vec![SUCCESS, tag, self.status(now_s)],
            (TO_INTERFACE, 128) => vec![FAILED, tag, 0],
            _ => return None,
        };
        answer.truncate(usize::from(setup.length));
        Some(answer)
    }
}

fn begun(outcome: TakenBack, tag: u8) -> Vec<u8> {
    match outcome {
        TakenBack::Yes => vec![SUCCESS, tag],
        TakenBack::Other(current) => vec![TRANSFER_NOT_IN_PROGRESS, current],
        TakenBack::Nothing => vec![FAILED, 0],
    }
}

fn counted(status: u8, has_more: u8, count: usize) -> Vec<u8> {
    let count = u32::try_from(count).unwrap_or(u32::MAX).to_le_bytes();
    [&[status, has_more, 0, 0], count.as_slice()].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(device: &mut Device, kind: u8, request: u8, value: u16, length: u16) -> Option<Vec<u8>> {
        device.control(Setup { kind, request, value, length }, 0.0)
    }

    #[test]
    fn capabilities_are_as_many_bytes_as_are_asked_for() {
        let mut device = Device::default();
        assert_eq!(asked(&mut device, TO_INTERFACE, 7, 0, 24).unwrap().len(), 0x18);
        assert_eq!(asked(&mut device, TO_INTERFACE, 7, 0, 64).unwrap().len(), 0x18);
        assert_eq!(asked(&mut device, TO_INTERFACE, 7, 0, 4).unwrap(), [1, 0, 0, 1]);
    }

    #[test]
    fn taking_a_request_back_is_done_once_the_short_packet_has_gone() {
        let mut device = Device::default();
        assert_eq!(asked(&mut device, TO_ENDPOINT, 3, 5, 2).unwrap(), [FAILED, 0]);
        device.hear(&[2, 5, !5, 0, 9, 0, 0, 0, 0, 0, 0, 0], true, 0.0).unwrap();
        assert_eq!(asked(&mut device, TO_ENDPOINT, 3, 4, 2).unwrap(), [TRANSFER_NOT_IN_PROGRESS, 5]);
        assert_eq!(asked(&mut device, TO_ENDPOINT, 3, 5, 2).unwrap(), [SUCCESS, 5]);
        assert_eq!(asked(&mut device, TO_ENDPOINT, 4, 0, 8).unwrap(), [PENDING, 1, 0, 0, 0, 0, 0, 0]);
        assert_eq!(asked(&mut device, TO_INTERFACE, 6, 0, 2).unwrap(), [PENDING, 1]);
        assert_eq!(device.transfer(0.0), Some(Vec::new()));
        device.gone();
        assert_eq!(asked(&mut device, TO_ENDPOINT, 4, 0, 8).unwrap(), [SUCCESS, 0, 0, 0, 0, 0, 0, 0]);
        assert_eq!(asked(&mut device, TO_INTERFACE, 6, 0, 2).unwrap(), [SUCCESS, 0]);
    }

    #[test]
    fn the_status_byte_comes_with_its_tag() {
        let mut device = Device::default();
        assert_eq!(asked(&mut device, TO_INTERFACE, 128, 2, 3).unwrap(), [SUCCESS, 2, 0]);
        assert_eq!(asked(&mut device, TO_INTERFACE, 128, 1, 3).unwrap(), [FAILED, 1, 0]);
    }

    #[test]
    fn what_it_cannot_do_is_refused() {
        let mut device = Device::default();
        for (kind, request) in [(TO_INTERFACE, 64), (TO_INTERFACE, 160), (TO_ENDPOINT, 7), (0x21, 5)] {
            assert_eq!(asked(&mut device, kind, request, 0, 1), None);
        }
    }
}
