//! What a value is, and what is wrong with a text that isn't TOML: in the words of whoever wrote it.

use std::fmt::Write as _;

use toml::de::DeValue;

use super::hexadecimal;

/// `one of "red", "green"`.
pub(super) fn one_of(names: &[&str]) -> String {
    let quoted: Vec<String> = names.iter().map(|name| format!("{name:?}")).collect();
    match quoted.as_slice() {
        [only] => only.clone(),
        _ => format!("one of {}", quoted.join(", ")),
    }
}

/// What a value is, in words.
pub(super) fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the string {text:?}"),
        DeValue::Integer(integer) => format!("the number {}", hexadecimal::as_written(integer)),
        DeValue::Float(float) => format!("the number {}", float.as_str()),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Datetime(_) => "a date or time".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// The heading of a table by its path: `set.sequence` of `set[0].sequence`.
pub(super) fn heading(path: &str) -> String {
    path.split('[').map(|part| part.split_once(']').map_or(part, |(_, rest)| rest)).collect()
}

/// What the parser says of a text that isn't TOML, by how it begins, and the same for whoever wrote the text.
const MISTAKES: [(&str, &str); 23] = [
    (
        "string values must be quoted",
        "text stands in quotes, as in \"5min\"; without them only numbers, true and false can be written",
    ),
    (
        "invalid basic string",
        "the quote \" that begins this text isn't closed on its line, or something in it isn't allowed there",
    ),
    ("invalid literal string", "the quote ' that begins this text isn't closed on its line"),
    (
        "invalid multi-line",
        "the three quotes that begin this text aren't closed, or something in it isn't allowed there",
    ),
    ("invalid boolean", "expected true or false; text stands in quotes"),
    ("invalid value", "expected a value: a number, text in quotes, true, false, or a list in [ ]"),
    ("missing value", "expected a value: a number, text in quotes, true, false, or a list in [ ]"),
    ("key with no value", "a key has a value behind it: key = value"),
    ("missing assignment", "a key has a value behind it: key = value"),
    ("extra assignment", "there is one = too many"),
    ("extra `=`", "there is one = too many"),
    (
        "unquoted keys cannot be empty",
        "a key is missing; keys are letters, digits, - and _, with one . between the names of two",
    ),
    ("invalid unquoted key", "keys are letters, digits, - and _, without quotes or spaces"),
    (
        "unexpected key or value",
        "this line goes on where it should end: one key = value a line, a comment behind #, and 1.5 rather than 1,5",
    ),
    (
        "unexpected content",
        "this line goes on where it should end: one key = value a line, and a comment behind #",
    ),
    ("unclosed array table", "the heading isn't closed: [[name]]"),
    ("unclosed table", "the heading isn't closed: [name]"),
    ("unclosed array", "the list isn't closed: [1, 2]"),
    ("unclosed inline table", "the { isn't closed"),
    ("missing comma", "a comma is missing between two values"),
    ("extra comma", "there is one comma too many"),
    (
        "duplicate key",
        "this is there already, further up; where there are several of a kind, each has a heading in two brackets: [[name]]",
    ),
    ("unexpected leading zero", "a number doesn't begin with 0 unless a point follows: 8 rather than 08"),
];

/// What is wrong with a text that isn't TOML, with what helps where a backslash is in the way.
pub(super) fn plain(message: &str) -> String {
    let known = MISTAKES.iter().find(|(parsers, _)| message.starts_with(parsers));
    let mut words = match known {
        Some((_, words)) if !message.contains("escape") => (*words).to_owned(),
        _ => message.to_owned(),
    };
    if message.contains("escape") {
        let _infallible = write!(
            words,
            "; within single quotes a backslash stands for itself, as regular expressions want it: '\\d+'"
        );
    }
    words
}

#[cfg(test)]
mod tests {
    use super::super::read;
    use super::heading;

    #[test]
    fn a_table_is_named_by_its_heading_where_tables_are_wanted() {
        assert_eq!([heading("set"), heading("set[0].sequence")], ["set", "set.sequence"]);
        let problems = read("t.toml", "set = 3\n", |table| {
            table.tables("set");
            Some(())
        });
        let words = problems.unwrap_err().to_string();
        assert_eq!(
            words,
            "t.toml:1:7: set: expected tables, each beneath a heading [[set]], found the number 3"
        );
    }

    /// What is said of a text that isn't TOML.
    fn said(text: &str) -> Vec<String> {
        let problems = read("t.toml", text, |_| Some(())).expect_err("it is no TOML");
        problems.0.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn what_is_no_toml_is_told_in_words_that_say_how_to_write_it() {
        for (text, begin) in [
            ("title = T\n", "t.toml:1:9: expected true or false; text stands in quotes"),
            ("hold = 5min\n", "t.toml:1:8: text stands in quotes"),
            ("steps = 5 %\n", "t.toml:1:9: text stands in quotes"),
            ("[[set]\n", "t.toml:1:7: the heading isn't closed: [[name]]"),
            ("title = \"a\n", "t.toml:1:11: the quote \" that begins"),
            ("x = 'a\n", "t.toml:1:7: the quote ' that begins"),
            ("title = \"a\" x\n", "t.toml:1:13: this line goes on where it should end"),
            ("x = 1,5\n", "t.toml:1:6: this line goes on where it should end"),
            ("title \"T\"\n", "t.toml:1:7: a key has a value behind it"),
            ("= 3\n", "t.toml:1:1: a key is missing"),
            ("title = [1,\n", "t.toml:1:12: the list isn't closed"),
            ("a = 1\na = 2\n", "t.toml:2:1: this is there already"),
            ("[set]\n[set]\n", "t.toml:2:2: this is there already, further up"),
            ("bits = 08\n", "t.toml:1:8: a number doesn't begin with 0"),
            ("\u{201c}title\u{201d} = 1\n", "t.toml:1:1: keys are letters, digits"),
        ] {
            let found = said(text);
            assert!(found[0].starts_with(begin), "{text}: {begin} is not how this begins: {found:?}");
            for programmers in ["ident", "literal", "newline", "inline", "array", "basic string"] {
                assert!(!found[0].contains(programmers), "{found:?}");
            }
        }
    }
}
