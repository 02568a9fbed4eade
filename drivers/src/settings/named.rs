//! What may be told by a name or by a number.

use toml::de::DeValue;

use super::{Table, integer};

/// A name, or a number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Word {
    /// A string.
    Text(String),
    /// A whole number.
    Number(i64),
}

impl Table<'_> {
    /// A string, or a whole number from `min` to `max`. `expected` says what for.
    pub fn word(&mut self, key: &str, min: i64, max: i64, expected: &str) -> Option<Word> {
        let value = self.get(key)?;
        let word = match value.get_ref() {
            DeValue::String(text) => Some(Word::Text(text.to_string())),
            other => integer(other).filter(|number| (min..=max).contains(number)).map(Word::Number),
        };
        if word.is_none() {
            self.wrong(key, value, expected);
        }
        word
    }
}

#[cfg(test)]
mod tests {
    use super::super::read;
    use super::*;

    #[test]
    fn a_word_is_text_or_a_number_within_its_bounds() {
        let text = "a = \"one\"\nb = 1\nc = 10\nd = 1.5\n";
        let problems = read("t.toml", text, |table| {
            assert_eq!(table.word("a", 0, 9, "a digit"), Some(Word::Text("one".to_owned())));
            assert_eq!(table.word("b", 0, 9, "a digit"), Some(Word::Number(1)));
            assert_eq!((table.word("c", 0, 9, "a digit"), table.word("d", 0, 9, "a digit")), (None, None));
            Some(())
        });
        let expected = "t.toml:3:5: c: expected a digit, found the number 10\n\
            t.toml:4:5: d: expected a digit, found the number 1.5";
        assert_eq!(problems.unwrap_err().to_string(), expected);
    }
}
