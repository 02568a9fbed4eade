//! The headers of messages, to the byte. Sans I/O.
//!
//! | bytes | `DEV_DEP_MSG_OUT` (1) | `REQUEST_DEV_DEP_MSG_IN` (2) | `DEV_DEP_MSG_IN` (2) |
//! |---|---|---|---|
//! | 0 | message id | message id | message id |
//! | 1, 2 | tag, its complement | tag, its complement | the request's tag, its complement |
//! | 3 | 0 | 0 | 0 |
//! | 4 to 7 | bytes of the message, low byte first | the most bytes wanted | bytes of the message |
//! | 8 | bit 0: the message ends here (EOM) | bit 1: end at a character | bit 0: EOM, bit 1: ended at a character |
//! | 9 to 11 | 0 | the character, 0, 0 | 0 |
//!
//! A message to the instrument is filled up with zeros to a multiple of four bytes.

use super::tag::Tag;

/// Bytes of every header.
pub const HEADER: usize = 12;

/// Message ids.
const DEV_DEP_MSG_OUT: u8 = 1;
const DEV_DEP_MSG_IN: u8 = 2;

/// The message ends with this transfer.
const EOM: u8 = 1;

/// A message, or a part of one, that isn't as the specification wants it; says how.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Malformed(pub String);

/// What the header of an answer announces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Announced {
    /// Bytes of the message in this transfer.
    pub size: usize,
    /// Whether the message ends with it.
    pub last: bool,
    /// The tag of the request that it answers, if that is another one.
    pub other: Option<u8>,
}

fn header(id: u8, tag: Tag, size: usize, attributes: u8) -> [u8; HEADER] {
    // Nothing longer than some thousand bytes is ever sent or asked for.
    let size = u32::try_from(size).unwrap_or(u32::MAX).to_le_bytes();
    let [a, b, c, d] = size;
    [id, tag.number(), tag.inverse(), 0, a, b, c, d, attributes, 0, 0, 0]
}

/// One transfer to the instrument: `bytes`, at which the message ends if `last`.
#[must_use]
pub fn message_out(tag: Tag, bytes: &[u8], last: bool) -> Vec<u8> {
    let mut frame = header(DEV_DEP_MSG_OUT, tag, bytes.len(), if last { EOM } else { 0 }).to_vec();
    frame.extend_from_slice(bytes);
    frame.resize(frame.len().next_multiple_of(4), 0);
    frame
}

/// The request for the next `most` bytes of an answer, or fewer.
#[must_use]
pub fn request_in(tag: Tag, most: usize) -> [u8; HEADER] {
    header(DEV_DEP_MSG_IN, tag, most, 0)
}

/// Reads the header of the answer to the request with `tag`, which asked for `most` bytes.
///
/// # Errors
/// Whatever isn't as it should be: the message id, the tag's complement, the reserved bytes and bits, a size beyond what was
/// asked for, nothing without an end. An answer to another request is none of these: it may have waited in the instrument.
pub fn announced(header: &[u8; HEADER], tag: Tag, most: usize) -> Result<Announced, Malformed> {
    let [id, number, inverse, reserved, a, b, c, d, attributes, rest @ ..] = *header;
    let wrong = |what: String| Err(Malformed(what));
    if id != DEV_DEP_MSG_IN {
        return wrong(format!("a message with the id {id} instead of {DEV_DEP_MSG_IN}"));
    }
    if inverse != !number {
        return wrong(format!("a tag {number} whose complement is said to be {inverse}"));
    }
    if number == 0 {
        return wrong("a tag 0".to_owned());
    }
    let other = Some(number).filter(|number| *number != tag.number());
    // An end at a character was not asked for, but is no harm.
    if reserved != 0 || rest != [0; 3] || attributes & !3 != 0 {
        return wrong(format!("a header whose reserved bytes are not 0: {header:02x?}"));
    }
    let size = u32::from_le_bytes([a, b, c, d]);
    let size = usize::try_from(size).unwrap_or(usize::MAX);
    if size > most && other.is_none() {
        return wrong(format!("{size} bytes where at most {most} were asked for"));
    }
    let last = attributes & EOM != 0;
    if size == 0 && !last {
        return wrong("nothing, with more to follow".to_owned());
    }
    Ok(Announced { size, last, other })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn tag(number: u8) -> Tag {
        Tag::new(number).unwrap()
    }

    #[test]
    fn a_command_is_framed_byte_for_byte() {
        // The layout of DEV_DEP_MSG_OUT, from memory of the specification: `*IDN?` with its line end, 6 bytes, filled up by 2.
        assert_eq!(
            message_out(tag(1), b"*IDN?\n", true),
            b"\x01\x01\xfe\x00\x06\x00\x00\x00\x01\x00\x00\x00*IDN?\n\x00\x00"
        );
        // A part of a message, which needs no filling.
        assert_eq!(
            message_out(tag(0x80), b"READ", false),
            b"\x01\x80\x7f\x00\x04\x00\x00\x00\x00\x00\x00\x00READ"
        );
    }

    #[test]
    fn a_request_is_framed_byte_for_byte() {
        // The layout of REQUEST_DEV_DEP_MSG_IN, from memory of the specification: no more than 4096 bytes.
        assert_eq!(request_in(tag(2), 4096), *b"\x02\x02\xfd\x00\x00\x10\x00\x00\x00\x00\x00\x00");
    }

    #[test]
    fn each_mistake_in_an_answers_header_is_named() {
        let right = *b"\x02\x07\xf8\x00\x05\x00\x00\x00\x01\x00\x00\x00";
        assert_eq!(announced(&right, tag(7), 64), Ok(Announced { size: 5, last: true, other: None }));
        let wrong = |at: usize, byte: u8| {
            let mut header = right;
            header[at] = byte;
            announced(&header, tag(7), 64).unwrap_err().0
        };
        assert!(wrong(0, 1).contains("the id 1"));
        assert!(wrong(2, 0xf7).contains("complement"));
        assert!(wrong(1, 8).contains("complement"));
        assert_eq!(announced(&right, tag(8), 64).unwrap().other, Some(7));
        assert!(
            announced(b"\x02\0\xff\0\x05\0\0\0\x01\0\0\0", tag(8), 64).unwrap_err().0.contains("a tag 0")
        );
        for (at, byte) in [(3, 1), (8, 4), (8, 0x81), (9, 10), (10, 1), (11, 1)] {
            assert!(wrong(at, byte).contains("reserved"), "byte {at}");
        }
        assert!(wrong(4, 65).contains("65 bytes where at most 64"));
        assert!(wrong(7, 1).contains("at most 64"));
        let mut endless = right;
        (endless[4], endless[8]) = (0, 0);
        assert!(announced(&endless, tag(7), 64).unwrap_err().0.contains("nothing"));
    }

    proptest! {
        #[test]
        fn whatever_comes_as_a_header_is_an_answer_to_this_request_or_refused(
            mut header in any::<[u8; HEADER]>(),
            number in 1..=255_u8,
            most in 1..100_000_usize,
            mend in any::<[bool; 4]>(),
        ) {
            // Most headers are wrong in many ways: mend some, so that each check is reached.
            if mend[0] { header[0] = 2; }
            if mend[1] { (header[1], header[2]) = (number, !number); }
            if mend[2] { header[3] = 0; header[8] &= 3; header[9..].fill(0); }
            if mend[3] { header[6..8].fill(0); }
            if let Ok(announced) = announced(&header, tag(number), most) {
                prop_assert_eq!((header[0], header[2]), (2, !header[1]));
                prop_assert_eq!(announced.other.unwrap_or(number), header[1]);
                prop_assert!(announced.size <= most || announced.other.is_some());
                prop_assert!(announced.size > 0 || announced.last);
            }
        }

        #[test]
        fn a_frame_is_as_long_as_its_message_its_header_and_less_than_four_zeros(
            bytes in proptest::collection::vec(any::<u8>(), 0..300), number in 1..=255_u8, last in any::<bool>(),
        ) {
            let frame = message_out(tag(number), &bytes, last);
            prop_assert_eq!(frame.len() % 4, 0);
            let end = HEADER + bytes.len();
            prop_assert_eq!(&frame[HEADER..end], &bytes[..]);
            prop_assert!(frame.len() - end < 4 && frame[end..].iter().all(|byte| *byte == 0));
            prop_assert_eq!(frame[1] ^ frame[2], 0xFF);
        }
    }
}
