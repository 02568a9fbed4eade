//! The colours to show, by name or with code values of their own.

use settled_drivers::nearest;
use settled_protocol::correction::{Derivation, MOST_COLOURS};
use settled_protocol::quantity::Xyz;
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
        if codes == [0; 3] {
            return Err("black has no chromaticity".to_owned());
        }
        if name.trim().is_empty() {
            return Err("a colour needs a name".to_owned());
        }
        return Ok(Patch { name: text(name.trim())?, codes });
    }
    let found = NAMED.iter().find(|(name, _)| *name == words);
    let Some((name, codes)) = found else {
        let names: Vec<&str> = NAMED.iter().map(|(name, _)| *name).collect();
        let meant = nearest::meant(words, &names).unwrap_or_default();
        return Err(format!(
            "there are {}, or NAME=R,G,B with code values from 0 to {TOP}{meant}",
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
    if method == Derivation::LeastSquares && !spans(&patches) {
        let names: Vec<&str> = patches.iter().map(|patch| patch.name.as_str()).collect();
        return Err(format!(
            "{} are but mixtures of two by their code values (white and greys are one colour): three independent colours are needed",
            names.join(", ")
        ));
    }
    Ok(patches)
}

/// The least volume that three colours' light, each of length 1, spans: less is none. Named colours are beyond 0.1.
const LEAST_VOLUME: f64 = 0.01;

/// Whether three of the colours are independent, by the light that their code values make.
fn spans(patches: &[Patch]) -> bool {
    let lights: Vec<[f64; 3]> = patches.iter().map(Patch::light).map(unit).collect();
    let volume = |[a, b, c]: [f64; 3], [d, e, f]: [f64; 3], [g, h, i]: [f64; 3]| {
        a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    };
    lights.iter().enumerate().any(|(index, one)| {
        lights.iter().take(index).enumerate().any(|(index, other)| {
            lights.iter().take(index).any(|third| volume(*one, *other, *third).abs() >= LEAST_VOLUME)
        })
    })
}

fn unit(light: [f64; 3]) -> [f64; 3] {
    let length = light.iter().fold(0.0, |length: f64, value| length.hypot(*value));
    light.map(|value| value / length)
}

impl Patch {
    /// Linear red, green and blue, 0 to 1, of a display with a gamma of 2.2: near enough to any to tell colours apart.
    fn light(&self) -> [f64; 3] {
        self.codes.map(|code| (f64::from(code) / f64::from(TOP)).powf(2.2))
    }

    /// Whether the two are within `far` of one another in u′v′ on such a display, with the primaries of ITU-R BT.709.
    pub(super) fn is_near(&self, other: &Self, far: f64) -> bool {
        let seen = |patch: &Self| {
            let [r, g, b] = patch.light();
            // From BT.709's chromaticities, to four digits.
            let x = 0.4124 * r + 0.3576 * g + 0.1805 * b;
            let y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
            let z = 0.0193 * r + 0.1192 * g + 0.9505 * b;
            Xyz::new(x, y, z).ok()?.chromaticity()
        };
        match (seen(self), seen(other)) {
            (Some(one), Some(other)) => one.distance(other) <= far,
            _ => true,
        }
    }

    /// As a simulated display is told.
    pub(super) fn stimulus(&self, window_percent: f64) -> Stimulus {
        Stimulus { colour: self.codes, bits: BITS, window_percent, ..Stimulus::peak_white() }
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
    fn colours_that_can_not_be_enough_are_refused_before_anything_is_measured() {
        for asked in [
            ["grey", "red"].as_slice(),
            &["grey", "dark=100,100,100"],
            &["red", "cyan"],
            &["red", "wine=512,0,0", "pink=1023,512,512"],
        ] {
            let why = names(Derivation::LeastSquares, asked).unwrap_err();
            assert!(why.contains("three independent colours"), "{asked:?}: {why}");
        }
        assert!(names(Derivation::LeastSquares, &["grey", "red", "skin=840,600,500"]).is_ok());
    }

    #[test]
    fn colours_are_near_one_another_by_the_light_that_they_make() {
        let near = |one: &str, other: &str| patch(one).unwrap().is_near(&patch(other).unwrap(), 0.03);
        assert!(
            near("white", "grey") && near("red", "wine=512,0,0") && near("a=840,600,500", "b=845,600,495")
        );
        for (index, (one, _)) in NAMED.iter().take(7).enumerate() {
            for (other, _) in NAMED.iter().take(index) {
                assert!(!near(one, other), "{one} and {other}");
            }
        }
    }

    #[test]
    fn colours_that_make_no_sense_are_refused() {
        for words in ["puce", "skin=1,2", "skin=1024,0,0", "=1,2,3", "skin=", "night=0,0,0"] {
            assert!(patch(words).is_err(), "{words}");
        }
    }
}
