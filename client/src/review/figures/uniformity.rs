//! A full field seen at several positions.
//!
//! Every position is held against the centre, with intervals that hold for all positions at once ([`crate::evaluate::together`]), so that more positions make no more false
//! alarms. How well the meter was put down, and at what angle it looks, isn't in the readings, and so in no interval.
//!
//! Lmin/Lmax is IDMS's luminance uniformity (definition from memory). The tolerances are ISO 12646:2008's with Amd 1:2010 (from excerpts): luminance should be within 5 % of the centre's and
//! shall be within 10 % for white (6.5 % and 13 % at half the code values, 7.5 % and 15 % at a quarter); chromaticity within a radius of 0.01 in u′v′.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::Quantities;
use super::usable::usable;
use super::words::{colour, judged, of_several, plain, share, told};
use super::{Figures, Finding, Quantity, Scene, Standing, Table, Tolerance};
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::evaluate::together::{self, Apart};
use crate::review::record::Measurement;
use crate::show;

/// Where these tolerances come from.
const SOURCE: &str = "ISO 12646:2008 and Amd 1:2010, from excerpts";
/// Radius of chromaticity about the centre's, in u′v′ (ISO 12646, from excerpts).
const RADIUS: f64 = 0.01;
/// Positions that are this much farther from the middle than the nearest are no centre, in shares of the screen.
const ALIKE: f64 = 1e-6;

/// Figures of uniformity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Uniformity {
    /// Signal of the field, 0 to 1.
    pub signal: f64,
    /// Positions, as the plan lists them.
    pub spots: Vec<Spot>,
    /// Positions without a usable value.
    pub missing: usize,
    /// The largest relative difference of luminance from the centre, without its sign.
    pub worst: Figure,
    /// Where it is.
    pub worst_at: [f64; 2],
    /// Lmin/Lmax.
    pub min_to_max: Figure,
    /// The largest Δu′v′ from the centre.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_colour: Option<Figure>,
    /// Where it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_colour_at: Option<[f64; 2]>,
}

/// One position.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Spot {
    /// Shares of the screen's width and height from its top left.
    pub at: [f64; 2],
    /// In cd/m²; its interval holds for all positions at once.
    pub luminance: Figure,
    /// Luminance over the centre's, likewise.
    pub to_centre: Figure,
    /// Δu′v′ from the centre, likewise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<Figure>,
}

impl Uniformity {
    /// Of at least two positions. The centre is the one nearest to the middle of the screen; where several are alike near, their mean.
    #[must_use]
    pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<Self> {
        let found: Vec<([f64; 2], Measured)> = patches
            .iter()
            .filter_map(|patch| Some((patch.position.unwrap_or([0.5; 2]), usable(patch)?)))
            .filter(|(_, light)| light.luminance > 0.0)
            .collect();
        if found.len() < 2 {
            return None;
        }
        let (places, lights): (Vec<[f64; 2]>, Vec<Measured>) = found.into_iter().unzip();
        let signal = patches.first()?.patch.signal(scene.coding).into_iter().fold(0.0, f64::max);
        let centre = centre(&places);
        let own = together::figures(&scene.draws, &lights, luminances);
        let to_centre = together::figures(&scene.draws, &lights, |lights| {
            let middle = mean(&luminances(lights), &centre).unwrap_or(f64::NAN);
            lights.iter().map(|light| light.luminance / middle).collect()
        });
        let colours = colours(scene, &lights, &centre).unwrap_or_else(|| vec![None; lights.len()]);
        let spots = places.iter().zip(own).zip(to_centre).zip(colours);
        let spots: Option<Vec<Spot>> = spots
            .map(|(((at, luminance), to_centre), colour)| {
                Some(Spot { at: *at, luminance: luminance?, to_centre: to_centre?, colour })
            })
            .collect();
        let spots = spots?;
        let off = |spot: &Spot| off_centre(&spot.to_centre);
        let worst_at = farthest(&spots, |spot| Some(off(spot).value))?.at;
        let worst_colour_at = farthest(&spots, |spot| Some(spot.colour?.value)).map(|spot| spot.at);
        Some(Self {
            signal,
            missing: patches.len() - spots.len(),
            worst: largest(spots.iter().map(off))?,
            worst_at,
            min_to_max: min_to_max(&spots)?,
            worst_colour: largest(spots.iter().filter_map(|spot| spot.colour)),
            worst_colour_at,
            spots,
        })
    }

    /// What it should be within, what it shall be within, and the field that is said of: the standard names three, and the nearest counts.
    fn tolerances(&self) -> (f64, f64, String) {
        let (should, shall, signal, name) = match self.signal {
            // A grey of 75 %, whatever rounding to code values makes of it, is as near to the one as to the other: no more is asked than of a grey.
            white if white > 0.76 => (0.05, 0.1, 1.0, "white"),
            grey if grey >= 0.375 => (0.065, 0.13, 0.5, "half the code values"),
            _ => (0.075, 0.15, 0.25, "a quarter of the code values"),
        };
        let is_it = (self.signal - signal).abs() < 0.01;
        let name = if is_it { name.to_owned() } else { format!("{name}, the nearest that it names") };
        (should, shall, name)
    }

    fn luminance(&self, subject: &str, verb: &str, most: f64) -> Finding {
        let kind = self.tolerances().2;
        let source = format!("{SOURCE}: {verb} be, for {kind}");
        let tolerance = Tolerance { least: None, most: Some(most), source };
        judged(subject, self.worst, "", tolerance, |standing| {
            let (worst, place) = (share(&self.worst), place(self.worst_at));
            format!(
                "luminance differs from the centre by up to {worst} ({place}): {} the {} % that it {verb} be within",
                stands(standing),
                100.0 * most
            )
        })
    }

    fn chromaticity(&self) -> Option<Finding> {
        let worst = self.worst_colour?;
        let tolerance = Tolerance {
            least: None,
            most: Some(RADIUS),
            source: format!("{SOURCE}: radius about the centre"),
        };
        let at = place(self.worst_colour_at?);
        Some(judged("colour", worst, "", tolerance, |standing| {
            format!(
                "colour differs from the centre by up to Δu′v′ {} ({at}): {} the radius of {RADIUS}",
                colour(&worst),
                stands(standing)
            )
        }))
    }
}

/// A standing in words.
fn stands(standing: Standing) -> &'static str {
    match standing {
        Standing::Within => "within",
        Standing::Beyond => "beyond",
        Standing::Undecided => "within or beyond, the readings can't tell,",
        Standing::Told => "beside",
    }
}

/// A position in words.
fn place([x, y]: [f64; 2]) -> String {
    let third = |share: f64, names: [&'static str; 3]| match share {
        low if low < 0.4 => names[0],
        middle if middle <= 0.6 => names[1],
        _ => names[2],
    };
    match (third(y, ["top", "", "bottom"]), third(x, ["left", "", "right"])) {
        ("", "") => "centre".to_owned(),
        ("", side) | (side, "") => side.to_owned(),
        (height, side) => format!("{height} {side}"),
    }
}

fn luminances(lights: &[Measured]) -> Vec<f64> {
    lights.iter().map(|light| light.luminance).collect()
}

fn mean(values: &[f64], of: &[usize]) -> Option<f64> {
    let some: Option<Vec<f64>> = of.iter().map(|index| values.get(*index).copied()).collect();
    let some = some?;
    Some(some.iter().sum::<f64>() / some.len() as f64).filter(|mean| *mean > 0.0)
}

/// The positions nearest to the middle of the screen.
fn centre(places: &[[f64; 2]]) -> Vec<usize> {
    let from_middle = |[x, y]: [f64; 2]| (x - 0.5).hypot(y - 0.5);
    let nearest = places.iter().map(|place| from_middle(*place)).fold(f64::INFINITY, f64::min);
    (0..places.len())
        .filter(|index| places.get(*index).is_some_and(|place| from_middle(*place) <= nearest + ALIKE))
        .collect()
}

/// Δu′v′ of each position from the centre, those without a chromaticity left out; nothing where the centre has none.
fn colours(scene: &Scene, lights: &[Measured], centre: &[usize]) -> Option<Vec<Option<Figure>>> {
    let apart = |lights: &[Measured]| {
        let coordinate = |of: fn(&settled_protocol::quantity::Chromaticity) -> f64| -> Vec<f64> {
            lights.iter().map(|light| light.chromaticity.as_ref().map_or(f64::NAN, of)).collect()
        };
        let (u, v) = (coordinate(|colour| colour.u_prime()), coordinate(|colour| colour.v_prime()));
        let (mid_u, mid_v) = (mean(&u, centre)?, mean(&v, centre)?);
        Some(u.into_iter().zip(v).map(|(u, v)| [u - mid_u, v - mid_v]).collect::<Vec<[f64; 2]>>())
    };
    let own = apart(lights)?;
    let values: Vec<f64> = own.iter().map(|[u, v]| u.hypot(*v)).collect();
    let apart = Apart::gather(&scene.draws, lights, |drawn| match apart(drawn) {
        Some(drawn) => {
            own.iter().zip(drawn).map(|(own, drawn)| (drawn[0] - own[0]).hypot(drawn[1] - own[1])).collect()
        }
        None => vec![f64::NAN; own.len()],
    });
    Some(together::distances(&values, &apart))
}

/// How far a ratio is from 1, without its sign.
fn off_centre(ratio: &Figure) -> Figure {
    let (below, above) = (1.0 - ratio.low, ratio.high - 1.0);
    let low = if ratio.holds(1.0) { 0.0 } else { below.abs().min(above.abs()) };
    Figure { value: (ratio.value - 1.0).abs(), low, high: below.abs().max(above.abs()), ..*ratio }
}

/// The largest of figures whose intervals hold all at once.
fn largest(figures: impl Iterator<Item = Figure>) -> Option<Figure> {
    figures.reduce(|a, b| Figure {
        value: a.value.max(b.value),
        low: a.low.max(b.low),
        high: a.high.max(b.high),
        ..a
    })
}

/// The least of the luminances over the largest. The interval is made of those of the luminances, which hold all at once: it is wider than need be, and holds 1 for a display that is
/// even.
fn min_to_max(spots: &[Spot]) -> Option<Figure> {
    let least =
        |of: fn(&Figure) -> f64| spots.iter().map(|spot| of(&spot.luminance)).fold(f64::INFINITY, f64::min);
    let most = |of: fn(&Figure) -> f64| spots.iter().map(|spot| of(&spot.luminance)).fold(0.0, f64::max);
    let value = least(|figure| figure.value) / most(|figure| figure.value);
    let low = (least(|figure| figure.low) / most(|figure| figure.high)).max(0.0);
    let high = (least(|figure| figure.high) / most(|figure| figure.low)).clamp(value, 1.0);
    let spot = spots.first()?.luminance;
    value.is_finite().then_some(Figure { value, low, high, ..spot })
}

fn farthest(spots: &[Spot], of: impl Fn(&Spot) -> Option<f64>) -> Option<&Spot> {
    spots
        .iter()
        .filter(|spot| of(spot).is_some())
        .max_by(|a, b| of(a).unwrap_or(0.0).total_cmp(&of(b).unwrap_or(0.0)))
}

impl Figures for Uniformity {
    fn verdicts(&self) -> Vec<Finding> {
        let (should, shall, _) = self.tolerances();
        let (count, coloured) =
            (self.spots.len(), self.spots.iter().filter(|spot| spot.colour.is_some()).count());
        let of_all = |found: Finding, judged: usize| of_several(found, judged, count + self.missing);
        let mut verdicts = vec![
            of_all(self.luminance("luminance", "shall", shall), count),
            of_all(self.luminance("luminance_recommended", "should", should), count),
        ];
        verdicts.extend(self.chromaticity().map(|found| of_all(found, coloured)));
        let missing = if self.missing > 0 {
            format!("; {} missing", show::counted(self.missing as u64, "position is", "positions are"))
        } else {
            String::new()
        };
        let words = format!(
            "the darkest position has {} of the brightest (Lmin/Lmax, IDMS){missing}",
            share(&self.min_to_max)
        );
        verdicts.push(told("min_to_max", words, self.min_to_max, ""));
        verdicts
    }

    fn tables(&self) -> Vec<Table> {
        let row = |spot: &Spot| {
            let at = spot.at.map(|share| format!("{:.0}", 100.0 * share)).join(", ");
            vec![
                at,
                spot.luminance.words(),
                share(&spot.to_centre),
                spot.colour.map(|off| colour(&off)).unwrap_or_default(),
            ]
        };
        let columns = ["across and down, %", "luminance, cd/m²", "of the centre's", "Δu′v′ from the centre"];
        let columns = columns.map(str::to_owned).to_vec();
        vec![Table { title: "Uniformity".to_owned(), columns, rows: self.spots.iter().map(row).collect() }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default()
            .whole("worst", "", self.worst)
            .whole("min_to_max", "", self.min_to_max)
            .whole("worst_colour", "", self.worst_colour);
        let spot =
            |listed: Quantities, spot: &Spot| {
                let [x, y] = spot.at.map(|share| plain(100.0 * share));
                let of = format!("{x} % across, {y} % down");
                listed
                    .of(&of, "luminance", "cd/m²", spot.luminance)
                    .of(&of, "to_centre", "", spot.to_centre)
                    .of(&of, "colour", "", spot.colour)
            };
        listed.each(&self.spots, spot).all()
    }
}

#[cfg(test)]
mod tests;
