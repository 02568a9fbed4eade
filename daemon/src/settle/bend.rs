//! Parabolas: is the light about to turn, or has it just done so?

use super::look::{Readings, Rules, Window};
use super::track::Track;

/// How many standard errors make curvature significant.
const CURVED: f64 = 3.0;
/// A turn this share of the window ahead of its end has as good as happened.
const AHEAD: f64 = 0.25;

/// Time constants in a window, of the approaches to a limit that a bend is held against.
const CONSTANTS: [f64; 5] = [1.4, 2.0, 2.8, 4.0, 5.6];

impl Window {
    /// Whether the light is about to turn, or has just done so: a significant parabola, over the window, a hold, or twice
    /// that, leaves the band within the next hold.
    pub(super) fn turning(&self, rules: &Rules, readings: &Readings) -> bool {
        let hold = rules.criteria.hold_s;
        let wide = self.length.max(hold);
        let turns = |bends: [Option<Bend>; 3], slope: f64, band: f64| {
            let [narrow, wide, wider] = bends;
            narrow.is_some_and(|bend| bend.leaves_from_end(hold, band))
                || wide.is_some_and(|bend| bend.leaves_from(slope, self.length, hold, band))
                || wide.is_some_and(|bend| bend.has_turned(hold, band))
                || wider.is_some_and(|bend| bend.has_turned(hold, band))
        };
        let lengths = [self.length, wide, 2.0 * wide];
        let [luminance] = bends(readings.luminance, readings.last, lengths);
        let colour = self.colour.map(|colour| (colour, bends(readings.colour, readings.last, lengths)));
        turns(luminance, self.luminance.slope, self.band)
            || colour.is_some_and(|(colour, bends)| {
                bends.into_iter().zip(colour.lines).any(|(bends, line)| turns(bends, line.slope, colour.band))
            })
    }
}

/// The parabolas of each channel over the last so many seconds.
fn bends<const C: usize>(track: &Track<C>, last: f64, lengths: [f64; 3]) -> [[Option<Bend>; 3]; C] {
    let stretches = lengths.map(|length| track.since(last - length));
    std::array::from_fn(|channel| {
        stretches.map(|stretch| {
            let values = stretch.channels();
            Bend::find(stretch.times(), values.get(channel)?)
        })
    })
}

/// A parabola through one channel of a window, in the window's own units: time runs from −1/2 to 1/2.
#[derive(Clone, Copy, Debug)]
struct Bend {
    /// Length of the window, in s.
    length: f64,
    /// Quadratic coefficient, per window length squared.
    bend: f64,
    /// Slope of the parabola at the last reading, per window length.
    end_slope: f64,
    /// Standard errors of slope and bend.
    errors: [f64; 2],
    /// Whether the bend eases off towards the end, as it does on the way to a limit and doesn't at a turn.
    easing: bool,
}

impl Bend {
    /// The parabola through `y`, if its quadratic coefficient is more than [`CURVED`] standard errors from zero.
    ///
    /// The quadratic is orthogonal to line and level, so that it doesn't disturb them. The noise is taken as AR(1). The bend eases
    /// off where an exponential approach, which has as many parameters, fits better than the parabola by more than chance.
    fn find(t: &[f64], y: &[f64]) -> Option<Self> {
        let n = t.len().min(y.len());
        let (t, y) = (t.get(..n)?, y.get(..n)?);
        let (first, last) = (*t.first()?, *t.last()?);
        let length = last - first;
        if n < 8 || length <= 0.0 {
            return None;
        }
        let count = n as f64;
        let middle = f64::midpoint(first, last);
        let level = y.iter().sum::<f64>() / count;
        let points = || t.iter().zip(y).map(move |(at, value)| ((at - middle) / length, value - level));
        let basis = Basis::of(points().map(|(x, _)| x), count);
        let [slope, bend] = basis.coefficients(points());
        let [slope_norm, bend_norm] = basis.norms;
        let variance = basis.variance(points(), count, [slope, bend]);
        if bend * bend * bend_norm <= CURVED * CURVED * variance {
            return None;
        }
        let parabola = slope * slope * slope_norm + bend * bend * bend_norm;
        let better = parabola + variance;
        let easing = CONSTANTS.iter().any(|&constants| explained_by_approach(points(), constants) > better);
        let end_slope = slope + bend * (2.0 * (0.5 - basis.mean) - basis.skew);
        let errors = [slope_norm, bend_norm].map(|norm| (variance / norm).sqrt());
        Some(Self { length, bend, end_slope, errors, easing })
    }

    /// Whether the light, which moves at the parabola's own slope at the end and bends on, leaves the band within a hold.
    fn leaves_from_end(&self, hold: f64, band: f64) -> bool {
        self.end_slope * self.bend > 0.0 && self.moved(self.end_slope, hold) > band
    }

    /// The same, where `slope` is the mean one, per s, of a window of `length`: at its end it is steeper.
    fn leaves_from(&self, slope: f64, length: f64, hold: f64, band: f64) -> bool {
        let steeper = slope * self.length + self.bend * length / self.length;
        slope * self.bend > 0.0 && steeper * self.bend > 0.0 && self.moved(steeper, hold) > band
    }

    /// Whether the light has turned within the window, or all but has, and leaves the band within a hold, or may, within a standard
    /// error. An approach to a limit looks like a parabola too, but eases off.
    fn has_turned(&self, hold: f64, band: f64) -> bool {
        let ahead = -0.5 * self.end_slope / self.bend;
        let holds = hold / self.length;
        let [slope_error, bend_error] = self.errors;
        let error = (slope_error * holds).hypot(bend_error * (holds + holds * holds));
        !self.easing && ahead < AHEAD && self.moved(self.end_slope, hold) + error > band
    }

    /// How far the light goes in the direction of the bend within a hold, from `slope` per window length.
    fn moved(&self, slope: f64, hold: f64) -> f64 {
        let holds = hold / self.length;
        (slope * holds + self.bend * holds * holds) * self.bend.signum()
    }
}

/// The sum of squares that y = A·e^(−x·constants), about its mean, takes away.
fn explained_by_approach(points: impl Iterator<Item = (f64, f64)>, constants: f64) -> f64 {
    let (mut count, mut sum, mut squares, mut products) = (0.0, 0.0, 0.0, 0.0);
    for (x, value) in points {
        let decayed = (-constants * x).exp();
        count += 1.0;
        sum += decayed;
        squares += decayed * decayed;
        products += decayed * value;
    }
    products * products / (squares - sum * sum / count)
}

/// Polynomials of degree 1 and 2, orthogonal on the times of a window.
struct Basis {
    mean: f64,
    centre: f64,
    skew: f64,
    /// Sums of squares.
    norms: [f64; 2],
}

impl Basis {
    fn of(xs: impl Iterator<Item = f64> + Clone, count: f64) -> Self {
        let mean = xs.clone().sum::<f64>() / count;
        let (mut second, mut third, mut fourth) = (0.0, 0.0, 0.0);
        for x in xs {
            let square = (x - mean) * (x - mean);
            second += square;
            third += square * (x - mean);
            fourth += square * square;
        }
        let (skew, centre) = (third / second, second / count);
        Self { mean, centre, skew, norms: [second, fourth - skew * third - centre * second] }
    }

    fn at(&self, x: f64) -> [f64; 2] {
        let x = x - self.mean;
        [x, x * x - self.skew * x - self.centre]
    }

    /// The coefficients of the parabola that fits best.
    fn coefficients(&self, points: impl Iterator<Item = (f64, f64)>) -> [f64; 2] {
        let mut products = [0.0; 2];
        for (x, value) in points {
            for (product, polynomial) in products.iter_mut().zip(self.at(x)) {
                *product += polynomial * value;
            }
        }
        for (product, norm) in products.iter_mut().zip(self.norms) {
            *product = if norm > 0.0 { *product / norm } else { 0.0 };
        }
        products
    }

    /// Variance of the noise about a parabola with these coefficients, inflated as that of AR(1) noise.
    fn variance(&self, points: impl Iterator<Item = (f64, f64)>, count: f64, [slope, bend]: [f64; 2]) -> f64 {
        let (mut squares, mut lagged, mut before) = (0.0, 0.0, 0.0);
        for (x, value) in points {
            let [linear, quadratic] = self.at(x);
            let residual = value - slope * linear - bend * quadratic;
            squares += residual * residual;
            lagged += residual * before;
            before = residual;
        }
        let alike = if squares > 0.0 { (lagged / squares + 4.0 / count).clamp(0.0, 0.95) } else { 0.0 };
        squares / (count - 3.0) * (1.0 + alike) / (1.0 - alike)
    }
}
