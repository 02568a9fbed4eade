//! TOML tables read strictly: every mistake is reported at once, each with its line, column, key and what was expected.
//!
//! A reader asks a [`Table`] for the keys it knows. Whatever was not asked for by the time the table is dropped is an
//! unknown key, and the report names the nearest known one.

use std::cell::RefCell;
use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::nearest::{hint, meant};

mod hexadecimal;
mod named;
mod problem;
mod rows;
mod texts;
mod verbatim;
mod words;
mod written;

pub use named::Word;
pub use problem::{Problem, Problems};
pub use texts::quoted;

use problem::Report;
use words::{describe, one_of};

/// Reads a whole file's text with `read`.
///
/// # Errors
/// Every mistake in the TOML, or, if there was none, every one that `read` found.
pub fn read<T>(
    file: &str,
    text: &str,
    read: impl FnOnce(&mut Table<'_>) -> Option<T>,
) -> Result<T, Problems> {
    let report = Report { file, text, problems: RefCell::default() };
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        report.add(error.span().unwrap_or_default(), String::new(), words::plain(error.message()));
    }
    if !errors.is_empty() {
        return Err(report.finish());
    }
    let span = root.span();
    let value = read(&mut Table::new(&report, String::new(), span, root.get_ref()));
    let problems = report.finish();
    match value {
        Some(value) if problems.0.is_empty() => Ok(value),
        _ => Err(problems),
    }
}

/// One table of the file. Dropping it reports the keys that nobody asked for.
#[derive(Debug)]
pub struct Table<'a> {
    report: &'a Report<'a>,
    path: String,
    span: Range<usize>,
    table: &'a DeTable<'a>,
    known: Vec<String>,
}

impl<'a> Table<'a> {
    fn new(report: &'a Report<'a>, path: String, span: Range<usize>, table: &'a DeTable<'a>) -> Self {
        Self { report, path, span, table, known: Vec::new() }
    }

    /// The path of `key` as reports name it.
    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    fn get(&mut self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        if !self.known.iter().any(|known| known == key) {
            self.known.push(key.to_owned());
        }
        self.table.get(key)
    }

    fn wrong(&self, key: &str, value: &Spanned<DeValue<'_>>, expected: &str) {
        let message = format!("expected {expected}, found {}", describe(value.get_ref()));
        self.report.add(value.span(), self.path_of(key), message);
    }

    /// Reports a mistake in the value of `key`, or in the table if the key isn't there.
    pub fn complain(&self, key: &str, message: impl Into<String>) {
        let span = self.table.get(key).map_or(self.span.clone(), Spanned::span);
        self.report.add(span, self.path_of(key), message.into());
    }

    /// Takes over the mistakes found in another file that `key` names.
    pub fn adopt(&self, key: &str, problems: Problems) {
        let start = self.table.get(key).map_or(self.span.start, |value| value.span().start);
        self.report.problems.borrow_mut().extend(problems.0.into_iter().map(|problem| (start, problem)));
    }

    /// Whether the key is there. Makes it a known one.
    pub fn has(&mut self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// Takes what an optional key gave, or reports that it is missing.
    pub fn required<T>(&mut self, key: &str, value: Option<T>) -> Option<T> {
        if value.is_none() && !self.table.contains_key(key) {
            self.complain(key, "is missing");
        }
        value
    }

    /// A string.
    pub fn text(&mut self, key: &str) -> Option<String> {
        let value = self.get(key)?;
        if let DeValue::String(text) = value.get_ref() {
            return Some(text.to_string());
        }
        self.wrong(key, value, "a string");
        None
    }

    /// `true` or `false`.
    pub fn flag(&mut self, key: &str) -> Option<bool> {
        let value = self.get(key)?;
        if let DeValue::Boolean(flag) = value.get_ref() {
            return Some(*flag);
        }
        self.wrong(key, value, "true or false");
        None
    }

    /// A finite number from `min` to `max`, written as an integer or a float.
    pub fn number(&mut self, key: &str, min: f64, max: f64) -> Option<f64> {
        let value = self.get(key)?;
        let number = number(value.get_ref()).filter(|number| (min..=max).contains(number));
        if number.is_none() {
            self.wrong(key, value, &format!("a number from {min} to {max}"));
        }
        number
    }

    /// Numbers, each finite and from `min` to `max`: exactly `N`.
    pub fn numbers<const N: usize>(&mut self, key: &str, min: f64, max: f64) -> Option<[f64; N]> {
        let value = self.get(key)?;
        let numbers: Option<Vec<f64>> = match value.get_ref() {
            DeValue::Array(items) => items
                .iter()
                .map(|item| number(item.get_ref()).filter(|number| (min..=max).contains(number)))
                .collect(),
            _ => None,
        };
        let numbers = numbers.and_then(|numbers| numbers.try_into().ok());
        if numbers.is_none() {
            self.wrong(key, value, &format!("{N} numbers from {min} to {max}"));
        }
        numbers
    }

    /// Numbers, each finite and from `min` to `max`: one at least, and `most` at most.
    pub fn some_numbers(&mut self, key: &str, most: usize, min: f64, max: f64) -> Option<Vec<f64>> {
        let value = self.get(key)?;
        let numbers: Option<Vec<f64>> = match value.get_ref() {
            DeValue::Array(items) => items
                .iter()
                .map(|item| number(item.get_ref()).filter(|number| (min..=max).contains(number)))
                .collect(),
            _ => None,
        };
        let numbers = numbers.filter(|numbers| (1..=most).contains(&numbers.len()));
        if numbers.is_none() {
            self.wrong(key, value, &format!("1 to {most} numbers from {min} to {max}"));
        }
        numbers
    }

    /// A whole number from `min` to `max`.
    pub fn integer(&mut self, key: &str, min: i64, max: i64) -> Option<i64> {
        let value = self.get(key)?;
        let integer = integer(value.get_ref()).filter(|integer| (min..=max).contains(integer));
        if integer.is_none() {
            self.wrong(key, value, &format!("a whole number from {min} to {max}"));
        }
        integer
    }

    /// A time in s from `min` to `max`: a number of seconds, or text such as `"400 days"` or `"1h 30min"`.
    pub fn duration_s(&mut self, key: &str, min: f64, max: f64) -> Option<f64> {
        let value = self.get(key)?;
        let seconds = match value.get_ref() {
            DeValue::String(text) => {
                humantime::parse_duration(text).ok().map(|duration| duration.as_secs_f64())
            }
            other => number(other),
        };
        let seconds = seconds.filter(|seconds| (min..=max).contains(seconds));
        if seconds.is_none() {
            self.wrong(
                key,
                value,
                &format!("a time from {min} to {max} s, as seconds or as text such as \"90s\" or \"2h\""),
            );
        }
        seconds
    }

    /// One of a few words.
    pub fn choice<T: Clone>(&mut self, key: &str, choices: &[(&str, T)]) -> Option<T> {
        let value = self.get(key)?;
        let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
        let DeValue::String(text) = value.get_ref() else {
            self.wrong(key, value, &one_of(&names));
            return None;
        };
        let found = choices.iter().find(|(name, _)| name == text).map(|(_, choice)| choice.clone());
        if found.is_none() {
            let message = format!(
                "expected {}, found {text:?}{}",
                one_of(&names),
                meant(text, &names).unwrap_or_default()
            );
            self.report.add(value.span(), self.path_of(key), message);
        }
        found
    }

    /// A table within this one.
    pub fn table(&mut self, key: &str) -> Option<Table<'a>> {
        let value = self.get(key)?;
        if let DeValue::Table(table) = value.get_ref() {
            return Some(Table::new(self.report, self.path_of(key), value.span(), table));
        }
        self.wrong(key, value, "a table");
        None
    }

    /// The tables of an array of tables; none if the key isn't there.
    pub fn tables(&mut self, key: &str) -> Vec<Table<'a>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            let heading = words::heading(&self.path_of(key));
            self.wrong(key, value, &format!("tables, each beneath a heading [[{heading}]]"));
            return Vec::new();
        };
        let mut tables = Vec::with_capacity(items.len());
        for (index, item) in items.iter().enumerate() {
            let path = format!("{}[{index}]", self.path_of(key));
            match item.get_ref() {
                DeValue::Table(table) => tables.push(Table::new(self.report, path, item.span(), table)),
                _ => self.wrong(key, item, "a table"),
            }
        }
        tables
    }

    /// Its keys and values as they were written, a line each; comments are not among them.
    #[must_use]
    pub fn written(&self) -> String {
        written::table(self.report.text, self.table)
    }

    /// Gives up on the rest of the table: its unknown keys are not reported (its driver is unknown, say).
    pub fn ignore_rest(&mut self) {
        self.known.extend(self.table.keys().map(|key| key.get_ref().to_string()));
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        let known: Vec<&str> = self.known.iter().map(String::as_str).collect();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if !known.contains(&name) {
                let message = format!("unknown key{}", hint(name, &known, "known here"));
                self.report.add(key.span(), self.path_of(name), message);
            }
        }
    }
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok(),
        _ => None,
    }
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    let number: f64 = match value {
        DeValue::Float(float) => float.as_str().parse().ok()?,
        #[expect(clippy::cast_precision_loss, reason = "settings are small")]
        other => integer(other)? as f64,
    };
    number.is_finite().then_some(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problems(text: &str, reader: impl FnOnce(&mut Table<'_>) -> Option<()>) -> Vec<String> {
        let problems = read("t.toml", text, reader).expect_err("the text has mistakes");
        problems.0.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn every_mistake_is_reported_with_its_place() {
        let text = "speed = \"fast\"\nprot = 1\n[[meter]]\nkind = \"wet\"\n[[meter]]\nwait = \"2 parsecs\"\n";
        let found = problems(text, |table| {
            table.number("speed", 1.0, 10.0);
            table.text("port");
            for mut meter in table.tables("meter") {
                meter.choice("kind", &[("wet-ish", 1), ("dry", 2)]);
                meter.duration_s("wait", 0.0, 10.0);
                let name = meter.text("name");
                meter.required("name", name);
            }
            Some(())
        });
        assert_eq!(
            found,
            [
                "t.toml:1:9: speed: expected a number from 1 to 10, found the string \"fast\"",
                "t.toml:2:1: prot: unknown key; did you mean \"port\"?",
                "t.toml:3:1: meter[0].name: is missing",
                "t.toml:4:8: meter[0].kind: expected one of \"wet-ish\", \"dry\", found \"wet\"; did you mean \"wet-ish\"?",
                "t.toml:5:1: meter[1].name: is missing",
                "t.toml:6:8: meter[1].wait: expected a time from 0 to 10 s, as seconds or as text such as \"90s\" or \"2h\", found the string \"2 parsecs\"",
            ]
        );
    }

    #[test]
    fn broken_toml_is_reported_alone() {
        let found = problems("a = [1,\nb = }\n", |_| Some(()));
        assert!(!found.is_empty() && found.iter().all(|line| line.starts_with("t.toml:")), "{found:?}");
    }

    #[test]
    fn infinity_is_not_a_number_here() {
        let found = problems("a = inf\nb = nan\n", |table| {
            table.number("a", f64::MIN, f64::MAX);
            table.number("b", f64::MIN, f64::MAX);
            Some(())
        });
        assert_eq!(found.len(), 2);
    }
}
