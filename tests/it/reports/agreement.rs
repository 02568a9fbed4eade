//! Whether a page tells what the JSON has, figure by figure: a map says in which table, row and column each of them stands.
//!
//! Both ways: what a cell says is what is meant by the JSON, to the last digit that is written, and no cell says anything that the map doesn't know of.

use std::collections::{BTreeSet, HashMap};

use serde_json::{Value, json};

use super::told::{Meant, Told};

/// How a figure is told: as it is, in per cent, or in stops where it is in per cent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Scale {
    One,
    Percent,
    Stops,
}

/// How a row begins.
#[derive(Clone, Debug)]
pub(crate) enum Row {
    /// The only one that begins with this.
    Named(String),
    /// This one, counted from 0, which begins with this text, or with this number.
    At(usize, String),
    AtNumber(usize, f64),
}

/// Where a figure of the JSON stands on the page.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    /// The JSON pointer to a figure, a number, or a text, from what is checked.
    pub(crate) pointer: String,
    /// The table's caption.
    pub(crate) table: String,
    pub(crate) row: Row,
    /// The head of the column; of a table of two columns the second, whatever it is called.
    pub(crate) column: String,
    pub(crate) scale: Scale,
}

/// The tables of one section.
pub(crate) struct Tables {
    section: String,
    /// Captions and rows.
    tables: Vec<(String, Vec<Vec<String>>)>,
    /// Cells that were found to be right: table, row and column.
    seen: BTreeSet<[usize; 3]>,
    /// Pointers that were told.
    told: BTreeSet<String>,
}

impl Tables {
    pub(crate) fn of(page: &Value, section: &str) -> Self {
        let here = page["tables"].as_array().unwrap().iter().filter(|table| table["section"] == section);
        let tables = here.map(|table| {
            (
                table["caption"].as_str().unwrap().to_owned(),
                serde_json::from_value(table["rows"].clone()).unwrap(),
            )
        });
        Self {
            section: section.to_owned(),
            tables: tables.collect(),
            seen: BTreeSet::new(),
            told: BTreeSet::new(),
        }
    }

    /// A cell says what the JSON has there, or nothing where that has nothing.
    pub(crate) fn check(&mut self, json: &Value, place: &Place) {
        let meant = json.pointer(&place.pointer).filter(|value| !value.is_null());
        let Some((at, text)) = self.cell(place) else {
            assert!(meant.is_none(), "{}: {place:?} isn't on the page: {meant:?}", self.section);
            return;
        };
        let Some(meant) = meant else {
            assert!(text.is_empty(), "{}: {text} where the JSON has nothing: {place:?}", self.section);
            return;
        };
        let is_right = match meant.as_str() {
            Some(words) => text == words,
            None => Told::cell(&text).is_some_and(|told| told.is(scaled(meant, place.scale))),
        };
        assert!(is_right, "{}: {text:?} is not {meant} ({place:?})", self.section);
        self.seen.insert(at);
        self.told.insert(place.pointer.clone());
    }

    fn cell(&self, place: &Place) -> Option<([usize; 3], String)> {
        let table = self.tables.iter().position(|(caption, _)| *caption == place.table)?;
        let rows = &self.tables[table].1;
        let heads = &rows[0];
        let column = match heads.len() {
            2 => 1,
            _ => heads.iter().position(|head| *head == place.column)?,
        };
        let row = match &place.row {
            Row::Named(name) => {
                let found: Vec<usize> = (1..rows.len()).filter(|row| rows[*row][0] == *name).collect();
                assert!(found.len() <= 1, "{name} stands twice");
                *found.first()?
            }
            Row::At(row, name) => {
                assert_eq!(rows[row + 1][0], *name, "{place:?}");
                row + 1
            }
            Row::AtNumber(row, number) => {
                let head = &rows.get(row + 1)?[0];
                let exactly = Meant { value: *number, low: *number, high: *number };
                assert!(Told::cell(head).unwrap().is(exactly), "{head} is not {number}: {place:?}");
                row + 1
            }
        };
        Some(([table, row, column], rows[row][column].clone()))
    }

    /// No cell has a digit that wasn't held against the JSON, but those beginning with one of these words.
    pub(crate) fn has_nothing_else(&self, but: &[&str]) {
        for (table, (caption, rows)) in self.tables.iter().enumerate() {
            for (row, cells) in rows.iter().enumerate().skip(1) {
                for (column, cell) in cells.iter().enumerate().skip(1) {
                    let has_digit = cell.contains(|sign: char| sign.is_ascii_digit());
                    let is_left_out =
                        but.contains(&cells[0].as_str()) || but.contains(&rows[0][column].as_str());
                    assert!(
                        !has_digit || is_left_out || self.seen.contains(&[table, row, column]),
                        "{}, {caption}: {cell:?} in the row {:?} stands nowhere in the JSON",
                        self.section,
                        cells[0]
                    );
                }
            }
        }
    }

    /// Whether a figure is in a table, by itself or by one that is the same.
    pub(crate) fn has(&self, json: &Value, pointer: &str) -> bool {
        let figure = json.pointer(pointer);
        self.told.iter().any(|told| told == pointer || json.pointer(told) == figure)
    }
}

/// A figure, or a number, by a scale.
pub(crate) fn scaled(json: &Value, scale: Scale) -> Meant {
    let exactly = json.as_f64();
    let end = |name: &str| {
        let value =
            exactly.unwrap_or_else(|| json[name].as_f64().unwrap_or_else(|| panic!("{json} has no {name}")));
        match scale {
            Scale::One => value,
            Scale::Percent => 100.0 * value,
            Scale::Stops => (1.0 + value / 100.0).log2(),
        }
    };
    Meant { value: end("value"), low: end("low"), high: end("high") }
}

/// JSON pointers to every figure within a value.
pub(crate) fn figures(value: &Value) -> Vec<String> {
    let mut found = Vec::new();
    gather(value, "", &mut found);
    found
}

fn gather(value: &Value, at: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(members) if members.contains_key("low") && members.contains_key("coverage") => {
            found.push(at.to_owned());
        }
        Value::Object(members) => {
            members.iter().for_each(|(name, member)| gather(member, &format!("{at}/{name}"), found));
        }
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(index, item)| gather(item, &format!("{at}/{index}"), found));
        }
        _ => {}
    }
}

/// The unit of each figure, by its numbers: in which scale a text has to tell it. From the lines of a CSV.
#[derive(Debug, Default)]
pub(crate) struct Units(HashMap<[u64; 3], BTreeSet<String>>);

impl Units {
    /// Of the lines of a CSV that have a figure.
    pub(crate) fn of(rows: &[HashMap<String, String>]) -> Self {
        let mut units = Self::default();
        for row in rows.iter().filter(|row| !row["low"].is_empty()) {
            let numbers = ["value", "low", "high"].map(|name| row[name].parse::<f64>().unwrap().to_bits());
            units.0.entry(numbers).or_default().insert(row["unit"].clone());
        }
        units
    }

    /// The same with a figure that has this unit.
    pub(crate) fn with(mut self, figure: &Value, unit: &str) -> Self {
        self.0.entry(numbers(figure)).or_default().insert(unit.to_owned());
        self
    }

    /// Whether what is told is this figure, in the scale that its unit has: what is in per cent has the sign behind it, and a bare number that has it is a hundred times itself.
    fn is(&self, (told, in_percent): &(Told, bool), figure: &Value) -> bool {
        let units =
            self.0.get(&numbers(figure)).unwrap_or_else(|| panic!("{figure} is in no line of the CSV"));
        units.iter().any(|unit| {
            // A share by the minute or by the hour is a share.
            let is_share = unit == "1" || unit.starts_with("1/");
            let scale = match (unit.as_str(), in_percent) {
                ("%", true) => Scale::One,
                (_, true) if is_share => Scale::Percent,
                ("%", false) | (_, true) => return false,
                (_, false) => Scale::One,
            };
            told.is(scaled(figure, scale))
        })
    }

    /// Whether a text tells a figure, whatever else it tells.
    pub(crate) fn tells(&self, text: &str, figure: &Value) -> bool {
        Told::all(text).iter().any(|told| self.is(told, figure))
    }

    /// Everything that a text tells with an interval is one of these figures, and every other bound one of these limits.
    pub(crate) fn tells_nothing_else(&self, text: &str, figures: &[&Value], limits: &[f64]) {
        let is_limit = |told: &Told| match told {
            Told::AtMost(bound) => limits.iter().any(|limit| (limit - bound.value).abs() <= 0.5 * bound.step),
            _ => false,
        };
        for told in Told::all(text).into_iter().filter(|(told, _)| told.is_sure() && !is_limit(told)) {
            let is_one = figures.iter().any(|figure| self.is(&told, figure));
            assert!(is_one, "{told:?} stands nowhere in the JSON: {text}");
        }
    }
}

fn numbers(figure: &Value) -> [u64; 3] {
    ["value", "low", "high"].map(|name| figure[name].as_f64().unwrap().to_bits())
}

#[test]
fn a_share_that_is_told_a_hundred_times_too_large_or_too_small_is_another_figure() {
    let share = json!({"value": 0.032, "low": 0.031, "high": 0.033});
    let percent = json!({"value": 3.2, "low": 3.1, "high": 3.3});
    let units = Units::default().with(&share, "1").with(&percent, "%");
    for (text, figure, is_it) in [
        ("off by 3.20 ± 0.10 % there", &share, true),
        ("off by 0.032 ± 0.001 there", &share, true),
        ("off by 3.20 ± 0.10 there", &share, false),
        ("off by 0.032 ± 0.001 % there", &share, false),
        ("off by 320 ± 10 % there", &share, false),
        ("off by 3.20 ± 0.10 % there", &percent, true),
        ("off by 320 ± 10 % there", &percent, false),
        ("off by 3.20 ± 0.10 there", &percent, false),
    ] {
        assert_eq!(units.tells(text, figure), is_it, "{text} of {figure}");
    }
}
