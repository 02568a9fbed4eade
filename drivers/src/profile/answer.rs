//! From the lines of an answer to a sample: named groups of regular expressions hold the numbers.

use std::ops::RangeInclusive;

use regex::{Captures, Regex};
use settled_protocol::quantity::{Chromaticity, Light, Photometric, Xyz};

use crate::fault::{Fault, FaultKind};
use crate::link::line::excerpt;
use crate::sample::{Sample, Seen};
use crate::settings::{Table, quoted};

use super::spectral;

/// Groups that a measurement's answer may have.
pub(super) const GROUPS: &[&str] = &[
    "Y",
    "x",
    "y",
    "X",
    "Z",
    "u_prime",
    "v_prime",
    "temperature_c",
    "integration_s",
    "integration_ms",
    "spectrum",
    "start_nm",
    "step_nm",
];

/// Integration times and temperatures that there are, in s and °C.
const INTEGRATION_S: RangeInclusive<f64> = 1e-6..=3600.0;
const TEMPERATURE_C: RangeInclusive<f64> = -100.0..=200.0;

/// Which groups tell the colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Colour {
    None,
    Xy,
    Uv,
    Xyz,
    /// It is summed up from a spectrum.
    Spectrum,
}

/// What an answer to a measurement is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shape {
    colour: Colour,
}

fn groups(patterns: &[Regex]) -> impl Iterator<Item = &str> {
    patterns.iter().flat_map(|pattern| pattern.capture_names().flatten())
}

/// Whether an answer tells `name`.
pub(super) fn has_group(patterns: &[Regex], name: &str) -> bool {
    groups(patterns).any(|group| group == name)
}

/// Complains of groups that mean nothing here, or are there twice. True if there were none.
pub(super) fn check_groups(table: &Table<'_>, key: &str, patterns: &[Regex], known: &[&str]) -> bool {
    let mut right = true;
    let mut seen = Vec::new();
    let named = patterns
        .iter()
        .enumerate()
        .flat_map(|(index, pattern)| pattern.capture_names().flatten().map(move |name| (index, name)));
    for (index, name) in named {
        if !known.contains(&name) {
            table.complain_of(key, index, format!("unknown group {name:?}; known: {}", known.join(", ")));
            right = false;
        }
        if name != spectral::GROUP && seen.contains(&name) {
            table.complain_of(key, index, format!("the group {name:?} is there more than once"));
            right = false;
        }
        seen.push(name);
    }
    right
}

impl Shape {
    /// The shape that the groups make.
    ///
    /// # Errors
    /// A sentence that says what is missing or too much.
    pub(super) fn of(patterns: &[Regex]) -> Result<Self, String> {
        let has = |name: &str| groups(patterns).any(|group| group == name);
        let light = ["Y", "x", "y", "X", "Z", "u_prime", "v_prime"].into_iter().find(|name| has(name));
        match (has(spectral::GROUP), light) {
            (true, Some(name)) => {
                return Err(format!(
                    "a spectrum is summed up to light: the group {name} must not be there beside it"
                ));
            }
            (true, None) => return Ok(Self { colour: Colour::Spectrum }),
            (false, _) if !has("Y") => {
                return Err("expected a named group Y, such as (?<Y>[-+0-9.Ee]+), or spectrum".to_owned());
            }
            _ => {}
        }
        let pairs = [(Colour::Xy, "x", "y"), (Colour::Uv, "u_prime", "v_prime"), (Colour::Xyz, "X", "Z")];
        let mut found = Vec::new();
        for (colour, one, other) in pairs {
            match (has(one), has(other)) {
                (true, true) => found.push(colour),
                (false, false) => {}
                _ => return Err(format!("expected the groups {one} and {other} together")),
            }
        }
        match found.as_slice() {
            [] => Ok(Self { colour: Colour::None }),
            [colour] => Ok(Self { colour: *colour }),
            _ => {
                Err("expected one way to tell the colour: x and y, u_prime and v_prime, or X and Z"
                    .to_owned())
            }
        }
    }

    /// Whether there is a colour.
    #[must_use]
    pub fn has_colour(self) -> bool {
        self.colour != Colour::None
    }

    /// Whether all of it is summed up from a spectrum.
    #[must_use]
    pub fn is_spectral(self) -> bool {
        self.colour == Colour::Spectrum
    }
}

/// Numbers by the names of their groups.
pub(super) struct Numbers<'a>(Vec<(&'a str, f64)>);

impl<'a> Numbers<'a> {
    /// The numbers in lines that have been matched. A group that took no part gives none.
    pub(super) fn read(patterns: &'a [Regex], lines: &[String]) -> Result<Self, Fault> {
        let mut numbers = Vec::new();
        for (pattern, line) in patterns.iter().zip(lines) {
            let captures = captures(pattern, line)?;
            for name in pattern.capture_names().flatten().filter(|name| *name != spectral::GROUP) {
                if let Some(group) = captures.name(name) {
                    numbers.push((name, number(name, group.as_str())?));
                }
            }
        }
        Ok(Self(numbers))
    }

    fn get(&self, name: &str) -> Option<f64> {
        self.0.iter().find(|(known, _)| *known == name).map(|(_, number)| *number)
    }

    pub(super) fn need(&self, name: &str) -> Result<f64, Fault> {
        self.get(name).ok_or_else(|| Fault::new(FaultKind::Garbled, format!("the answer has no {name}")))
    }

    /// The sample of what was seen. `asked_s` is the integration time it was told to use. A time or a temperature that can't be is
    /// not known: some instruments say 0, or something absurd, where they have none.
    pub(super) fn sample(&self, seen: Seen, asked_s: Option<f64>) -> Sample {
        let told_s = self.get("integration_s").or_else(|| self.get("integration_ms").map(|ms| ms / 1000.0));
        let integration_s = told_s.or(asked_s).filter(|s| INTEGRATION_S.contains(s));
        let temperature_c = self.get("temperature_c").filter(|t| TEMPERATURE_C.contains(t));
        Sample { seen, integration_s, temperature_c }
    }

    /// The light, with amounts in the instrument's unit.
    pub(super) fn light(
        &self,
        shape: Shape,
        (photometric, scale): (Photometric, f64),
    ) -> Result<Light, Fault> {
        let unphysical =
            |error| Fault::new(FaultKind::Garbled, "the answer's numbers are no light").because(error);
        let amount = self.need("Y")? * scale;
        let coloured = |colour: Chromaticity| Xyz::from_chromaticity(colour, amount);
        let xyz = match shape.colour {
            Colour::None | Colour::Spectrum => return Light::amount(photometric, amount).map_err(unphysical),
            Colour::Xyz => {
                Xyz::new(self.need("X")? * scale, amount, self.need("Z")? * scale).map_err(unphysical)?
            }
            // Too dark for a colour, instruments say 0, 0 or leave it out.
            Colour::Xy => match self
                .get("x")
                .zip(self.get("y"))
                .map(|(x, y)| Chromaticity::from_xy(x, y).and_then(coloured))
            {
                Some(Ok(xyz)) => xyz,
                _ => return Light::amount(photometric, amount).map_err(unphysical),
            },
            Colour::Uv => match self
                .get("u_prime")
                .zip(self.get("v_prime"))
                .map(|(u, v)| Chromaticity::from_uv(u, v).and_then(coloured))
            {
                Some(Ok(xyz)) => xyz,
                _ => return Light::amount(photometric, amount).map_err(unphysical),
            },
        };
        Ok(Light::colour(photometric, xyz))
    }
}

/// What a line holds, if it is of the shape that is expected.
pub(super) fn captures<'a>(pattern: &Regex, line: &'a str) -> Result<Captures<'a>, Fault> {
    pattern.captures(line).ok_or_else(|| {
        Fault::new(
            FaultKind::Garbled,
            format!("the answer {} doesn't fit {}", excerpt(line), quoted(pattern.as_str())),
        )
    })
}

pub(super) fn number(name: &str, text: &str) -> Result<f64, Fault> {
    let number = text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
    number.ok_or_else(|| Fault::new(FaultKind::Garbled, format!("{name} is no number: {}", excerpt(text))))
}
