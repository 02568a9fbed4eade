//! Uncertainty carried from readings to figures: propagation of distributions by Monte Carlo (JCGM 101:2008).
//!
//! Every light is drawn anew from a normal distribution about what was measured, the figure computed from each draw, and the interval
//! read off at 2.5 % and 97.5 % of them (JCGM 101, 7.7.2). What the meter's calibration leaves open is drawn once for all lights of a draw, as it is
//! one meter that looked at all of them: it goes out of a contrast, and stays in a peak.
//!
//! It has two parts. One is common to all lights: the stated uncertainty, as of white. A meter with filters is off by another amount on each colour, though, and one
//! shift for all would leave the area of a gamut as it is. So each primary has a deviation of its own beside it, as large again and independent, and a light has
//! of these what it is mixed of, less what white has: nothing in greys, most in a primary. That a meter adds up what it sees makes it so; that the parts are equal
//! is engineering judgement.

use settled_protocol::matrix::Matrix;
use settled_protocol::quantity::Chromaticity;

use super::figure::Figure;
use super::measured::Measured;

/// How many draws: the ends of a 95 % interval are then good to a tenth of its width.
const COUNT: usize = 1000;

/// What is not known of the meter's calibration: standard uncertainties, zero where nobody stated them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Calibration {
    /// Of luminance, relative: 0.01 is 1 %.
    pub luminance_u: f64,
    /// Of u′, and of v′.
    pub chromaticity_u: f64,
}

/// A way to draw lights: the same seed gives the same.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draws {
    count: usize,
    seed: u64,
    calibration: Calibration,
    /// From linear red, green and blue to X, Y and Z: what lights are mixed of. Without it what the calibration leaves open is common to all lights.
    primaries: Option<Matrix>,
}

/// How much of each primary is in a light, less what is in white, by luminance and by what colours mix by.
#[derive(Clone, Copy, Debug, Default)]
struct Mixture {
    luminance: [f64; 3],
    colour: [f64; 3],
}

impl Draws {
    /// A thousand draws.
    #[must_use]
    pub fn new(calibration: Calibration) -> Self {
        Self { count: COUNT, seed: 1, calibration, primaries: None }
    }

    /// Of a display that mixes its colours of three primaries, near to those of this matrix from linear red, green and blue to X, Y and Z.
    #[must_use]
    pub fn of_primaries(self, rgb_to_xyz: Option<Matrix>) -> Self {
        Self { primaries: rgb_to_xyz, ..self }
    }

    /// So many draws: fewer are quicker, where a test looks at many reviews.
    #[cfg(test)]
    pub(crate) fn of(self, count: usize) -> Self {
        Self { count, ..self }
    }

    /// `figure` of `lights`, with its interval; nothing where `figure` has none for the lights themselves, or for more than a twentieth of the draws.
    pub fn figure(&self, lights: &[Measured], figure: impl Fn(&[Measured]) -> Option<f64>) -> Option<Figure> {
        self.figures(lights, |lights| figure(lights).map(|figure| vec![figure]))?.into_iter().next()
    }

    /// Several figures of the same lights, always as many; each has its interval. Nothing as for one.
    pub fn figures(
        &self,
        lights: &[Measured],
        figures: impl Fn(&[Measured]) -> Option<Vec<f64>>,
    ) -> Option<Vec<Figure>> {
        let values = figures(lights).filter(|values| values.iter().all(|value| value.is_finite()))?;
        let mut columns = vec![Vec::with_capacity(self.count); values.len()];
        self.each(lights, |drawn| {
            if let Some(drawn) = figures(drawn).filter(|drawn| drawn.len() == values.len()) {
                for (column, value) in columns.iter_mut().zip(drawn) {
                    if value.is_finite() {
                        column.push(value);
                    }
                }
            }
        });
        let enough = self.count - self.count / 20;
        values
            .into_iter()
            .zip(columns)
            .map(|(value, column)| (column.len() >= enough).then(|| interval(value, column)))
            .collect()
    }

    /// A figure that is a distance, such as a colour difference, whose draws lie farther off than the truth does: `distance` of two sets of lights
    /// is the figure's own measure. The interval is the figure ± what 95 % of the draws are within of what was measured, and not below zero.
    pub fn distance(
        &self,
        lights: &[Measured],
        figure: impl Fn(&[Measured]) -> Option<f64>,
        distance: impl Fn(&[Measured], &[Measured]) -> Option<f64>,
    ) -> Option<Figure> {
        let value = figure(lights).filter(|value| value.is_finite())?;
        let mut apart = Vec::with_capacity(self.count);
        self.each(lights, |drawn| apart.extend(distance(lights, drawn).filter(|value| value.is_finite())));
        if apart.len() < self.count - self.count / 20 {
            return None;
        }
        apart.sort_by(f64::total_cmp);
        let u95 = quantile(&apart, 0.95);
        Some(Figure::between(value, (value - u95).max(0.0), value + u95))
    }

    /// Every draw of `lights`.
    pub fn each(&self, lights: &[Measured], mut take: impl FnMut(&[Measured])) {
        let mut random = fastrand::Rng::with_seed(self.seed);
        let mut drawn = lights.to_vec();
        let Calibration { luminance_u, chromaticity_u } = self.calibration;
        let stated = luminance_u > 0.0 || chromaticity_u > 0.0;
        let mixtures = self.primaries.filter(|_| stated).and_then(|matrix| mixtures(lights, matrix));
        for _ in 0..self.count {
            let scale = 1.0 + self.calibration.luminance_u * normal(&mut random);
            let shift = [(); 2].map(|()| self.calibration.chromaticity_u * normal(&mut random));
            let own = mixtures.as_ref().map(|mixtures| {
                let of_each = [(); 3].map(|()| [(); 3].map(|()| normal(&mut random)));
                mixtures.iter().map(move |mixture| mixture.off(&of_each))
            });
            let mut own = own.into_iter().flatten();
            for (drawn, light) in drawn.iter_mut().zip(lights) {
                let [more, du, dv] = own.next().unwrap_or_default();
                let noise = light.luminance_u * normal(&mut random);
                drawn.luminance = (light.luminance + noise) * (scale + luminance_u * more);
                let [u, v] = shift.map(|shift| shift + light.chromaticity_u * normal(&mut random));
                let (u, v) = (u + chromaticity_u * du, v + chromaticity_u * dv);
                drawn.chromaticity = light.chromaticity.and_then(|colour| {
                    Chromaticity::from_uv(colour.u_prime() + u, colour.v_prime() + v).ok()
                });
            }
            take(&drawn);
        }
    }
}

impl Mixture {
    /// How far the light is off by its primaries' own deviations, of luminance, u′ and v′, in units of what was stated.
    fn off(&self, [luminance, u, v]: &[[f64; 3]; 3]) -> [f64; 3] {
        let sum =
            |shares: &[f64; 3], of: &[f64; 3]| shares.iter().zip(of).map(|(share, of)| share * of).sum();
        [sum(&self.luminance, luminance), sum(&self.colour, u), sum(&self.colour, v)]
    }
}

/// What lights are mixed of, less what white is: nothing of a light without a chromaticity.
fn mixtures(lights: &[Measured], rgb_to_xyz: Matrix) -> Option<Vec<Mixture>> {
    let inverse = rgb_to_xyz.inverse()?;
    let units = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    let [red, green, blue] = units.map(|unit| rgb_to_xyz.times(unit));
    let shares = |amounts: [f64; 3], of: fn([f64; 3]) -> f64| {
        let [r, g, b] = amounts.map(|amount| amount.max(0.0));
        let parts = [r * of(red), g * of(green), b * of(blue)];
        let whole: f64 = parts.iter().sum();
        parts.map(|part| if whole > 0.0 { part / whole } else { 1.0 / 3.0 })
    };
    let luminance = |[_, y, _]: [f64; 3]| y;
    // Chromaticities in u′v′ mix by X + 15Y + 3Z (ISO/CIE 11664-5, from its definition of u′ and v′).
    let colour = |[x, y, z]: [f64; 3]| x + 15.0 * y + 3.0 * z;
    let less = |[a, b, c]: [f64; 3], [d, e, f]: [f64; 3]| [a - d, b - e, c - f];
    let white = [luminance, colour].map(|of| shares([1.0; 3], of));
    let each = lights.iter().map(|light| {
        let unit = Measured { luminance: 1.0, ..*light };
        unit.xyz().map_or_else(Mixture::default, |xyz| {
            let amounts = inverse.times(xyz);
            Mixture {
                luminance: less(shares(amounts, luminance), white[0]),
                colour: less(shares(amounts, colour), white[1]),
            }
        })
    });
    Some(each.collect())
}

/// A figure and its interval from what the draws gave.
pub(crate) fn interval(value: f64, mut draws: Vec<f64>) -> Figure {
    draws.sort_by(f64::total_cmp);
    Figure::between(value, quantile(&draws, 0.025).min(value), quantile(&draws, 0.975).max(value))
}

/// The value that a share of `sorted` lies below.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "an index among some thousands"
)]
pub(crate) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    let index = (share * last as f64).round() as usize;
    sorted.get(index.min(last)).copied().unwrap_or(f64::NAN)
}

/// From the standard normal distribution (Box and Muller 1958).
fn normal(random: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - random.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * random.f64()).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn light(luminance: f64, luminance_u: f64) -> Measured {
        Measured { luminance_u, ..Measured::exactly(luminance, None) }
    }

    fn contrast(lights: &[Measured]) -> Option<f64> {
        let [white, black] = lights else { return None };
        (black.luminance > 0.0).then(|| white.luminance / black.luminance)
    }

    #[test]
    fn a_sum_has_the_interval_of_the_law_of_propagation() {
        // JCGM 100:2008, 5.1.2: u² = u₁² + u₂², and 1.96 of it for 95 %.
        let draws = Draws::new(Calibration::default());
        let sum = |lights: &[Measured]| Some(lights.iter().map(|light| light.luminance).sum());
        let figure = draws.figure(&[light(100.0, 3.0), light(50.0, 4.0)], sum).unwrap();
        assert!((figure.value - 150.0).abs() < 1e-12);
        assert!((figure.u95() / (1.96 * 5.0) - 1.0).abs() < 0.1, "{figure:?}");
    }

    #[test]
    fn what_the_calibration_leaves_open_goes_out_of_a_ratio_and_stays_in_a_peak() {
        let draws = Draws::new(Calibration { luminance_u: 0.02, chromaticity_u: 0.0 });
        let lights = [light(200.0, 0.0), light(0.1, 0.0)];
        assert!(draws.figure(&lights, contrast).unwrap().u95() < 1e-9);
        let peak = draws.figure(&lights, |lights| lights.first().map(|light| light.luminance)).unwrap();
        assert!((peak.u95() / (200.0 * 0.02 * 1.96) - 1.0).abs() < 0.1, "{peak:?}");
    }

    #[test]
    fn a_primary_is_off_by_its_own_amount_and_greys_are_not() {
        use crate::evaluate::aim::{Aim, D65_XY, Primaries, Transfer};
        let aim = Aim { transfer: Transfer::Srgb, primaries: Primaries::Bt709, white: Some(D65_XY) };
        let calibration = Calibration { luminance_u: 0.02, chromaticity_u: 0.003 };
        let draws = Draws::new(calibration).of_primaries(aim.rgb_to_xyz());
        let white = Chromaticity::from_xy(D65_XY[0], D65_XY[1]).ok();
        let [x, y] = Primaries::Bt709.xy()[0];
        let red = Chromaticity::from_xy(x, y).ok();
        let lights = [(100.0, white), (1.0, white), (21.26, red)]
            .map(|(luminance, colour)| Measured::exactly(luminance, colour));
        let ratio = |index: usize| {
            draws.figure(&lights, |lights| Some(lights[index].luminance / lights[0].luminance)).unwrap()
        };
        assert!(ratio(1).u95() < 1e-9, "{:?}", ratio(1));
        // Red's own less white's: the parts of BT.709's white are 0.2126, 0.7152 and 0.0722, so √(0.7874² + 0.7152² + 0.0722²) = 1.066 of what was stated.
        assert!((ratio(2).u95() / (0.2126 * 0.02 * 1.066 * 1.96) - 1.0).abs() < 0.1, "{:?}", ratio(2));
        let apart =
            |lights: &[Measured]| Some(lights[2].chromaticity?.u_prime() - lights[0].chromaticity?.u_prime());
        let none = Draws::new(calibration).figure(&lights, apart).unwrap();
        let own = draws.figure(&lights, apart).unwrap();
        assert!(none.u95() < 1e-9 && own.u95() > 0.003, "{none:?} {own:?}");
    }

    #[test]
    fn a_figure_that_the_noise_can_undo_is_none() {
        let draws = Draws::new(Calibration::default());
        assert_eq!(draws.figure(&[light(200.0, 0.0), light(0.0, 0.001)], contrast), None);
        assert_eq!(draws.figure(&[light(200.0, 0.0), light(0.001, 0.001)], contrast), None);
    }
}
