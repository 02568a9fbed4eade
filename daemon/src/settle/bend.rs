//! Parabolas: is the light about to turn, or has it just done so?

/// How many standard errors make curvature significant.
const CURVED: f64 = 3.0;
/// A turn this share of the window ahead of its end has as good as happened.
const AHEAD: f64 = 0.25;

/// A parabola through one channel of a window, in the window's own units: time runs from −1/2 to 1/2.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bend {
    /// Length of the window, in s.
    length: f64,
    /// Quadratic coefficient, per window length squared.
    bend: f64,
    /// Slope of the parabola at the last reading, per window length.
    end_slope: f64,
    /// Whether the bend eases off towards the end, as it does on the way to a limit and doesn't at a turn.
    easing: bool,
}

impl Bend {
    /// The parabola through `y`, if its quadratic coefficient is more than [`CURVED`] standard errors from zero.
    ///
    /// Quadratic and cubic are orthogonal to what comes before them, so that none disturbs the other. The noise is taken as
    /// AR(1). The bend eases off where a cubic of the other sign is more than a standard error from zero.
    pub(super) fn find(t: &[f64], y: &[f64]) -> Option<Self> {
        let n = t.len().min(y.len());
        let (t, y) = (t.get(..n)?, y.get(..n)?);
        let (first, last) = (*t.first()?, *t.last()?);
        let length = last - first;
        if n < 8 || length <= 0.0 {
            return None;
        }
        let count = n as f64;
        let middle = f64::midpoint(first, last);
        let xs = || t.iter().map(move |at| (at - middle) / length);
        let basis = Basis::of(xs(), count);
        let level = y.iter().sum::<f64>() / count;
        let mut products = [0.0; 3];
        for (x, value) in xs().zip(y) {
            for (product, polynomial) in products.iter_mut().zip(basis.at(x)) {
                *product += polynomial * (value - level);
            }
        }
        let [slope, bend, cubic] = basis.coefficients(products);
        let without_cubic = basis.variance(xs(), y, level, [slope, bend, 0.0]);
        let with_cubic = basis.variance(xs(), y, level, [slope, bend, cubic]);
        let [_, bend_norm, cubic_norm] = basis.norms;
        let easing = cubic * bend < 0.0 && cubic * cubic * cubic_norm > with_cubic;
        if bend * bend * bend_norm <= CURVED * CURVED * without_cubic {
            return None;
        }
        let end_slope = slope + bend * (2.0 * (basis.end - basis.mean) - basis.skew);
        Some(Self { length, bend, end_slope, easing })
    }

    /// Whether the light, which moves at the parabola's own slope at the end and bends on, leaves the band within a hold.
    pub(super) fn leaves_from_end(&self, hold: f64, band: f64) -> bool {
        self.end_slope * self.bend > 0.0 && self.moved(self.end_slope, hold) > band
    }

    /// The same, where `slope` is the mean one, per s, of a window of `length`: at its end it is steeper.
    pub(super) fn leaves_from(&self, slope: f64, length: f64, hold: f64, band: f64) -> bool {
        let steeper = slope * self.length + self.bend * length / self.length;
        slope * self.bend > 0.0 && steeper * self.bend > 0.0 && self.moved(steeper, hold) > band
    }

    /// Whether the light has turned within the window, or all but has, and leaves the band within a hold. An approach to a
    /// limit looks like a parabola too, but eases off.
    pub(super) fn has_turned(&self, hold: f64, band: f64) -> bool {
        let ahead = -0.5 * self.end_slope / self.bend;
        !self.easing && ahead < AHEAD && self.moved(self.end_slope, hold) > band
    }

    /// How far the light goes in the direction of the bend within a hold, from `slope` per window length.
    fn moved(&self, slope: f64, hold: f64) -> f64 {
        let holds = hold / self.length;
        (slope * holds + self.bend * holds * holds) * self.bend.signum()
    }
}

/// Polynomials of degree 1 to 3, orthogonal on the times of a window.
struct Basis {
    mean: f64,
    /// Last time.
    end: f64,
    centre: f64,
    skew: f64,
    /// What x³ has of degrees 0, 1 and 2.
    thirds: [f64; 3],
    /// Sums of squares.
    norms: [f64; 3],
}

impl Basis {
    fn of(xs: impl Iterator<Item = f64> + Clone, count: f64) -> Self {
        let mean = xs.clone().sum::<f64>() / count;
        let end = xs.clone().last().unwrap_or_default();
        let mut powers = [0.0; 5];
        for x in xs.clone() {
            let x = x - mean;
            let mut power = x;
            for sum in &mut powers {
                power *= x;
                *sum += power;
            }
        }
        let [second, third, fourth, fifth, sixth] = powers;
        let (skew, centre) = (third / second, second / count);
        let quadratic = fourth - skew * third - centre * second;
        let (zeroth, first) = (third / count, fourth / second);
        let on_quadratic = (fifth - skew * fourth - centre * third) / quadratic;
        let cubic = sixth - zeroth * third - first * fourth - on_quadratic * on_quadratic * quadratic;
        Self {
            mean,
            end,
            centre,
            skew,
            thirds: [zeroth, first, on_quadratic],
            norms: [second, quadratic, cubic],
        }
    }

    fn at(&self, x: f64) -> [f64; 3] {
        let x = x - self.mean;
        let quadratic = x * x - self.skew * x - self.centre;
        let [zeroth, first, second] = self.thirds;
        [x, quadratic, x * x * x - zeroth - first * x - second * quadratic]
    }

    /// Variance of the noise about a polynomial with these coefficients, inflated as that of AR(1) noise.
    fn variance(&self, xs: impl Iterator<Item = f64>, y: &[f64], level: f64, coefficients: [f64; 3]) -> f64 {
        let count = y.len() as f64;
        let (mut squares, mut lagged, mut before) = (0.0, 0.0, 0.0);
        for (x, value) in xs.zip(y) {
            let terms = self.at(x).into_iter().zip(coefficients);
            let residual = value - level - terms.map(|(term, coefficient)| term * coefficient).sum::<f64>();
            squares += residual * residual;
            lagged += residual * before;
            before = residual;
        }
        let alike = if squares > 0.0 { (lagged / squares + 4.0 / count).clamp(0.0, 0.95) } else { 0.0 };
        squares / (count - 3.0) * (1.0 + alike) / (1.0 - alike)
    }

    fn coefficients(&self, products: [f64; 3]) -> [f64; 3] {
        let mut coefficients = products;
        for (coefficient, norm) in coefficients.iter_mut().zip(self.norms) {
            *coefficient = if norm > 0.0 { *coefficient / norm } else { 0.0 };
        }
        coefficients
    }
}
