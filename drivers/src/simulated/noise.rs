//! Noise that depends on nothing but the seed and the exposure's number, so that a simulation can be repeated.

use std::f64::consts::TAU;

/// 2^64 divided by the golden ratio, the step of SplitMix64.
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

/// SplitMix64 (Steele, Lea and Flood, *Fast splittable pseudorandom number generators*, OOPSLA 2014), started at a place
/// that seed and number give.
#[derive(Clone, Debug)]
pub(super) struct Noise {
    state: u64,
}

impl Noise {
    /// The noise of exposure `number` of the instrument that `seed` made.
    pub(super) fn new(seed: u64, number: u64) -> Self {
        Self { state: mix(mix(seed.wrapping_add(STEP)).wrapping_add(number.wrapping_mul(STEP))) }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(STEP);
        mix(self.state)
    }

    /// Evenly spread over the open interval from 0 to 1: the middle of one of 2^52 steps.
    fn uniform(&mut self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "52 bits fit an f64")]
        let step = (self.next() >> 12) as f64;
        (step + 0.5) / (1_u64 << 52) as f64
    }

    /// A normal deviate of mean 0 and standard deviation 1 (Box and Muller, 1958).
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (TAU * self.uniform()).cos()
    }
}

/// The finaliser of SplitMix64.
fn mix(value: u64) -> u64 {
    let value = (value ^ (value >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let value = (value ^ (value >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    value ^ (value >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sequence that public implementations of SplitMix64 give from 1234567.
    #[test]
    fn the_generator_is_splitmix64() {
        let mut noise = Noise { state: 1_234_567 };
        assert_eq!(
            [noise.next(), noise.next(), noise.next()],
            [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]
        );
    }

    #[test]
    fn seed_and_number_decide() {
        let draw = |seed, number| Noise::new(seed, number).next();
        assert_eq!(draw(7, 3), draw(7, 3));
        assert_ne!(draw(7, 3), draw(7, 4));
        assert_ne!(draw(7, 3), draw(8, 3));
        assert_ne!(draw(7, 3), draw(8, 2));
    }

    /// First four moments of the first deviate of each exposure: n = 20000, tolerance five standard errors
    /// (√(1/n), √(2/n), √(15/n), √(96/n)).
    #[test]
    fn deviates_are_normal() {
        let n = 20_000_u32;
        let deviates: Vec<f64> = (0..n).map(|number| Noise::new(1, u64::from(number)).normal()).collect();
        for (power, moment, variance) in [(1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)] {
            let mean = deviates.iter().map(|z| z.powi(power)).sum::<f64>() / f64::from(n);
            let tolerance = 5.0 * f64::sqrt(variance / f64::from(n));
            assert!((mean - moment).abs() < tolerance, "moment {power}: {mean}");
        }
    }
}
