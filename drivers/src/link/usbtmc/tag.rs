//! Numbers that tie an answer to its request.

/// A message's number, `bTag`: 1 to 255, never 0, each one more than the last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tag(u8);

impl Default for Tag {
    /// The first.
    fn default() -> Self {
        Self(1)
    }
}

impl Tag {
    /// The tag with this number; none for 0.
    #[must_use]
    pub fn new(number: u8) -> Option<Self> {
        (number != 0).then_some(Self(number))
    }

    /// Its number.
    #[must_use]
    pub fn number(self) -> u8 {
        self.0
    }

    /// Its complement, `bTagInverse`.
    #[must_use]
    pub fn inverse(self) -> u8 {
        !self.0
    }

    /// The next: 1 after 255.
    #[must_use]
    pub fn next(self) -> Self {
        Self(self.0.checked_add(1).unwrap_or(1))
    }
}

/// The number of a request for the status byte (USB488): 2 to 127, since a notification carries it in seven bits, and 1 stands
/// for a request of service.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StatusTag(u8);

impl Default for StatusTag {
    /// The first.
    fn default() -> Self {
        Self(2)
    }
}

impl StatusTag {
    /// Its number.
    #[must_use]
    pub fn number(self) -> u8 {
        self.0
    }

    /// The next: 2 after 127.
    #[must_use]
    pub fn next(self) -> Self {
        Self(if self.0 >= 127 { 2 } else { self.0 + 1 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_run_through_all_numbers_but_nought() {
        let mut tag = Tag::default();
        let mut seen = Vec::new();
        for _ in 0..255 {
            assert_eq!(tag.number() ^ tag.inverse(), 0xFF);
            seen.push(tag.number());
            tag = tag.next();
        }
        assert_eq!(seen, (1..=255).collect::<Vec<u8>>());
        assert_eq!(tag, Tag::default());
        assert_eq!(Tag::new(0), None);
    }

    #[test]
    fn tags_of_status_requests_stay_within_their_seven_bits() {
        let mut tag = StatusTag::default();
        let mut seen = Vec::new();
        for _ in 0..126 {
            seen.push(tag.number());
            tag = tag.next();
        }
        assert_eq!(seen, (2..=127).collect::<Vec<u8>>());
        assert_eq!(tag, StatusTag::default());
    }
}
