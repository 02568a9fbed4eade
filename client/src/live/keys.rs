//! Keys, out of the bytes that a terminal sends.

/// A key that means something here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// A sign that was typed.
    Sign(char),
    /// The arrow up.
    Up,
    /// The arrow down.
    Down,
    /// Escape by itself.
    Escape,
    /// Ctrl-C.
    Interrupt,
    /// Ctrl-Z.
    Suspend,
    /// Ctrl-L.
    Redraw,
}

/// What was read, up to a sequence that isn't whole yet.
#[derive(Clone, Debug, Default)]
pub struct Keys {
    rest: Vec<u8>,
}

/// The most bytes that a sequence may have: longer ones are none.
const LONGEST: usize = 32;

impl Keys {
    /// Takes bytes, and gives the keys in them. A sequence that is cut off goes on with the next bytes; what means nothing here is
    /// left out.
    pub fn take(&mut self, bytes: &[u8]) -> Vec<Key> {
        // It was told as a key already: what comes later and goes on with no sequence is a key of its own.
        if self.rest == [ESCAPE] && !bytes.is_empty() && !matches!(bytes, [b'[' | b'O', ..]) {
            self.rest.clear();
        }
        self.rest.extend_from_slice(bytes);
        let mut keys = Vec::new();
        let mut at = 0;
        while let Some(rest) = self.rest.get(at..).filter(|rest| !rest.is_empty()) {
            match first(rest) {
                Some((key, length)) => {
                    keys.extend(key);
                    at += length;
                }
                None if rest.len() > LONGEST => at += 1,
                None => break,
            }
        }
        self.rest.drain(..at);
        // Escape by itself can't be told from the beginning of a sequence but by the pause behind it.
        if self.rest == [ESCAPE] {
            keys.push(Key::Escape);
        }
        keys
    }
}

const ESCAPE: u8 = 0x1b;

/// The first key, if it means something, and how many bytes it takes; nothing where more must come.
fn first(bytes: &[u8]) -> Option<(Option<Key>, usize)> {
    match bytes {
        [ESCAPE, b'[' | b'O', rest @ ..] => {
            let end = rest.iter().position(|byte| (0x40..=0x7e).contains(byte))?;
            let key = match rest.get(end) {
                Some(b'A') => Some(Key::Up),
                Some(b'B') => Some(Key::Down),
                _ => None,
            };
            Some((key, end + 3))
        }
        [ESCAPE] => None,
        // With Alt.
        [ESCAPE, _, ..] => Some((None, 2)),
        [0x03, ..] => Some((Some(Key::Interrupt), 1)),
        [0x1a, ..] => Some((Some(Key::Suspend), 1)),
        [0x0c, ..] => Some((Some(Key::Redraw), 1)),
        [byte, ..] => {
            let sign = char::from(*byte);
            Some(((' '..='~').contains(&sign).then_some(Key::Sign(sign)), 1))
        }
        [] => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_told_from_sequences_wherever_those_are_cut_off() {
        let typed = b"q\x1b[A\x1bOB2\x1b[1;5C\x03\x1a\x0cm?";
        let whole = Keys::default().take(typed);
        let expected = [
            Key::Sign('q'),
            Key::Up,
            Key::Down,
            Key::Sign('2'),
            Key::Interrupt,
            Key::Suspend,
            Key::Redraw,
            Key::Sign('m'),
            Key::Sign('?'),
        ];
        assert_eq!(whole, expected);
        for cut in 1..typed.len() {
            let mut keys = Keys::default();
            let mut found = keys.take(&typed[..cut]);
            found.extend(keys.take(&typed[cut..]));
            // Escape is taken for itself where nothing comes behind it yet: it does no harm.
            found.retain(|key| *key != Key::Escape);
            assert_eq!(found, expected, "cut at {cut}");
        }
    }

    #[test]
    fn nonsense_is_left_out_and_takes_no_room() {
        let mut keys = Keys::default();
        assert_eq!(keys.take(b"\xc3\xa4\x01\x7f"), []);
        for _ in 0..1000 {
            keys.take(b"\x1b[00000000000000000000000000000000000000");
        }
        assert!(keys.rest.len() <= 64, "{}", keys.rest.len());
        assert_eq!(Keys::default().take(b"\x1b"), [Key::Escape]);
    }

    #[test]
    fn the_key_behind_escape_counts_and_one_with_alt_does_not() {
        let mut keys = Keys::default();
        let mut typed = |bytes: &[u8]| keys.take(bytes);
        assert_eq!(typed(b"\x1b"), [Key::Escape]);
        assert_eq!(typed(b"?"), [Key::Sign('?')]);
        assert_eq!([typed(b"\x1b"), typed(b"\x1b")].concat(), [Key::Escape, Key::Escape]);
        assert_eq!(typed(b"\x1b[A"), [Key::Up]);
        // Both at once are a key with Alt, which means nothing here.
        assert_eq!(typed(b"\x1bq"), []);
    }
}
