//! An answer that holds a spectrum: separated values in the groups named `spectrum`, over one line or many.

use regex::Regex;
use settled_protocol::spectrum::{MOST_VALUES, Spectrum, WAVELENGTHS_NM};

use super::answer::{Numbers, captures, number};
use crate::fault::{Fault, FaultKind};
use crate::link::line::{LONGEST, excerpt};
use crate::settings::Table;

/// The group that holds the values.
pub(super) const GROUP: &str = "spectrum";

/// Groups by which the instrument tells its wavelengths.
const TOLD: [&str; 2] = ["start_nm", "step_nm"];

/// Bytes of a value at most, its separator included: all digits of an `f64`, a sign, an exponent, and blanks.
const VALUE_BYTES: usize = 32;

/// How an answer tells a spectrum.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectral {
    /// The first wavelength and the step, in nm, each where the instrument doesn't tell it.
    wavelengths_nm: [Option<f64>; 2],
    /// What stands between two values; blanks if it is one.
    separator: String,
    /// What one of the instrument's units is in W·sr⁻¹·m⁻²·nm⁻¹ (W·m⁻²·nm⁻¹ where the unit is lx).
    scale: f64,
    /// How often the line with the values comes.
    lines: usize,
    /// How many values there are in all, where that is known.
    values: Option<usize>,
}

impl Spectral {
    /// Reads `spectrum` of the table `measure`, whose answer has these patterns; nothing if the answer has no spectrum, or if
    /// something is wrong with it.
    pub(super) fn read(measure: &mut Table<'_>, patterns: &[Regex]) -> Option<Self> {
        let has = |name: &str| {
            patterns.iter().any(|pattern| pattern.capture_names().flatten().any(|group| group == name))
        };
        let settings = measure.table(GROUP).map(|mut table| Self::keys(&mut table));
        if !has(GROUP) {
            if settings.is_some() {
                measure.complain(GROUP, "needs an answer with the named group spectrum");
            }
            for name in TOLD.into_iter().filter(|name| has(name)) {
                measure.complain("answer", format!("the group {name:?} needs the group spectrum"));
            }
            return None;
        }
        let spectral = settings.unwrap_or_else(|| Self::usual([None; 2]));
        let mut right = true;
        for (name, key) in TOLD.into_iter().zip(spectral.wavelengths_nm) {
            let problem = match (has(name), key) {
                (true, Some(_)) => {
                    format!("{name} is both a key and a group of the answer: which one is it?")
                }
                (false, None) => format!("needs the key {name}, or the answer a group of that name"),
                _ => continue,
            };
            measure.complain(GROUP, problem);
            right = false;
        }
        right.then_some(spectral)
    }

    fn usual(wavelengths_nm: [Option<f64>; 2]) -> Self {
        Self { wavelengths_nm, separator: ",".to_owned(), scale: 1.0, lines: 1, values: None }
    }

    fn keys(table: &mut Table<'_>) -> Self {
        let [start_nm, step_nm] = TOLD;
        let usual = Self::usual([
            table.number(start_nm, WAVELENGTHS_NM.0, WAVELENGTHS_NM.1),
            table.number(step_nm, 0.01, 1000.0),
        ]);
        let separator = table.text("separator");
        if separator
            .as_ref()
            .is_some_and(|separator| separator.is_empty() || separator.chars().any(|c| c.is_ascii_digit()))
        {
            table.complain("separator", "expected what stands between two values: not nothing, and no digit");
        }
        let most = i64::try_from(MOST_VALUES).unwrap_or(i64::MAX);
        let count = |number: Option<i64>| number.and_then(|number| usize::try_from(number).ok());
        Self {
            separator: separator.unwrap_or(usual.separator),
            scale: table.number("scale", 1e-12, 1e12).unwrap_or(usual.scale),
            lines: count(table.integer("lines", 1, most)).unwrap_or(usual.lines),
            values: count(table.integer("values", 2, most)),
            wavelengths_nm: usual.wavelengths_nm,
        }
    }

    /// The patterns of the whole answer: the one with the values as often as its line comes.
    pub(super) fn repeated(&self, patterns: &[Regex]) -> Vec<Regex> {
        let times = |pattern: &Regex| if holds_values(pattern) { self.lines } else { 1 };
        patterns.iter().flat_map(|pattern| std::iter::repeat_n(pattern.clone(), times(pattern))).collect()
    }

    /// The longest line there may be, in bytes.
    pub(super) fn longest_line(&self) -> usize {
        LONGEST + VALUE_BYTES * self.values.unwrap_or(MOST_VALUES)
    }

    /// The spectrum in lines that fit their patterns; `numbers` are what else is in them.
    ///
    /// # Errors
    /// `Garbled` if a value is no number, or they make no spectrum.
    pub(super) fn spectrum(
        &self,
        patterns: &[Regex],
        lines: &[String],
        numbers: &Numbers<'_>,
    ) -> Result<Spectrum, Fault> {
        let mut values = Vec::new();
        for (pattern, line) in patterns.iter().zip(lines).filter(|(pattern, _)| holds_values(pattern)) {
            let captures = captures(pattern, line)?;
            let text = captures.name(GROUP).map_or("", |group| group.as_str());
            for piece in self.pieces(text) {
                if values.len() == MOST_VALUES {
                    return Err(garbled(format!("the spectrum has more than {MOST_VALUES} values")));
                }
                values.push(number("a value of the spectrum", piece)? * self.scale);
            }
        }
        if let Some(expected) = self.values.filter(|expected| *expected != values.len()) {
            return Err(garbled(format!(
                "the spectrum has {} values where {expected} are expected",
                values.len()
            )));
        }
        let told = |place: usize| match self.wavelengths_nm.get(place).copied().flatten() {
            Some(known) => Ok(known),
            None => numbers.need(TOLD.get(place).copied().unwrap_or_default()),
        };
        Spectrum::new(told(0)?, told(1)?, values).map_err(|error| {
            let text = lines.first().map_or_else(String::new, |line| excerpt(line));
            garbled(format!("the answer {text} is no spectrum")).because(error)
        })
    }

    fn pieces<'a>(&'a self, text: &'a str) -> Box<dyn Iterator<Item = &'a str> + 'a> {
        if self.separator.trim().is_empty() {
            Box::new(text.split_whitespace())
        } else {
            Box::new(text.split(self.separator.as_str()))
        }
    }
}

fn holds_values(pattern: &Regex) -> bool {
    pattern.capture_names().flatten().any(|group| group == GROUP)
}

fn garbled(detail: String) -> Fault {
    Fault::new(FaultKind::Garbled, detail)
}

#[cfg(test)]
mod tests;
