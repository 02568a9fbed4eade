//! White and black: peak, contrast, and white's colour against the aim's.
//!
//! Peak and contrast are of the window and the background that they were shown with, and say so: a display that limits its light shows another peak on all of the screen.
//! Sequential contrast, of two full fields one after the other (IDMS, from memory), is what only those are called.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::formulas;
use super::quantity::Quantities;
use super::usable::{bound, is_below_range, usable};
use super::words::{self, judged, told};
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::review::record::Measurement;
use crate::show;

/// White may be this far from the aim's in u′v′: most see more than that side by side.
const MOST_FROM_AIM: f64 = 0.004;

/// Figures of white and black.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WhiteFigures {
    /// Luminance of white, in cd/m².
    pub peak_cd_m2: Figure,
    /// Luminance of black, in cd/m².
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub black_cd_m2: Option<Figure>,
    /// The share of the screen's area that was lit, in per cent.
    pub window_percent: f64,
    /// The signal around it, from 0 to 1.
    pub background: f64,
    /// Whether black was below what the meter states it can measure.
    pub black_below_range: bool,
    /// The smallest luminance that the meter states it measures, in cd/m², where black is below that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub black_less_than_cd_m2: Option<f64>,
    /// White's luminance over black's, one shown after the other in this window: sequential contrast, if that is all of the screen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contrast: Option<Figure>,
    /// What it is more than, where black may be none: the lower end of white's interval over the upper end of black's, or over the smallest luminance that the meter
    /// vouches for, if that is more. Absent where black is below the meter's range and the record doesn't say where that begins.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contrast_more_than: Option<f64>,
    /// White's colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<WhiteColour>,
}

/// White's colour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WhiteColour {
    /// x and y (CIE 1931).
    pub xy: [Figure; 2],
    /// u′ and v′ (CIE 1976).
    pub uv: [Figure; 2],
    /// Correlated colour temperature, in K (CIE 15:2004, 9.5); absent where it isn't defined.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cct_k: Option<Figure>,
    /// Duv, distance from the Planckian locus in CIE 1960 u, v: above 0 is green.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duv: Option<Figure>,
    /// Duv less that of the aim's white.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duv_from_aim: Option<Figure>,
    /// Δu′v′, the distance from the aim's white.
    pub from_aim: Figure,
    /// What the aim's white is called.
    pub aim: String,
    /// Correlated colour temperature of the aim's white, in K.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim_cct_k: Option<f64>,
}

/// Figures of the patches of a sequence that shows white and black; nothing where white has no light.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<WhiteFigures> {
    let shown = |level: f64| {
        let is_it = |patch: &&&Measurement| {
            patch.patch.signal(scene.coding).iter().all(|signal| (signal - level).abs() < 1e-3)
        };
        patches.iter().find(is_it).copied()
    };
    let lit = shown(1.0)?;
    let white = usable(lit)?;
    let black = shown(0.0);
    let black_below_range = black.is_some_and(is_below_range);
    let dark = black.and_then(bound);
    let least = scene.least_cd_m2;
    let peak_cd_m2 = scene.draws.figure(&[white], luminance)?;
    let black_cd_m2 = dark.and_then(|dark| scene.draws.figure(&[dark], luminance));
    let ratio = |lights: &[Measured]| match lights {
        [white, dark] => (dark.luminance > 0.0).then(|| white.luminance / dark.luminance),
        _ => None,
    };
    let is_known = !black_below_range && black_cd_m2.is_some_and(|black| black.low > 0.0);
    let contrast = dark.filter(|_| is_known).and_then(|dark| scene.draws.figure(&[white, dark], ratio));
    let contrast_more_than = black_cd_m2
        .filter(|black| contrast.is_none() && (black.high > 0.0 || black_below_range))
        .and_then(|black| if black_below_range { Some(black.high.max(least?)) } else { Some(black.high) })
        .map(|black| (peak_cd_m2.low / black).max(0.0));
    Some(WhiteFigures {
        peak_cd_m2,
        black_cd_m2,
        window_percent: lit.patch.window_percent,
        background: scene.coding.signal(lit.patch.background[1]).max(0.0),
        black_below_range,
        black_less_than_cd_m2: dark.and_then(|dark| Some(dark.upper(least?))).filter(|_| black_below_range),
        contrast,
        contrast_more_than,
        colour: colour(scene, white),
    })
}

fn luminance(lights: &[Measured]) -> Option<f64> {
    lights.first().map(|light| light.luminance)
}

fn colour(scene: &Scene, white: Measured) -> Option<WhiteColour> {
    let aim = scene.aim.white_chromaticity()?;
    let aim_cct = formulas::cct(aim);
    let coordinates = scene.draws.figures(&[white], |lights| {
        let colour = lights.first()?.chromaticity?;
        Some(vec![colour.x(), colour.y(), colour.u_prime(), colour.v_prime()])
    })?;
    let [x, y, u, v] = coordinates.try_into().ok()?;
    let of = |index: usize, less: f64| {
        scene.draws.figure(&[white], |lights| {
            formulas::cct(lights.first()?.chromaticity?).map(|found| found[index] - less)
        })
    };
    let from_aim = scene.draws.distance(
        &[white],
        |lights| Some(lights.first()?.chromaticity?.distance(aim)),
        |one, other| Some(one.first()?.chromaticity?.distance(other.first()?.chromaticity?)),
    )?;
    Some(WhiteColour {
        xy: [x, y],
        uv: [u, v],
        cct_k: of(0, 0.0),
        duv: of(1, 0.0),
        duv_from_aim: aim_cct.and_then(|[_, duv]| of(1, duv)),
        from_aim,
        aim: words::white(&scene.aim),
        aim_cct_k: aim_cct.map(|[kelvin, _]| kelvin),
    })
}

/// Less than this in u′v′ no number in the record tells: what is left is the computation's own rounding.
const LEAST_SEEN: f64 = 1e-6;

impl WhiteColour {
    /// In which directions white is seen to be off, each by how much: across the Planckian locus, and along it. Nothing where an interval holds the
    /// aim.
    fn directions(&self) -> [Option<String>; 2] {
        if self.from_aim.high < LEAST_SEEN {
            return [None, None];
        }
        let aim = &self.aim;
        let tint = self.duv_from_aim.filter(|duv| !duv.holds(0.0)).map(|duv| {
            let colour = if duv.value > 0.0 { "green" } else { "magenta" };
            format!("{colour} of {aim} by ΔDuv {}", words::signed(&duv))
        });
        let cct = self.cct_k.zip(self.aim_cct_k).filter(|(cct, aim)| !cct.holds(*aim));
        let warmth = cct.map(|(cct, aim_cct)| {
            let colour = if cct.value < aim_cct { "warm" } else { "cool" };
            format!("{colour}, {} K where {aim} has {aim_cct:.0} K", cct.words())
        });
        [tint, warmth]
    }

    fn finding(&self) -> Finding {
        let distance = words::distance(&self.from_aim);
        let aim = &self.aim;
        let words = match self.directions() {
            [Some(tint), Some(warmth)] => format!("white is {tint}, and {warmth} (Δu′v′ {distance})"),
            [Some(one), None] | [None, Some(one)] => format!("white is {one} (Δu′v′ {distance})"),
            [None, None] if self.from_aim.low > LEAST_SEEN => {
                format!("white is off {aim} by Δu′v′ {distance}")
            }
            [None, None] => format!("no difference of white from {aim} is seen: Δu′v′ {distance}"),
        };
        judged("white_colour", self.from_aim, "", words::in_practice(MOST_FROM_AIM), |_| words)
    }
}

impl WhiteFigures {
    /// Whether nothing but what is measured was on the screen.
    fn is_full(&self) -> bool {
        self.window_percent >= 99.95
    }

    /// What is lit, in words: `10 % window on black`.
    fn shown(&self) -> String {
        let background = 100.0 * self.background;
        match self {
            _ if self.is_full() => "full screen".to_owned(),
            _ if background < 0.05 => format!("{} % window on black", words::plain(self.window_percent)),
            _ => format!(
                "{} % window on a grey of {} %",
                words::plain(self.window_percent),
                words::plain(background)
            ),
        }
    }

    fn black_finding(&self) -> Option<Finding> {
        let black = self.black_cd_m2?;
        let words = if self.black_below_range {
            let less = self
                .black_less_than_cd_m2
                .map_or_else(String::new, |most| format!(", less than {} cd/m²", show::at_most(most)));
            format!("black is below the meter's range{less}: it read {} cd/m²", black.words())
        } else if black.low <= 0.0 {
            format!("black can't be told from none: {} cd/m²", words::distance(&black))
        } else {
            format!("black is {} cd/m²", black.words())
        };
        Some(told("black", words, Some(black), "cd/m²"))
    }

    fn contrast_finding(&self) -> Option<Finding> {
        let name = if self.is_full() {
            "sequential contrast".to_owned()
        } else {
            format!("contrast, one after the other in a {},", self.shown())
        };
        let words = match (self.contrast, self.contrast_more_than) {
            (Some(contrast), _) => format!("{name} is {}\u{a0}:\u{a0}1", words::ratio(&contrast)),
            (None, Some(bound)) => {
                let why = if self.black_below_range {
                    "black is below the meter's range, and may be anything up to where that begins"
                } else {
                    "black can't be told from none"
                };
                format!("{name} is more than {}\u{a0}:\u{a0}1, as {why}", words::bound(bound))
            }
            (None, None) if self.black_below_range => format!(
                "{name} can't be told, nor what it is more than: black is below the meter's range, and the record doesn't say where that begins"
            ),
            (None, None) => return None,
        };
        Some(told("contrast", words, self.contrast, ""))
    }
}

impl Figures for WhiteFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let where_ = if self.is_full() { "on the" } else { "in a" };
        let peak = format!("white is {} cd/m² {where_} {}", self.peak_cd_m2.words(), self.shown());
        let mut findings = vec![told("peak", peak, Some(self.peak_cd_m2), "cd/m²")];
        findings.extend(self.black_finding());
        findings.extend(self.contrast_finding());
        findings.extend(self.colour.as_ref().map(WhiteColour::finding));
        findings
    }

    fn tables(&self) -> Vec<Table> {
        let Some(colour) = &self.colour else { return Vec::new() };
        let [x, y] = colour.xy;
        let [u, v] = colour.uv;
        let figures = [
            ("shown as".to_owned(), self.shown()),
            ("x".to_owned(), words::cell(Some(&x), Figure::words)),
            ("y".to_owned(), words::cell(Some(&y), Figure::words)),
            ("u′".to_owned(), words::cell(Some(&u), Figure::words)),
            ("v′".to_owned(), words::cell(Some(&v), Figure::words)),
            ("CCT (K)".to_owned(), words::cell(colour.cct_k.as_ref(), Figure::words)),
            ("Duv (from the Planckian locus)".to_owned(), words::cell(colour.duv.as_ref(), words::signed)),
            (format!("ΔDuv (from {})", colour.aim), words::cell(colour.duv_from_aim.as_ref(), words::signed)),
            (format!("Δu′v′ (from {})", colour.aim), words::distance(&colour.from_aim)),
        ];
        let rows = figures.into_iter().map(|(name, cell)| vec![name, cell]);
        let columns = ["".to_owned(), "white".to_owned()].to_vec();
        vec![Table { title: "White".to_owned(), columns, rows: rows.collect() }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let shown = self.shown();
        let listed = Quantities::default()
            .of(&shown, "peak_cd_m2", "cd/m²", self.peak_cd_m2)
            .of(&shown, "black_cd_m2", "cd/m²", self.black_cd_m2)
            .of(&shown, "contrast", "", self.contrast);
        let colour = |listed: Quantities, colour: &WhiteColour| {
            let ([x, y], [u, v]) = (colour.xy, colour.uv);
            listed
                .of("white", "x", "", x)
                .of("white", "y", "", y)
                .of("white", "u", "", u)
                .of("white", "v", "", v)
                .of("white", "cct_k", "K", colour.cct_k)
                .of("white", "duv", "", colour.duv)
                .of("white", "duv_from_aim", "", colour.duv_from_aim)
                .of("white", "from_aim", "", colour.from_aim)
        };
        listed.each(&self.colour, colour).all()
    }
}

#[cfg(test)]
mod tests;
