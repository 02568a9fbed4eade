//! White in windows of several sizes: the limiter.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::Quantities;
use super::usable::usable;
use super::words::{change, luminance, plain, share, told};
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::figure::Figure;
use crate::evaluate::limiter::{Limiter, Window};
use crate::evaluate::measured::Measured;
use crate::evaluate::together;
use crate::review::record::Measurement;

/// A fall of less than this share isn't called a limiter: what a display warms up between two windows, and stray light in the meter's optics, come to as much
/// (common practice, no source).
const LEAST_FALL: f64 = 0.01;

/// Figures of luminance against area.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WindowFigures {
    /// The windows, from the smallest.
    pub windows: Vec<Area>,
    /// The highest luminance, in cd/m².
    pub peak: Figure,
    /// The window it was seen in, in per cent of the screen.
    pub peak_percent: f64,
    /// The largest window, in per cent: 100 is the full field.
    pub largest_percent: f64,
    /// Its luminance, in cd/m².
    pub largest: Figure,
    /// That over the peak. As the peak is the brightest of all, by noise too, its interval is one that holds for all windows at once.
    pub largest_to_peak: Figure,
    /// Whether a limiter is seen: a window that is brighter than the largest by more than 1 %, beyond doubt for all windows at once.
    pub limited: bool,
    /// L = Lp·(A₀/A)^k beyond A₀, where a limiter is seen and there are windows enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub curve: Option<LimiterFigures>,
}

/// One window.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Area {
    /// In per cent of the screen.
    pub percent: f64,
    /// In cd/m².
    pub luminance: Figure,
    /// Luminance over the largest window's, with intervals that hold for all windows at once.
    pub to_largest: Figure,
}

/// A limiter as it was fitted.
///
/// Its intervals are widened where the windows lie farther from the curve than their uncertainties explain, by the square root of χ² over the degrees of freedom (Birge 1932):
/// real limiters bend more softly than this.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LimiterFigures {
    /// Lp, in cd/m².
    pub plateau: Figure,
    /// A₀, in per cent of the screen; absent where the smallest window is limited already, or it is too uncertain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub knee_percent: Option<Figure>,
    /// k: 1 is constant power.
    pub exponent: Figure,
    /// √(χ²/ν), by which the intervals were widened where it is above 1.
    pub misfit: f64,
}

impl WindowFigures {
    /// Of windows of at least two sizes.
    #[must_use]
    pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<Self> {
        let light = |patch: &&Measurement| {
            usable(patch)
                .filter(|light| light.luminance > 0.0)
                .map(|light| (patch.patch.window_percent, light))
        };
        let mut found: Vec<(f64, Measured)> = patches.iter().filter_map(light).collect();
        found.sort_by(|(a, _), (b, _)| a.total_cmp(b));
        let (percents, lights): (Vec<f64>, Vec<Measured>) = found.into_iter().unzip();
        let (smallest, largest_percent) = (*percents.first()?, *percents.last()?);
        if smallest >= largest_percent {
            return None;
        }
        let brightest = (0..lights.len())
            .max_by(|a, b| luminance_at(&lights, *a).total_cmp(&luminance_at(&lights, *b)))?;
        let last = lights.len() - 1;
        let one = |index: usize| {
            let light = *lights.get(index)?;
            scene.draws.figure(&[light], |lights| Some(luminance_at(lights, 0)))
        };
        let to_largest = together::figures(&scene.draws, &lights, |lights| {
            (0..lights.len()).map(|index| luminance_at(lights, index) / luminance_at(lights, last)).collect()
        });
        let windows = percents.iter().enumerate().zip(to_largest);
        let windows: Option<Vec<Area>> = windows
            .map(|((index, &percent), to_largest)| {
                Some(Area { percent, luminance: one(index)?, to_largest: to_largest? })
            })
            .collect();
        let windows = windows?;
        let largest_to_peak = inverse(&windows.get(brightest)?.to_largest)?;
        let limited = windows.iter().any(|window| window.to_largest.low > 1.0 + LEAST_FALL);
        Some(Self {
            windows,
            peak: one(brightest)?,
            peak_percent: *percents.get(brightest)?,
            largest_percent,
            largest: one(last)?,
            largest_to_peak,
            limited,
            curve: limited.then(|| fitted(scene, &percents, &lights, brightest)).flatten(),
        })
    }

    fn fall(&self) -> Finding {
        let largest = if self.largest_percent >= 99.9 {
            "full field".to_owned()
        } else {
            format!("{} % of the area", plain(self.largest_percent))
        };
        let words = if self.limited {
            let (peak, end, part) =
                (luminance(&self.peak), luminance(&self.largest), share(&self.largest_to_peak));
            format!(
                "peak falls from {peak} at {} % to {end} at {largest}: {part} of it",
                plain(self.peak_percent)
            )
        } else {
            let worst =
                self.windows.iter().map(|window| (window.to_largest.high - 1.0).max(0.0)).fold(0.0, f64::max);
            format!(
                "no limiter is seen: up to {largest} no window is brighter than the largest by more than {:.2} %, and that has {} of the highest luminance",
                100.0 * worst,
                share(&self.largest_to_peak)
            )
        };
        told("limiter", words, self.largest_to_peak, "")
    }

    /// Windows smaller than the peak's that are darker, beyond doubt.
    fn dim(&self) -> Option<Finding> {
        let peak = self.windows.iter().find(|window| window.percent >= self.peak_percent)?.to_largest;
        let dim = self.windows.iter().take_while(|window| window.percent < self.peak_percent);
        let dim = dim.filter(|window| window.to_largest.high < peak.low * (1.0 - LEAST_FALL)).last()?;
        let (part, half) = (dim.to_largest.value / peak.value, dim.to_largest.half() + peak.half());
        let gained = Figure::around(part - 1.0, half / peak.value).held_together(peak.widened);
        let words = format!(
            "windows of {} % and less are darker than the peak: {}; the meter may see beyond the window, or the display dims small ones",
            plain(dim.percent),
            change(&gained),
        );
        Some(told("small_windows", words, gained, ""))
    }

    fn power(&self) -> Option<Finding> {
        let curve = self.curve?;
        let from = curve
            .knee_percent
            .map_or_else(String::new, |knee| format!("beyond {} % of the area ", knee.words()));
        let kind = if curve.exponent.holds(1.0) { ", as constant power would (1)" } else { "" };
        let words =
            format!("{from}luminance falls with the area to the power of {}{kind}", curve.exponent.words());
        Some(told("exponent", words, curve.exponent, ""))
    }
}

/// One over a ratio; nothing where that may be none.
fn inverse(ratio: &Figure) -> Option<Figure> {
    let Figure { value, low, high, .. } = *ratio;
    (low > 0.0).then(|| Figure { value: 1.0 / value, low: 1.0 / high, high: 1.0 / low, ..*ratio })
}

fn luminance_at(lights: &[Measured], index: usize) -> f64 {
    lights.get(index).map_or(f64::NAN, |light| light.luminance)
}

/// The limiter's curve through the windows from the brightest on. Smaller ones that are darker are not the limiter's doing.
fn fitted(scene: &Scene, percents: &[f64], lights: &[Measured], brightest: usize) -> Option<LimiterFigures> {
    // Windows that are as bright as the brightest, but for noise, belong to the plateau.
    let peak = lights.get(brightest)?;
    let plateau = |light: &Measured| {
        light.luminance
            > peak.luminance * (1.0 - LEAST_FALL) - 3.0 * light.luminance_u.hypot(peak.luminance_u)
    };
    let from = lights.iter().take(brightest).rposition(|light| !plateau(light)).map_or(0, |last| last + 1);
    let (percents, lights) = (percents.get(from..)?, lights.get(from..)?);
    let relative: Vec<f64> = lights.iter().map(|light| light.luminance_u / light.luminance).collect();
    // Where windows are exact, all count alike.
    let floor = relative.iter().copied().fold(0.0, f64::max).max(1e-6) * 0.1;
    let curve = |lights: &[Measured]| {
        let window = |((percent, light), relative): ((&f64, &Measured), &f64)| Window {
            area: percent / 100.0,
            luminance: light.luminance,
            uncertainty: relative.max(floor),
        };
        let windows: Vec<Window> = percents.iter().zip(lights).zip(&relative).map(window).collect();
        Limiter::fit(&windows)
    };
    let own = curve(lights)?;
    let freedom = lights.len().checked_sub(3).filter(|freedom| *freedom > 0)? as f64;
    let misfit = (own.misfit / freedom).sqrt();
    let widen = |light: &Measured| Measured { luminance_u: light.luminance_u * misfit.max(1.0), ..*light };
    let lights: Vec<Measured> = lights.iter().map(widen).collect();
    let figure = |of: &dyn Fn(&Limiter) -> f64| {
        scene.draws.figure(&lights, |lights| curve(lights).map(|fit| of(&fit)))
    };
    let lowest = percents.first()? * 1.001;
    let knee = figure(&|fit| 100.0 * fit.knee).filter(|knee| knee.low > lowest);
    Some(LimiterFigures {
        plateau: figure(&|fit| fit.plateau)?,
        knee_percent: knee,
        exponent: figure(&|fit| fit.exponent)?,
        misfit,
    })
}

impl Figures for WindowFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let mut verdicts = vec![self.fall()];
        verdicts.extend(self.power());
        verdicts.extend(self.dim());
        verdicts
    }

    fn tables(&self) -> Vec<Table> {
        let row =
            |window: &Area| vec![plain(window.percent), window.luminance.words(), share(&window.to_largest)];
        let columns = ["area, %", "luminance, cd/m²", "of the largest window's"].map(str::to_owned).to_vec();
        vec![Table { title: "Windows".to_owned(), columns, rows: self.windows.iter().map(row).collect() }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default()
            .whole("peak", "cd/m²", self.peak)
            .whole("largest", "cd/m²", self.largest)
            .whole("largest_to_peak", "", self.largest_to_peak);
        let area = |listed: Quantities, area: &Area| {
            let of = format!("{} %", plain(area.percent));
            listed.of(&of, "luminance", "cd/m²", area.luminance).of(&of, "to_largest", "", area.to_largest)
        };
        let curve = |listed: Quantities, curve: &LimiterFigures| {
            listed
                .whole("plateau", "cd/m²", curve.plateau)
                .whole("knee_percent", "%", curve.knee_percent)
                .whole("exponent", "", curve.exponent)
        };
        listed.each(&self.windows, area).each(&self.curve, curve).all()
    }
}

#[cfg(test)]
mod tests;
