//! From the packets of one transfer to what they say. Sans I/O.
//!
//! A transfer from the instrument ends with a packet that is shorter than the endpoint's packets, empty if need be. An
//! instrument that leaves the empty one out is understood all the same, since the header says how much there is.
//!
//! What comes first may be an answer to an earlier request, which a clear should have taken away and didn't. Its tag says so: it is
//! thrown away, and the one that was asked for comes after it.

use super::frame::{Announced, HEADER, Malformed, announced};
use super::tag::Tag;

/// Bytes with which an instrument may fill up what it sends.
const MOST_FILLING: usize = 3;

/// Answers to other requests that are thrown away, one after another: some more than were ever asked for in vain.
const MOST_OTHERS: usize = 16;

/// What one transfer said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// The bytes of the message.
    pub bytes: Vec<u8>,
    /// Whether the message ends with them.
    pub last: bool,
}

/// A transfer from the instrument that has not ended yet.
#[derive(Clone, Debug)]
pub struct Transfer {
    tag: Tag,
    most: usize,
    packet: usize,
    held: Vec<u8>,
    announced: Option<Announced>,
    /// Whether an empty packet came first: it ends the transfer before this one.
    begun_empty: bool,
    /// Bytes still to come of an answer to another request.
    unwanted: usize,
    /// How many of those have come.
    others: usize,
}

impl Transfer {
    /// The transfer that answers the request with `tag` for at most `most` bytes, in packets of `packet` bytes.
    #[must_use]
    pub fn new(tag: Tag, most: usize, packet: usize) -> Self {
        let packet = packet.max(1);
        let (held, announced, begun_empty) = (Vec::new(), None, false);
        Self { tag, most, packet, held, announced, begun_empty, unwanted: 0, others: 0 }
    }

    /// The request's tag.
    #[must_use]
    pub fn tag(&self) -> Tag {
        self.tag
    }

    /// How many bytes to read next, a multiple of the packet's size and more than the transfer may still have.
    #[must_use]
    pub fn room(&self) -> usize {
        let whole = (HEADER + self.most + MOST_FILLING + 1).next_multiple_of(self.packet);
        whole.saturating_sub(self.held.len()).next_multiple_of(self.packet)
    }

    /// Takes what one reading of at most [`room`](Self::room) bytes gave; the part, once it is whole.
    ///
    /// # Errors
    /// Whatever isn't as the specification wants it. Nothing more of the transfer is held then.
    pub fn take(&mut self, chunk: &[u8]) -> Result<Option<Part>, Malformed> {
        let outcome = self.taken(chunk);
        if outcome.is_err() {
            (self.held, self.announced) = (Vec::new(), None);
        }
        outcome
    }

    fn taken(&mut self, chunk: &[u8]) -> Result<Option<Part>, Malformed> {
        let ended = chunk.is_empty() || !chunk.len().is_multiple_of(self.packet);
        if self.unwanted > 0 {
            self.unwanted = if ended { 0 } else { self.unwanted.saturating_sub(chunk.len()) };
            return Ok(None);
        }
        if chunk.is_empty() && self.held.is_empty() && !std::mem::replace(&mut self.begun_empty, true) {
            return Ok(None);
        }
        if chunk.len() > self.room() {
            return Err(Malformed("more bytes than were read".to_owned()));
        }
        self.held.extend_from_slice(chunk);
        if self.announced.is_none()
            && let Some(header) = self.held.first_chunk::<HEADER>()
        {
            self.announced = Some(announced(header, self.tag, self.most)?);
        }
        match self.announced {
            Some(Announced { size, other: Some(other), .. }) => self.throw_away(other, size, ended),
            None if ended => Err(Malformed(format!("{} bytes, which is no whole header", self.held.len()))),
            Some(Announced { size, .. }) if ended && self.held.len() < HEADER + size => {
                let came = self.held.len() - HEADER;
                Err(Malformed(format!("{came} bytes where the header announces {size}")))
            }
            Some(Announced { size, .. }) if self.held.len() > HEADER + size + MOST_FILLING => {
                let came = self.held.len() - HEADER;
                Err(Malformed(format!("{came} bytes or more where the header announces {size}")))
            }
            _ => Ok(self.lapsed()),
        }
    }

    /// Throws away an answer of `size` bytes to the request `other`, as far as it has come.
    fn throw_away(&mut self, other: u8, size: usize, ended: bool) -> Result<Option<Part>, Malformed> {
        self.others += 1;
        let (held, tag) = (std::mem::take(&mut self.held), self.tag.number());
        let whole = size.saturating_add(HEADER);
        (self.announced, self.begun_empty) = (None, false);
        if self.others > MOST_OTHERS || held.len() > whole.saturating_add(MOST_FILLING) {
            return Err(Malformed(format!("an answer to the request {other} instead of {tag}")));
        }
        tracing::debug!(other, tag, "USBTMC: an answer to another request is thrown away");
        self.unwanted = if ended { 0 } else { whole.saturating_sub(held.len()) };
        Ok(None)
    }

    /// The part, if all of it has come: nothing else has come for a while.
    pub fn lapsed(&mut self) -> Option<Part> {
        let Announced { size, last, .. } = self.announced?;
        let bytes = self.held.get(HEADER..HEADER + size)?.to_vec();
        Some(Part { bytes, last })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// An answer as an instrument sends it.
    fn answer(number: u8, bytes: &[u8], last: bool) -> Vec<u8> {
        let size = u32::try_from(bytes.len()).unwrap().to_le_bytes();
        let mut frame =
            vec![2, number, !number, 0, size[0], size[1], size[2], size[3], u8::from(last), 0, 0, 0];
        frame.extend_from_slice(bytes);
        frame
    }

    fn transfer(packet: usize) -> Transfer {
        Transfer::new(Tag::new(9).unwrap(), 4096, packet)
    }

    /// What comes of these readings.
    fn taken(packet: usize, chunks: &[&[u8]]) -> Result<Option<Part>, Malformed> {
        let mut transfer = transfer(packet);
        for chunk in chunks {
            if let Some(part) = transfer.take(chunk)? {
                return Ok(Some(part));
            }
        }
        Ok(None)
    }

    #[test]
    fn a_short_packet_ends_a_transfer() {
        let part = taken(64, &[&answer(9, b"1.5\n", true)]).unwrap();
        assert_eq!(part, Some(Part { bytes: b"1.5\n".to_vec(), last: true }));
    }

    #[test]
    fn up_to_three_bytes_of_filling_are_left_away_and_a_fourth_is_a_mistake() {
        for filling in 0..=3 {
            let mut frame = answer(9, b"1.5\n", true);
            frame.resize(frame.len() + filling, 0xAA);
            assert_eq!(taken(64, &[&frame]).unwrap().unwrap().bytes, b"1.5\n");
        }
        let mut frame = answer(9, b"1.5\n", true);
        frame.resize(frame.len() + 4, 0);
        assert!(taken(64, &[&frame]).unwrap_err().0.contains("8 bytes or more where the header announces 4"));
    }

    #[test]
    fn an_answer_that_fills_its_packets_needs_no_empty_one() {
        let frame = answer(9, &[7; 52], true);
        assert_eq!(frame.len(), 64);
        assert_eq!(taken(64, &[&frame]).unwrap().unwrap().bytes.len(), 52);
        // The empty packet that ends it may come with the next transfer.
        assert_eq!(taken(64, &[b"", &answer(9, b"x", true)]).unwrap().unwrap().bytes, b"x");
        assert!(taken(64, &[b"", b""]).unwrap_err().0.contains("0 bytes"));
    }

    #[test]
    fn answers_to_earlier_requests_are_thrown_away_whole_and_not_without_end() {
        let right = answer(9, b"1.5\n", true);
        let part = Some(Part { bytes: b"1.5\n".to_vec(), last: true });
        // In one packet; in several, read at once or one by one; just as long as its packets, with an empty one and without.
        let (short, long, even) =
            (answer(8, b"2.5\n", true), answer(200, &[b'7'; 100], true), answer(8, &[b'7'; 52], true));
        for first in [&[&short[..]][..], &[&long], &[&long[..64], &long[64..]], &[&even], &[&even, b""]] {
            let chunks: Vec<&[u8]> = first.iter().copied().chain([&right[..]]).collect();
            assert_eq!(taken(64, &chunks), Ok(part.clone()));
        }
        // Longer than this host would ever have asked for.
        let huge = answer(8, &[b'7'; 6000], true);
        let chunks: Vec<&[u8]> = huge.chunks(4160).chain([&right[..]]).collect();
        assert_eq!(taken(64, &chunks), Ok(part));
        let endless = vec![&short[..]; MOST_OTHERS + 1];
        assert!(taken(64, &endless).unwrap_err().0.contains("the request 8 instead of 9"));
        assert_eq!(taken(64, &endless[1..]), Ok(None));
    }

    #[test]
    fn less_than_a_header_or_than_what_it_announces_is_a_mistake() {
        let frame = answer(9, &[1; 100], true);
        assert!(taken(64, &[&frame[..7]]).unwrap_err().0.contains("7 bytes, which is no whole header"));
        assert!(taken(64, &[&frame[..64], &frame[64..90]]).unwrap_err().0.contains("78 bytes where"));
        // Cut at the end of a packet, more may come; an empty packet says that nothing does.
        assert_eq!(taken(64, &[&frame[..64]]).unwrap(), None);
        assert!(
            taken(64, &[&frame[..64], b""])
                .unwrap_err()
                .0
                .contains("52 bytes where the header announces 100")
        );
    }

    proptest! {
        #[test]
        fn whatever_comes_nothing_panics_and_little_is_held(
            chunks in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..600), 0..40),
            packet in prop::sample::select(vec![1_usize, 8, 64, 512, 1024]),
            most in 1..5000_usize,
            good_header in any::<bool>(),
        ) {
            let mut transfer = Transfer::new(Tag::new(9).unwrap(), most, packet);
            if good_header {
                let _outcome = transfer.take(&answer(9, &vec![0; most], true)[..HEADER]);
            }
            for chunk in &chunks {
                if let Ok(Some(part)) = transfer.take(chunk) {
                    prop_assert!(part.bytes.len() <= most);
                }
                prop_assert!(transfer.held.len() <= HEADER + most + MOST_FILLING + packet);
                prop_assert_eq!(transfer.room() % packet, 0);
            }
        }

        #[test]
        fn an_answer_is_read_the_same_however_it_is_cut_between_packets(
            bytes in proptest::collection::vec(any::<u8>(), 1..3000),
            packet in prop::sample::select(vec![8_usize, 64, 512]),
            cuts in proptest::collection::vec(1..20_usize, 1..50),
            last in any::<bool>(),
        ) {
            let frame = answer(9, &bytes, last);
            let (mut transfer, mut rest, mut part) = (transfer(packet), &frame[..], None);
            for packets in cuts.iter().cycle() {
                let (chunk, after) = rest.split_at((packets * packet).min(rest.len()));
                rest = after;
                part = transfer.take(chunk).unwrap();
                if part.is_some() { break; }
            }
            prop_assert_eq!(part, Some(Part { bytes, last }));
        }
    }
}
