//! The limiter of a display that can't light its whole area as brightly as a part of it.
//!
//! L = Lp for areas up to the knee A₀, and Lp·(A₀/A)^k beyond. k = 1 holds the power of the lit area constant (energy balance: power is proportional to L·A, the
//! rest being black); real limiters leave k between 0 and 1, as part of the power doesn't go with the light.

/// One window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// The window's share of the screen, above 0 and up to 1.
    pub area: f64,
    /// Its luminance, in cd/m².
    pub luminance: f64,
    /// Relative standard uncertainty of the luminance; what weighs it against the others.
    pub uncertainty: f64,
}

/// A limiter's curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limiter {
    /// Lp, in cd/m².
    pub plateau: f64,
    /// A₀, as a share of the screen.
    pub knee: f64,
    /// k.
    pub exponent: f64,
    /// Σ (relative residual / relative uncertainty)².
    pub misfit: f64,
}

impl Limiter {
    /// The luminance of a window, in cd/m².
    #[must_use]
    pub fn luminance(&self, area: f64) -> f64 {
        self.plateau * (self.knee / area).min(1.0).powf(self.exponent)
    }

    /// The curve closest to the windows, by least squares in the logarithm of luminance weighted by the uncertainties; nothing with fewer than four areas (three
    /// parameters and one that can contradict), or where nothing falls.
    ///
    /// The knee is sought from the smallest area to the second-largest, so that at least two windows lie beyond. In logarithms the curve is level, then a straight line: for
    /// each way to part the windows both are fitted and meet at the knee, and where they meet elsewhere than between the two parts the knee is at one of the
    /// areas (Hudson 1966, from memory).
    #[must_use]
    pub fn fit(windows: &[Window]) -> Option<Self> {
        if windows.iter().any(|window| !(window.luminance > 0.0 && window.area > 0.0)) {
            return None;
        }
        let mut points: Vec<Point> = windows.iter().map(Point::of).collect();
        points.sort_by(|a, b| a.area.total_cmp(&b.area));
        let mut areas: Vec<f64> = points.iter().map(|point| point.area).collect();
        areas.dedup();
        if areas.len() < 4 {
            return None;
        }
        let knees = areas.windows(2).take(areas.len() - 2).filter_map(|pair| {
            let [before, after] = *pair else { return None };
            let meeting = meeting(&points, before).filter(|knee| (before..=after).contains(knee));
            [meeting, Some(before), Some(after)]
                .into_iter()
                .flatten()
                .filter(|knee| *knee < after || areas.last() > Some(&after))
                .filter_map(|knee| Self::with_knee(&points, knee))
                .min_by(|a, b| a.misfit.total_cmp(&b.misfit))
        });
        knees.min_by(|a, b| a.misfit.total_cmp(&b.misfit)).filter(|fit| fit.exponent > 0.0)
    }

    /// The best plateau and exponent with the knee at the area e^`knee`.
    fn with_knee(points: &[Point], knee: f64) -> Option<Self> {
        let hinged: Vec<Point> =
            points.iter().map(|point| Point { area: (point.area - knee).max(0.0), ..*point }).collect();
        let line = Line::of(&hinged)?;
        let misfit =
            hinged.iter().map(|point| point.weight * (point.light - line.at(point.area)).powi(2)).sum();
        let fit = Self { plateau: line.at(0.0).exp(), knee: knee.exp(), exponent: -line.slope, misfit };
        (fit.plateau.is_finite() && fit.exponent.is_finite()).then_some(fit)
    }
}

/// Where the level of the windows up to an area meets the line through those beyond, as the logarithm of the area.
fn meeting(points: &[Point], up_to: f64) -> Option<f64> {
    let (level, falling) = points.split_at(points.partition_point(|point| point.area <= up_to));
    let line = Line::of(falling).filter(|line| line.slope < 0.0)?;
    let weight: f64 = level.iter().map(|point| point.weight).sum();
    let level = level.iter().map(|point| point.weight * point.light).sum::<f64>() / weight;
    Some(line.area + (level - line.light) / line.slope)
}

/// A window in logarithms.
#[derive(Clone, Copy)]
struct Point {
    area: f64,
    light: f64,
    weight: f64,
}

impl Point {
    fn of(window: &Window) -> Self {
        let weight = window.uncertainty.max(1e-9).powi(-2);
        Self { area: window.area.ln(), light: window.luminance.ln(), weight }
    }
}

/// A straight line through the points' centre.
struct Line {
    area: f64,
    light: f64,
    slope: f64,
}

impl Line {
    /// By weighted least squares; nothing where all points have one area.
    fn of(points: &[Point]) -> Option<Self> {
        let weight: f64 = points.iter().map(|point| point.weight).sum();
        let area = points.iter().map(|point| point.weight * point.area).sum::<f64>() / weight;
        let light = points.iter().map(|point| point.weight * point.light).sum::<f64>() / weight;
        let (mut squares, mut products) = (0.0, 0.0);
        for point in points {
            squares += point.weight * (point.area - area).powi(2);
            products += point.weight * (point.area - area) * (point.light - light);
        }
        (squares > 1e-12 * weight).then(|| Self { area, light, slope: products / squares })
    }

    fn at(&self, area: f64) -> f64 {
        self.light + self.slope * (area - self.area)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AREAS: [f64; 9] = [0.01, 0.02, 0.05, 0.1, 0.18, 0.25, 0.5, 0.75, 1.0];

    fn windows(luminance: impl Fn(f64) -> f64) -> Vec<Window> {
        AREAS.map(|area| Window { area, luminance: luminance(area), uncertainty: 0.002 }).to_vec()
    }

    #[test]
    fn constant_power_is_the_energy_balance() {
        // L(A) = Lp·A₀/A, worked out by hand.
        let limiter = Limiter { plateau: 1000.0, knee: 0.1, exponent: 1.0, misfit: 0.0 };
        for (area, expected) in [(0.01, 1000.0), (0.25, 400.0), (0.5, 200.0), (1.0, 100.0)] {
            assert!((limiter.luminance(area) - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn a_limiter_is_found_as_it_was_put_in_wherever_its_knee_is() {
        for (knee, exponent) in [(0.1, 1.0), (0.13, 0.8), (0.03, 0.5), (0.4, 0.3), (0.6, 1.0)] {
            let put_in = Limiter { plateau: 800.0, knee, exponent, misfit: 0.0 };
            let found = Limiter::fit(&windows(|area| put_in.luminance(area))).unwrap();
            assert!((found.plateau / 800.0 - 1.0).abs() < 1e-6, "{found:?}");
            assert!((found.knee / knee - 1.0).abs() < 1e-5, "{found:?}");
            assert!((found.exponent - exponent).abs() < 1e-5, "{found:?}");
        }
    }

    #[test]
    fn three_areas_are_too_few_and_light_that_rises_has_no_limiter() {
        let four = windows(|area| 500.0 * (0.05 / area).min(1.0));
        assert_eq!(Limiter::fit(&four[..3]), None);
        assert_eq!(Limiter::fit(&windows(|area| 500.0 * area.powf(0.1))), None);
    }
}
