//! USBTMC's frames on the bulk endpoints (USBTMC 1.0, section 3), as the device sees them.
//!
//! It is strict: what a host may not send is [`Malformed`], so that a host that gets it wrong is found out.

use std::fmt;

/// The length of every header.
pub(crate) const HEADER: usize = 12;

/// Frames begin at, and are filled up to, a multiple of this.
const ALIGNMENT: usize = 4;

/// The largest message taken in. An instrument's buffer ends somewhere.
const LARGEST: usize = 4096;

const DEV_DEP_MSG_OUT: u8 = 1;
const DEV_DEP_MSG_IN: u8 = 2;

/// The end of a message, among a header's attributes.
const END: u8 = 1;

/// What the host sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Frame {
    /// A message to the instrument, or a part of one.
    Message { bytes: Vec<u8>, is_end: bool },
    /// A request for at most `most` bytes of an answer.
    Request { tag: u8, most: usize },
}

/// What a host may not send.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Malformed {
    Short,
    Tag,
    Kind,
    Size,
    Length,
}

impl fmt::Display for Malformed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Short => "a transfer is shorter than a header",
            Self::Tag => "the tag is zero, or its complement isn't",
            Self::Kind => "the kind of message is unknown",
            Self::Size => "a transfer says that it holds nothing, or too much",
            Self::Length => "a transfer isn't as long as its header says, filled up to a multiple of four",
        })
    }
}

/// One bulk transfer on its way in, packet by packet.
#[derive(Debug, Default)]
pub(crate) struct Inbox {
    held: Vec<u8>,
}

impl Inbox {
    /// Takes a packet, and gives the frame that it completes. Only a transfer's last packet may be short.
    pub(crate) fn take(&mut self, packet: &[u8], is_short: bool) -> Result<Option<Frame>, Malformed> {
        self.held.extend_from_slice(packet);
        let outcome = self.frame(is_short);
        if !matches!(outcome, Ok(None)) {
            self.held.clear();
        }
        outcome
    }

    /// The tag of the transfer that is on its way in.
    pub(crate) fn tag(&self) -> Option<u8> {
        self.held.get(1).copied()
    }

    /// How many bytes of it have come.
    pub(crate) fn count(&self) -> usize {
        self.held.len()
    }

    /// Forgets what has come.
    pub(crate) fn clear(&mut self) {
        self.held.clear();
    }

    fn frame(&self, is_short: bool) -> Result<Option<Frame>, Malformed> {
        let Some((header, rest)) = self.held.split_first_chunk::<HEADER>() else {
            return Err(Malformed::Short);
        };
        let [kind, tag, complement, _, size @ .., attributes, _, _, _] = *header;
        if tag == 0 || tag != !complement {
            return Err(Malformed::Tag);
        }
        let size = u32::from_le_bytes(size) as usize;
        if size == 0 || kind == DEV_DEP_MSG_OUT && size > LARGEST {
            return Err(Malformed::Size);
        }
        let (frame, length) = match kind {
            DEV_DEP_MSG_OUT => {
                let bytes = rest.get(..size).unwrap_or(rest).to_vec();
                (Frame::Message { bytes, is_end: attributes & END != 0 }, size.next_multiple_of(ALIGNMENT))
            }
            DEV_DEP_MSG_IN => (Frame::Request { tag, most: size }, 0),
            _ => return Err(Malformed::Kind),
        };
        if rest.len() == length {
            Ok(Some(frame))
        } else if is_short || rest.len() > length {
            Err(Malformed::Length)
        } else {
            Ok(None)
        }
    }
}

/// The transfer that answers a request.
pub(crate) fn answer(tag: u8, bytes: &[u8], is_end: bool) -> Vec<u8> {
    let size = u32::try_from(bytes.len()).unwrap_or(u32::MAX).to_le_bytes();
    let mut transfer = vec![DEV_DEP_MSG_IN, tag, !tag, 0];
    transfer.extend_from_slice(&size);
    transfer.extend_from_slice(&[if is_end { END } else { 0 }, 0, 0, 0]);
    transfer.extend_from_slice(bytes);
    transfer.resize(transfer.len().next_multiple_of(ALIGNMENT), 0);
    transfer
}

#[cfg(test)]
mod tests {
    use super::*;

    fn out(kind: u8, tag: u8, size: u32, attributes: u8, rest: &[u8]) -> Vec<u8> {
        let mut transfer = vec![kind, tag, !tag, 0];
        transfer.extend_from_slice(&size.to_le_bytes());
        transfer.extend_from_slice(&[attributes, 0, 0, 0]);
        transfer.extend_from_slice(rest);
        transfer
    }

    fn whole(transfer: &[u8]) -> Result<Option<Frame>, Malformed> {
        Inbox::default().take(transfer, true)
    }

    fn message(text: &[u8], is_end: bool) -> Frame {
        Frame::Message { bytes: text.to_vec(), is_end }
    }

    #[test]
    fn a_message_is_filled_up_to_a_multiple_of_four() {
        assert_eq!(whole(&out(1, 9, 5, 1, b"*IDN?\0\0\0")), Ok(Some(message(b"*IDN?", true))));
        assert_eq!(whole(&out(1, 9, 4, 0, b"*IDN")), Ok(Some(message(b"*IDN", false))));
        assert_eq!(whole(&out(1, 9, 5, 1, b"*IDN?")), Err(Malformed::Length));
        assert_eq!(whole(&out(1, 9, 5, 1, b"*IDN?\0\0\0\0")), Err(Malformed::Length));
    }

    #[test]
    fn a_request_is_a_header_alone() {
        assert_eq!(whole(&out(2, 7, 1000, 0, b"")), Ok(Some(Frame::Request { tag: 7, most: 1000 })));
        assert_eq!(whole(&out(2, 7, 1000, 0, b"\0\0\0\0")), Err(Malformed::Length));
    }

    #[test]
    fn a_transfer_comes_packet_by_packet() {
        let (transfer, mut inbox) = (out(1, 3, 1000, 1, &[b'x'; 1000]), Inbox::default());
        let [one, two] = [transfer.get(..512).unwrap(), transfer.get(512..).unwrap()];
        assert_eq!(inbox.take(one, false), Ok(None));
        assert_eq!((inbox.tag(), inbox.count()), (Some(3), 512));
        assert_eq!(inbox.take(two, true), Ok(Some(message(&[b'x'; 1000], true))));
        assert_eq!((inbox.tag(), inbox.count()), (None, 0));
    }

    #[test]
    fn a_transfer_that_fills_its_packets_ends_without_an_empty_one() {
        let transfer = out(1, 3, 500, 1, &[b'x'; 500]);
        assert_eq!(Inbox::default().take(&transfer, false), Ok(Some(message(&[b'x'; 500], true))));
    }

    #[test]
    fn what_a_host_may_not_send_is_found_out_and_forgotten() {
        let mut inbox = Inbox::default();
        let mut tagged = out(2, 7, 1, 0, b"");
        tagged[2] = 7;
        for (transfer, wrong) in [
            (tagged, Malformed::Tag),
            (out(2, 0, 1, 0, b""), Malformed::Tag),
            (out(126, 7, 1, 0, b"\0\0\0\0"), Malformed::Kind),
            (out(1, 7, 0, 1, b""), Malformed::Size),
            (out(1, 7, u32::MAX, 1, b""), Malformed::Size),
            (out(2, 7, 0, 0, b""), Malformed::Size),
            (b"*IDN?\n".to_vec(), Malformed::Short),
            (Vec::new(), Malformed::Short),
        ] {
            assert_eq!(inbox.take(&transfer, true), Err(wrong), "{transfer:?}");
            assert_eq!(inbox.count(), 0);
        }
    }

    #[test]
    fn an_answer_carries_the_requests_tag_and_is_filled_up_too() {
        assert_eq!(answer(0x12, b"+0", true), b"\x02\x12\xED\0\x02\0\0\0\x01\0\0\0+0\0\0");
        assert_eq!(answer(255, b"four", false), b"\x02\xFF\0\0\x04\0\0\0\0\0\0\0four");
    }
}
