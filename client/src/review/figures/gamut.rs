//! Primaries and secondaries: where they are, which gamuts they cover, and whether they add up to white.
//!
//! A display's gamut is the triangle of its primaries, as the standards have it and as everybody counts coverage. What of it is left with the secondaries in it, the polygon
//! of all that were measured, is told beside it: less where secondaries fall short, as where channels don't add up. Colours are as they were measured: what the
//! display's black adds is in them, as it is in what is seen. They are held against what the aim makes of the same signals on the black that was
//! measured. The intervals of the distances from the aim hold at once for all colours.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use settled_protocol::quantity::Chromaticity;

use super::formulas;
use super::quantity::Quantities;
use super::usable::usable;
use super::words::{self, held, told};
use super::{Figures, Finding, Quantity, Scene, Standing, Table, Tolerance};
use crate::evaluate::aim::Primaries;
use crate::evaluate::figure::Figure;
use crate::evaluate::gamut::{self, Diagram};
use crate::evaluate::measured::Measured;
use crate::evaluate::together::{self, Apart};
use crate::review::expand::COLOURS;
use crate::review::record::Measurement;

/// A primary or secondary may be this far from the aim's in u′v′: beyond, it is seen even where colours aren't side by side.
const MOST_FROM_AIM: f64 = 0.01;
/// Red, green and blue together may differ from white by this, in per cent: what a display that adds its channels does, drift and meter allowed for.
const MOST_FROM_SUM: f64 = 3.0;

/// Figures of primaries and secondaries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GamutFigures {
    /// Those that were measured.
    pub colours: Vec<GamutColour>,
    /// What they cover: BT.709, P3 and BT.2020, in u′v′ and in xy. Empty where a primary wasn't measured.
    pub gamuts: Vec<GamutShare>,
    /// The name of the aim's gamut.
    pub aim: String,
    /// Luminance of red, green and blue together, without the blacks that count more than once, less what the aim makes of it beside white's, in
    /// per cent: 0 adds up, below zero white is brighter than its parts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sum_percent: Option<Figure>,
    /// Patches that have no light, or none that has a colour.
    pub left_out: Vec<String>,
}

/// One primary or secondary.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GamutColour {
    /// Red, green, blue, cyan, magenta or yellow.
    pub name: String,
    /// Luminance, in cd/m².
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub luminance_cd_m2: Option<Figure>,
    /// x and y (CIE 1931).
    pub xy: [Figure; 2],
    /// u′ and v′ (CIE 1976).
    pub uv: [Figure; 2],
    /// Δu′v′ from the aim; absent where there is none, as white wasn't measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_aim: Option<Figure>,
}

/// What is covered of one gamut, in one diagram.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GamutShare {
    /// `BT.709`.
    pub name: String,
    /// Where areas are taken.
    pub diagram: Diagram,
    /// The area that the triangle of the primaries has in common with the reference's, in per cent of that.
    pub coverage_percent: Figure,
    /// The triangle's area, in per cent of the reference's.
    pub ratio_percent: Figure,
    /// The same of the polygon of primaries and secondaries; absent where not all of them have a colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hexagon_coverage_percent: Option<Figure>,
    /// Its area, likewise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hexagon_ratio_percent: Option<Figure>,
}

/// One of the colours, as it was measured.
struct Shown {
    name: &'static str,
    signal: [f64; 3],
    light: Measured,
}

/// Figures of the patches of primaries and secondaries; nothing where none has a colour.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<GamutFigures> {
    let find = |signal: [f64; 3]| shown(scene, patches, signal).filter(|light| light.chromaticity.is_some());
    let found = COLOURS
        .iter()
        .filter_map(|(name, signal)| Some(Shown { name, signal: *signal, light: find(*signal)? }));
    let found: Vec<Shown> = found.collect();
    let from_aim = from_aim(scene, &found);
    let colours = found.iter().zip(from_aim).filter_map(|(shown, from_aim)| colour(scene, shown, from_aim));
    let colours: Vec<GamutColour> = colours.collect();
    let has_primaries = COLOURS.iter().take(3).all(|(name, _)| found.iter().any(|shown| shown.name == *name));
    let has_colour = |patch: &Measurement| usable(patch).is_some_and(|light| light.chromaticity.is_some());
    let left_out = patches.iter().filter(|patch| !has_colour(patch)).map(|patch| patch.patch.name.clone());
    (!colours.is_empty()).then(|| GamutFigures {
        colours,
        gamuts: if has_primaries { gamuts(scene, &found) } else { Vec::new() },
        aim: scene.aim.primaries.name().to_owned(),
        sum_percent: sum(scene, patches),
        left_out: left_out.collect(),
    })
}

/// The light of a signal.
fn shown(scene: &Scene, patches: &[&Measurement], signal: [f64; 3]) -> Option<Measured> {
    let is_it = |patch: &&&Measurement| {
        let shown = patch.patch.signal(scene.coding);
        shown.iter().zip(signal).all(|(shown, signal)| (shown - signal).abs() < 1e-3)
    };
    patches.iter().filter(is_it).find_map(|patch| usable(patch))
}

/// What black counts as.
fn black(scene: &Scene) -> Measured {
    scene.black.unwrap_or(Measured::exactly(0.0, None))
}

fn from_aim(scene: &Scene, found: &[Shown]) -> Vec<Option<Figure>> {
    let black = black(scene).luminance;
    let aims: Vec<Option<Chromaticity>> = found
        .iter()
        .map(|shown| formulas::chromaticity(formulas::aim(scene, shown.signal, black)?))
        .collect();
    let distance = |one: Option<Chromaticity>, other: Option<Chromaticity>| {
        one.zip(other).map_or(f64::NAN, |(one, other)| one.distance(other))
    };
    let lights: Vec<Measured> = found.iter().map(|shown| shown.light).collect();
    let values: Vec<f64> =
        lights.iter().zip(&aims).map(|(light, aim)| distance(light.chromaticity, *aim)).collect();
    let apart = Apart::gather(&scene.draws, &lights, |drawn| {
        lights.iter().zip(drawn).map(|(one, other)| distance(one.chromaticity, other.chromaticity)).collect()
    });
    together::distances(&values, &apart)
}

fn colour(scene: &Scene, shown: &Shown, from_aim: Option<Figure>) -> Option<GamutColour> {
    let figures = scene.draws.figures(&[shown.light], |lights| {
        let colour = lights.first()?.chromaticity?;
        Some(vec![colour.x(), colour.y(), colour.u_prime(), colour.v_prime()])
    })?;
    let [x, y, u, v] = figures.try_into().ok()?;
    let luminance_cd_m2 =
        scene.draws.figure(&[shown.light], |lights| lights.first().map(|light| light.luminance));
    Some(GamutColour { name: shown.name.to_owned(), luminance_cd_m2, xy: [x, y], uv: [u, v], from_aim })
}

/// Of lights that begin with the three primaries.
fn gamuts(scene: &Scene, found: &[Shown]) -> Vec<GamutShare> {
    let lights: Vec<Measured> = found.iter().map(|shown| shown.light).collect();
    let primaries = lights.get(..3).unwrap_or_default();
    let of = |diagram: Diagram| {
        let triangle = shares(scene, primaries, diagram).unwrap_or_default();
        let hexagon = (lights.len() == COLOURS.len()).then(|| shares(scene, &lights, diagram)).flatten();
        let names = [Primaries::Bt709, Primaries::P3D65, Primaries::Bt2020];
        let shares = names.iter().zip(triangle).enumerate();
        let shares = shares.map(|(index, (primaries, [coverage_percent, ratio_percent]))| {
            let [more_covered, larger] = hexagon
                .as_ref()
                .and_then(|hexagon| hexagon.get(index).copied())
                .map(|of| of.map(Some))
                .unwrap_or_default();
            GamutShare {
                name: name(*primaries).to_owned(),
                diagram,
                coverage_percent,
                ratio_percent,
                hexagon_coverage_percent: more_covered,
                hexagon_ratio_percent: larger,
            }
        });
        shares.collect::<Vec<GamutShare>>()
    };
    Diagram::ALL.into_iter().flat_map(of).collect()
}

/// Coverage and ratio of each reference by the polygon of some lights.
fn shares(scene: &Scene, lights: &[Measured], diagram: Diagram) -> Option<Vec<[Figure; 2]>> {
    let figures = scene.draws.figures(lights, |drawn| {
        let colours: Vec<Chromaticity> = drawn.iter().filter_map(|light| light.chromaticity).collect();
        let shares = gamut::of_each(&colours, diagram)?;
        Some(shares.iter().flat_map(|(_, share)| [share.coverage_percent, share.ratio_percent]).collect())
    })?;
    Some(figures.as_chunks::<2>().0.to_vec())
}

/// A gamut's name: white is no part of one.
fn name(primaries: Primaries) -> &'static str {
    match primaries {
        Primaries::P3D65 => "P3",
        other => other.name(),
    }
}

/// The luminance of red, green and blue together beside white's, less what the aim makes of it, in per cent of white's.
fn sum(scene: &Scene, patches: &[&Measurement]) -> Option<Figure> {
    let signals = [COLOURS[0].1, COLOURS[1].1, COLOURS[2].1, [1.0; 3]];
    let black = black(scene);
    let beside = |parts: [f64; 3], black: f64, white: f64| {
        let ratio = (parts.iter().sum::<f64>() - 2.0 * black) / white;
        (white > 0.0).then_some(100.0 * ratio)
    };
    let aims: Option<Vec<f64>> = signals
        .iter()
        .map(|signal| formulas::aim(scene, *signal, black.luminance).map(|xyz| xyz[1]))
        .collect();
    let [red, green, blue, white] = aims?.try_into().ok()?;
    let meant = beside([red, green, blue], black.luminance.max(0.0), white)?;
    let lights: Option<Vec<Measured>> = signals.iter().map(|signal| shown(scene, patches, *signal)).collect();
    let lights: Vec<Measured> = lights?.into_iter().chain([black]).collect();
    scene.draws.figure(&lights, |lights| {
        let luminances: Vec<f64> = lights.iter().map(|light| light.luminance).collect();
        let [red, green, blue, white, black] = luminances.try_into().ok()?;
        Some(beside([red, green, blue], black, white)? - meant)
    })
}

impl GamutFigures {
    fn colour_finding(&self, colour: &GamutColour) -> Option<Finding> {
        let from_aim = colour.from_aim?;
        let distance = words::distance(&from_aim);
        let text = format!("{} is off {} by Δu′v′ {distance}", colour.name, self.aim);
        Some(held(&format!("gamut_{}", colour.name), text, from_aim, MOST_FROM_AIM))
    }

    fn sum_finding(&self) -> Option<Finding> {
        let sum = self.sum_percent?;
        let tolerance = Tolerance {
            least: Some(-MOST_FROM_SUM),
            most: Some(MOST_FROM_SUM),
            source: "common practice, no source".to_owned(),
        };
        let standing = tolerance.of(&sum);
        let how = words::signed(&sum);
        let text = if standing == Standing::Beyond && sum.value < 0.0 {
            format!("red, green and blue together are {how} % off white: white is brighter than its parts")
        } else if standing == Standing::Beyond {
            format!("red, green and blue together are {how} % off white: white is held back")
        } else {
            format!("red, green and blue together are {how} % off white")
        };
        Some(Finding { standing, tolerance: Some(tolerance), ..told("gamut_sum", text, Some(sum), "%") })
    }
}

impl Figures for GamutFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let mut findings: Vec<Finding> =
            self.colours.iter().filter_map(|colour| self.colour_finding(colour)).collect();
        let uv = self.gamuts.iter().filter(|share| share.diagram == Diagram::Uv);
        findings.extend(uv.map(|share| {
            let (coverage, ratio) =
                (words::percent(&share.coverage_percent), words::percent(&share.ratio_percent));
            let beside = share.hexagon_coverage_percent.map_or_else(String::new, |hexagon| {
                format!(" (with secondaries {} % is covered)", words::percent(&hexagon))
            });
            let text = format!(
                "{coverage} % of {} is covered in u′v′; the area is {ratio} % of it{beside}",
                share.name
            );
            let subject = format!("gamut_covers_{}", share.name.to_lowercase().replace('.', ""));
            told(&subject, text, Some(share.coverage_percent), "%")
        }));
        findings.extend(self.sum_finding());
        if !self.left_out.is_empty() {
            let text = format!("without a colour: {}", self.left_out.join(", "));
            findings.push(words::untold("gamut_left_out", text));
        }
        findings
    }

    fn tables(&self) -> Vec<Table> {
        let colour = |colour: &GamutColour| {
            let mut row =
                vec![colour.name.clone(), words::cell(colour.luminance_cd_m2.as_ref(), Figure::words)];
            row.extend(colour.xy.iter().chain(&colour.uv).map(Figure::words));
            row.push(words::cell(colour.from_aim.as_ref(), words::distance));
            row
        };
        let share = |share: &GamutShare| {
            let (coverage, ratio) =
                (words::percent(&share.coverage_percent), words::percent(&share.ratio_percent));
            let hexagon = [share.hexagon_coverage_percent, share.hexagon_ratio_percent]
                .map(|figure| words::cell(figure.as_ref(), words::percent));
            let [name, diagram] = [share.name.clone(), share.diagram.name().to_owned()];
            [name, diagram, coverage, ratio].into_iter().chain(hexagon).collect()
        };
        let columns = |heads: &[&str]| heads.iter().map(|head| (*head).to_owned()).collect();
        vec![
            Table {
                title: "Primaries and secondaries".to_owned(),
                columns: columns(&["colour", "cd/m²", "x", "y", "u′", "v′", "Δu′v′"]),
                rows: self.colours.iter().map(colour).collect(),
            },
            Table {
                title: "Gamut".to_owned(),
                columns: columns(&[
                    "gamut",
                    "diagram",
                    "coverage (%)",
                    "area (%)",
                    "coverage with secondaries (%)",
                    "area with secondaries (%)",
                ]),
                rows: self.gamuts.iter().map(share).collect(),
            },
        ]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default().whole("sum_percent", "%", self.sum_percent);
        let colour = |listed: Quantities, colour: &GamutColour| {
            let ([x, y], [u, v]) = (colour.xy, colour.uv);
            listed
                .of(&colour.name, "luminance_cd_m2", "cd/m²", colour.luminance_cd_m2)
                .of(&colour.name, "x", "", x)
                .of(&colour.name, "y", "", y)
                .of(&colour.name, "u", "", u)
                .of(&colour.name, "v", "", v)
                .of(&colour.name, "from_aim", "", colour.from_aim)
        };
        let share = |listed: Quantities, share: &GamutShare| {
            let of = format!("{}, {}", share.name, share.diagram.name());
            listed
                .of(&of, "coverage_percent", "%", share.coverage_percent)
                .of(&of, "ratio_percent", "%", share.ratio_percent)
                .of(&of, "hexagon_coverage_percent", "%", share.hexagon_coverage_percent)
                .of(&of, "hexagon_ratio_percent", "%", share.hexagon_ratio_percent)
        };
        listed.each(&self.colours, colour).each(&self.gamuts, share).all()
    }
}

#[cfg(test)]
mod tests;
