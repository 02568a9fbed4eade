//! Strings of an array, and the place of each.

use toml::de::DeValue;

use super::Table;
use super::words::describe;
use crate::nearest::hint;

impl Table<'_> {
    /// Strings: an array of them, or a single one. What is no string is reported where it stands.
    pub fn texts(&mut self, key: &str) -> Option<Vec<String>> {
        let value = self.get(key)?;
        let items = match value.get_ref() {
            DeValue::String(text) => return Some(vec![text.to_string()]),
            DeValue::Array(items) => items,
            _ => {
                self.wrong(key, value, "a string or a list of strings");
                return None;
            }
        };
        let mut texts = Some(Vec::with_capacity(items.len()));
        for (index, item) in items.iter().enumerate() {
            match item.get_ref() {
                DeValue::String(text) => texts.iter_mut().for_each(|texts| texts.push(text.to_string())),
                other => {
                    self.complain_of(key, index, format!("expected a string, found {}", describe(other)));
                    texts = None;
                }
            }
        }
        texts
    }

    /// Words, each one of those that are known: an array of them, or a single one. What is none is reported where it stands, with the
    /// nearest.
    pub fn choices<T: Clone>(&mut self, key: &str, choices: &[(&str, T)]) -> Option<Vec<T>> {
        let value = self.get(key)?;
        // What is no string is reported on the way.
        let mut chosen = self.texts(key).map(|texts| Vec::with_capacity(texts.len()));
        let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
        let items = match value.get_ref() {
            DeValue::Array(items) => items.iter().map(toml::Spanned::get_ref).collect(),
            single => vec![single],
        };
        for (index, item) in items.into_iter().enumerate() {
            let DeValue::String(text) = item else { continue };
            if let Some((_, choice)) = choices.iter().find(|(name, _)| name == text) {
                chosen.iter_mut().for_each(|chosen| chosen.push(choice.clone()));
                continue;
            }
            let hint = hint(text, &names, "known here");
            self.complain_of(key, index, format!("there is no {text:?}{hint}"));
            chosen = None;
        }
        chosen
    }

    /// Reports a mistake in one of the [`texts`](Self::texts) of `key`, where it stands.
    pub fn complain_of(&self, key: &str, index: usize, message: impl Into<String>) {
        let item = match self.table.get(key).map(toml::Spanned::get_ref) {
            Some(DeValue::Array(items)) => items.get(index),
            _ => None,
        };
        match item {
            Some(item) => {
                let path = format!("{}[{index}]", self.path_of(key));
                self.report.add(item.span(), path, message.into());
            }
            None => self.complain(key, message),
        }
    }
}

/// A string as one would write it in TOML: in single quotes, which leave backslashes alone, where that can be.
#[must_use]
pub fn quoted(text: &str) -> String {
    if text.chars().any(|c| c == '\'' || c.is_control()) { format!("{text:?}") } else { format!("'{text}'") }
}

#[cfg(test)]
mod tests {
    use super::super::read;
    use super::*;

    #[test]
    fn what_is_no_string_among_strings_is_reported_where_it_stands() {
        let text = "send = [\"a\",\n  5,\n  'c', true]\nanswer = 7\n";
        let problems = read("t.toml", text, |table| {
            assert_eq!((table.texts("send"), table.texts("answer")), (None, None));
            Some(())
        });
        let expected = "t.toml:2:3: send[1]: expected a string, found the number 5\n\
            t.toml:3:8: send[3]: expected a string, found true\n\
            t.toml:4:10: answer: expected a string or a list of strings, found the number 7";
        assert_eq!(problems.unwrap_err().to_string(), expected);
    }

    #[test]
    fn a_complaint_of_one_among_strings_points_at_it() {
        let text = "one = 'a'\nmany = ['a',\n'b']\n";
        let problems = read("t.toml", text, |table| {
            assert!(table.texts("one").is_some() && table.texts("many").is_some());
            table.complain_of("one", 0, "is wrong");
            table.complain_of("many", 1, "is wrong");
            Some(())
        });
        assert_eq!(
            problems.unwrap_err().to_string(),
            "t.toml:1:7: one: is wrong\nt.toml:3:1: many[1]: is wrong"
        );
    }

    #[test]
    fn what_is_none_of_the_words_that_are_known_is_reported_where_it_stands_with_the_nearest() {
        let text = "a = ['red', 'green']\nb = ['red', 'gren', 5]\nc = 'zzz'\nd = ['red', 'gren']\n";
        let problems = read("t.toml", text, |table| {
            let colours = [("red", 1), ("green", 2)];
            assert_eq!(table.choices("a", &colours), Some(vec![1, 2]));
            for key in ["b", "c", "d"] {
                assert_eq!(table.choices(key, &colours), None);
            }
            Some(())
        });
        let expected = "t.toml:2:13: b[1]: there is no \"gren\"; did you mean \"green\"?\n\
            t.toml:2:21: b[2]: expected a string, found the number 5\n\
            t.toml:3:5: c: there is no \"zzz\"; known here: red, green\n\
            t.toml:4:13: d[1]: there is no \"gren\"; did you mean \"green\"?";
        assert_eq!(problems.unwrap_err().to_string(), expected);
    }

    #[test]
    fn a_quoted_string_can_be_pasted_back_into_toml() {
        for text in [r"^(?<Y>\d+) lx$", "it's \\d", "a\tb"] {
            let written = format!("t = {}\n", quoted(text));
            assert_eq!(read("t.toml", &written, |table| table.text("t")).unwrap(), text, "{written}");
        }
        assert_eq!(quoted(r"\d+"), r"'\d+'");
    }

    #[test]
    fn a_backslash_that_toml_does_not_know_comes_with_advice() {
        for text in ["answer = \"^(\\d+)$\"\n", "answer = [\"a\", \"\\s\"]\n"] {
            let problems = read("t.toml", text, |table| table.texts("answer")).unwrap_err();
            assert!(problems.to_string().contains("within single quotes a backslash"), "{problems}");
        }
        let problems = read("t.toml", "a = }\n", |table| table.texts("a")).unwrap_err();
        assert!(!problems.to_string().contains("backslash"), "{problems}");
    }
}
