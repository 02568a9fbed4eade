//! A chart of colours: those that a display is shown to see how far all of its colours are from what they are meant to be.
//!
//! The built-in grid is made by a rule in signal space, so that it is spread alike over whatever gamut the signals mean; other charts come from
//! a CSV file ([`read`]).

use serde::{Deserialize, Serialize};

pub use file::{BadChart, MOST_COLOURS, Mistake, read};

mod file;

/// One colour of a chart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Colour {
    /// What a person calls it, unlike any other of its chart.
    pub name: String,
    /// Signals of red, green and blue, from 0 to 1.
    pub signal: [f64; 3],
}

/// Every 30° of the hexagon of signals, from red.
const HUES: [&str; 12] = [
    "red",
    "orange",
    "yellow",
    "yellow-green",
    "green",
    "green-cyan",
    "cyan",
    "cyan-blue",
    "blue",
    "violet",
    "magenta",
    "magenta-red",
];
/// Shares by which the least of the signals is below the greatest, in per cent.
const SATURATIONS: [u8; 3] = [30, 60, 90];
/// The greatest of the signals, in per cent.
const LEVELS: [u8; 3] = [35, 65, 90];

/// The built-in grid of 129 colours.
///
/// Twelve hues, every 30° of the hexagon of signals, at three saturations (30, 60, 90 %) and three levels (35, 65, 90 %); the same hues at full
/// saturation and level; and greys from 10 to 90 %. A hue at saturation s and level v has v for its greatest signal and v·(1 − s) for its least
/// (Smith, "Color gamut transform pairs", 1978). `orange 60 % at 35 %` is orange with a saturation of 60 % at a level of 35 %.
#[must_use]
pub fn built_in() -> Vec<Colour> {
    let greys = (1..10_u8)
        .map(|tenth| Colour { name: format!("grey {} %", 10 * tenth), signal: [f64::from(tenth) / 10.0; 3] });
    let mut colours: Vec<Colour> = greys.collect();
    for (index, name) in (0_u8..).zip(HUES) {
        let hue = f64::from(index) / 2.0;
        for (level, saturation) in LEVELS.iter().flat_map(|level| SATURATIONS.map(|share| (*level, share))) {
            colours.push(Colour {
                name: format!("{name} {saturation} % at {level} %"),
                signal: signal(hue, f64::from(saturation) / 100.0, f64::from(level) / 100.0),
            });
        }
        colours.push(Colour { name: format!("{name} full"), signal: signal(hue, 1.0, 1.0) });
    }
    colours
}

/// Red, green and blue of a hue from 0 to 6 (red, yellow, green, cyan, blue, magenta), a saturation and a level from 0 to 1.
fn signal(hue: f64, saturation: f64, level: f64) -> [f64; 3] {
    [0.0, 2.0, 4.0].map(|peak| {
        let apart = (hue - peak).abs();
        let apart = apart.min(6.0 - apart);
        level * (1.0 - saturation * (apart - 1.0).clamp(0.0, 1.0))
    })
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    fn named(name: &str) -> [f64; 3] {
        built_in().into_iter().find(|colour| colour.name == name).unwrap().signal
    }

    fn close(found: [f64; 3], expected: [f64; 3]) {
        assert!(
            found.iter().zip(expected).all(|(f, e)| (f - e).abs() < 1e-12),
            "{found:?}, not {expected:?}"
        );
    }

    #[test]
    fn the_grid_has_129_colours_each_with_a_name_and_signals_of_its_own() {
        let colours = built_in();
        assert_eq!(colours.len(), 129);
        let names: HashSet<&str> = colours.iter().map(|colour| colour.name.as_str()).collect();
        assert_eq!(names.len(), 129);
        let codes: HashSet<[u64; 3]> = colours.iter().map(|colour| colour.signal.map(f64::to_bits)).collect();
        assert_eq!(codes.len(), 129);
        assert!(colours.iter().flat_map(|colour| colour.signal).all(|signal| (0.0..=1.0).contains(&signal)));
    }

    #[test]
    fn colours_are_those_of_the_hexagon() {
        close(named("red full"), [1.0, 0.0, 0.0]);
        close(named("orange full"), [1.0, 0.5, 0.0]);
        close(named("yellow full"), [1.0, 1.0, 0.0]);
        close(named("cyan-blue full"), [0.0, 0.5, 1.0]);
        close(named("magenta full"), [1.0, 0.0, 1.0]);
        close(named("magenta-red full"), [1.0, 0.0, 0.5]);
        // 0.65 at most, 0.65·0.4 at least, and half way between.
        close(named("orange 60 % at 65 %"), [0.65, 0.455, 0.26]);
        close(named("grey 30 %"), [0.3, 0.3, 0.3]);
    }
}
