//! The colours to show, by name or with code values of their own.

use settled_protocol::correction::{Derivation, MOST_COLOURS};
use settled_protocol::stage::Stimulus;
use settled_protocol::text::Text;

use super::text;
use crate::quantities::colour;

/// Code values are full range at this many bits.
const BITS: u8 = 10;
/// The largest of them.
const TOP: u16 = 1023;

/// One colour to show.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Patch {
    pub(super) name: Text,
    /// R, G, B from 0 to 1023.
    pub(super) codes: [u16; 3],
}

/// Colours that have a name, in the order that they are shown: white first.
const NAMED: [(&str, [u16; 3]); 8] = [
    ("white", [TOP; 3]),
    ("red", [TOP, 0, 0]),
    ("green", [0, TOP, 0]),
    ("blue", [0, 0, TOP]),
    ("cyan", [0, TOP, TOP]),
    ("magenta", [TOP, 0, TOP]),
    ("yellow", [TOP, TOP, 0]),
    ("grey", [512; 3]),
];

/// A colour from `white`, or from `skin=840,600,500`.
pub(super) fn patch(words: &str) -> Result<Patch, String> {
    if let Some((name, codes)) = words.split_once('=') {
        let codes = colour(codes)?;
        if codes.iter().any(|code| *code > TOP) {
            return Err(format!("code values go from 0 to {TOP}"));
        }
        if name.trim().is_empty() {
            return Err("a colour needs a name".to_owned());
        }
        return Ok(Patch { name: text(name.trim())?, codes });
    }
    let found = NAMED.iter().find(|(name, _)| *name == words);
    let Some((name, codes)) = found else {
        let names: Vec<&str> = NAMED.iter().map(|(name, _)| *name).collect();
        return Err(format!(
            "there are {}, or NAME=R,G,B with code values from 0 to {TOP}",
            names.join(", ")
        ));
    };
    Ok(Patch { name: text(name)?, codes: *codes })
}

/// The colours to show: those that were asked for, after those that the method needs; without any, what the method is best served with.
pub(super) fn plan(method: Derivation, asked: &[Patch]) -> Result<Vec<Patch>, String> {
    let count = match method {
        Derivation::FourColour | Derivation::Given => 4,
        Derivation::LeastSquares if asked.is_empty() => NAMED.len(),
        // White is read again at the end, to see whether the display drifted.
        Derivation::LeastSquares => 1,
    };
    let mut patches = Vec::new();
    for (name, _) in NAMED.iter().take(count) {
        patches.push(patch(name)?);
    }
    for extra in asked {
        match patches.iter().find(|known| known.name == extra.name) {
            Some(known) if known.codes != extra.codes => {
                return Err(format!("{} is a colour that the method has already", extra.name.as_str()));
            }
            Some(_) => {}
            None => patches.push(extra.clone()),
        }
    }
    let fewest = if method == Derivation::LeastSquares { 3 } else { 4 };
    if !(fewest..=MOST_COLOURS).contains(&patches.len()) {
        return Err(format!(
            "{fewest} to {MOST_COLOURS} colours are needed, white included, not {}",
            patches.len()
        ));
    }
    Ok(patches)
}

impl Patch {
    /// As a simulated display is told.
    pub(super) fn stimulus(&self, window_percent: f64) -> Stimulus {
        Stimulus { colour: self.codes, background: [0; 3], bits: BITS, window_percent }
    }

    /// As a person is told.
    pub(super) fn in_words(&self, window_percent: f64) -> String {
        let [r, g, b] = self.codes;
        format!(
            "{} (code values {r},{g},{b} of {TOP}) in a window of {window_percent} % on black",
            self.name.as_str()
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(method: Derivation, asked: &[&str]) -> Result<Vec<String>, String> {
        let asked: Vec<Patch> = asked.iter().map(|words| patch(words).unwrap()).collect();
        Ok(plan(method, &asked)?.iter().map(|patch| patch.name.as_str().to_owned()).collect())
    }

    #[test]
    fn each_method_gets_the_colours_it_needs_white_first() {
        let four = Derivation::FourColour;
        assert_eq!(names(four, &[]).unwrap(), ["white", "red", "green", "blue"]);
        assert_eq!(names(four, &["skin=840,600,500", "red"]).unwrap().len(), 5);
        assert_eq!(names(Derivation::LeastSquares, &[]).unwrap().len(), 8);
        let least = names(Derivation::LeastSquares, &["blue", "red"]).unwrap();
        assert_eq!(least, ["white", "blue", "red"]);
        assert!(names(Derivation::LeastSquares, &["blue"]).unwrap_err().contains("not 2"));
        assert!(names(four, &["red=1,2,3"]).unwrap_err().contains("red"));
    }

    #[test]
    fn colours_that_make_no_sense_are_refused() {
        for words in ["puce", "skin=1,2", "skin=1024,0,0", "=1,2,3", "skin="] {
            assert!(patch(words).is_err(), "{words}");
        }
    }
}
