//! Bytes to lines, without I/O: push what came, take whole lines out, hold no more than one line's limit.

/// Longest line of the protocol, in bytes, without its end.
pub const LONGEST_LINE: usize = 1 << 20;

/// What came out of the stream.
#[derive(Debug, PartialEq, Eq)]
pub enum Line {
    /// A line without its end (LF, or CR LF).
    Whole(Vec<u8>),
    /// A line that was longer than the limit; its bytes are gone, the stream goes on behind it.
    TooLong,
}

/// Splits a stream of bytes at LF.
#[derive(Debug)]
pub struct Lines {
    limit: usize,
    held: Vec<u8>,
    scanned: usize,
    overflowing: bool,
}

impl Lines {
    /// An empty splitter whose lines are at most `limit` bytes.
    #[must_use]
    pub fn new(limit: usize) -> Self {
        Self { limit, held: Vec::new(), scanned: 0, overflowing: false }
    }

    /// Takes in what came. Follow with [`next`](Self::next) until it gives nothing.
    pub fn push(&mut self, bytes: &[u8]) {
        self.held.extend_from_slice(bytes);
    }

    /// The next whole line, if there is one.
    #[expect(clippy::should_implement_trait, reason = "not an iterator: more may come after None")]
    pub fn next(&mut self) -> Option<Line> {
        let Some(end) = self.held[self.scanned..].iter().position(|&byte| byte == b'\n') else {
            return self.hold();
        };
        let mut line: Vec<u8> = self.held.drain(..=self.scanned + end).collect();
        self.scanned = 0;
        if self.held.is_empty() && self.held.capacity() > 64 * 1024 {
            self.held.shrink_to_fit();
        }
        line.pop();
        if line.last() == Some(&b'\r') {
            line.pop();
        }
        if std::mem::take(&mut self.overflowing) {
            return self.next();
        }
        Some(if line.len() > self.limit { Line::TooLong } else { Line::Whole(line) })
    }

    /// No line end in sight: keep what is held, or drop it once it is over the limit (said once).
    fn hold(&mut self) -> Option<Line> {
        // One byte of grace for the CR of a CR LF.
        if !self.overflowing && self.held.len() <= self.limit + 1 {
            self.scanned = self.held.len();
            return None;
        }
        self.held = Vec::new();
        self.scanned = 0;
        (!std::mem::replace(&mut self.overflowing, true)).then_some(Line::TooLong)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn all(lines: &mut Lines) -> Vec<Line> {
        std::iter::from_fn(|| lines.next()).collect()
    }

    #[test]
    fn a_line_over_the_limit_is_said_once_and_the_next_is_whole() {
        let mut lines = Lines::new(4);
        lines.push(b"12345678");
        assert_eq!(all(&mut lines), [Line::TooLong]);
        lines.push(b"9");
        assert_eq!(all(&mut lines), []);
        lines.push(b"0\nok\r\n");
        assert_eq!(all(&mut lines), [Line::Whole(b"ok".to_vec())]);
        lines.push(b"12345\n1234\r\n");
        assert_eq!(all(&mut lines), [Line::TooLong, Line::Whole(b"1234".to_vec())]);
    }

    proptest! {
        #[test]
        fn where_the_stream_is_cut_makes_no_difference(bytes in proptest::collection::vec(prop_oneof![Just(b'\n'), Just(b'\r'), Just(b'a')], 0..60), cuts in proptest::collection::vec(0_usize..60, 0..6)) {
            let mut whole = Lines::new(5);
            whole.push(&bytes);
            let expected = all(&mut whole);
            let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).collect();
            cuts.extend([0, bytes.len()]);
            cuts.sort_unstable();
            let mut pieces = Lines::new(5);
            let mut got = Vec::new();
            for pair in cuts.windows(2) {
                pieces.push(&bytes[pair[0]..pair[1]]);
                got.extend(all(&mut pieces));
                prop_assert!(pieces.held.len() <= 6);
            }
            prop_assert_eq!(got, expected);
        }
    }
}
