//! The colorimeter: what it makes of the light. A pure model; time and waiting are the caller's.

use settled_protocol::meter::Span;
use settled_protocol::quantity::{Light, Photometric, Unphysical, Xyz};

use super::lag::Lag;
use super::matrix::{IDENTITY, Matrix, apply};
use super::noise::Noise;

/// Relative shot noise at 1 cd/m² and 1 s. Engineering judgement.
const SHOT: f64 = 0.015;
/// Read noise in cd/m² at 1 s: one read-out an exposure, a fixed charge, so it falls as 1/t. Engineering judgement.
const READ_CD_M2_S: f64 = 0.0005;
/// What the automatic integration time gathers, in cd/m²·s. Engineering judgement.
const GATHERED_CD_M2_S: f64 = 50.0;
/// Temperature of the room, in °C.
const ROOM_C: f64 = 23.0;
/// By how much the meter warms itself, in K. Engineering judgement.
const WARMING_K: f64 = 6.0;
/// The time constant of that, in s. Engineering judgement.
const WARMING_S: f64 = 600.0;
/// The dark current of silicon doubles about every 7 K.
const DOUBLING_K: f64 = 7.0;
/// What Y takes of X and of Z at most: a blue has seventeen times as much Z as Y, and its luminance must not be negative.
const Y_LEAK: f64 = 0.03;
/// The noise stream that makes the filters, apart from every exposure's.
const FILTERS: u64 = u64::MAX;

/// What the meter is like.
#[derive(Clone, Debug)]
pub(super) struct Colorimeter {
    pub(super) seed: u64,
    /// Integration times it can be asked for, in s.
    pub(super) integration_s: Span,
    /// The shortest it takes by itself, in s.
    pub(super) automatic_s: f64,
    /// In cd/m².
    pub(super) range: Span,
    /// Factor of all noise: 0 is none.
    pub(super) noise: f64,
    /// Light to answer: near the unit matrix.
    pub(super) filters: Matrix,
    /// The dark offset of a cold meter without its zero, in cd/m².
    pub(super) dark_cd_m2: f64,
    /// The step of answers, in cd/m²; 0 is none.
    pub(super) resolution_cd_m2: f64,
    /// Below this there is no chromaticity, in cd/m².
    pub(super) colour_from_cd_m2: f64,
}

/// How the meter was when it was last zeroed: what it saw then, it takes off every answer.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Zeroed {
    /// Its temperature, in °C.
    pub(super) celsius: f64,
    /// The light in front of it (X, Y, Z in cd/m²): none with a cap on it, or where the display shows none.
    pub(super) light: [f64; 3],
}

/// How the meter is during one exposure.
#[derive(Clone, Copy, Debug)]
pub(super) struct Circumstances {
    pub(super) integration_s: f64,
    /// Of the meter, in °C.
    pub(super) temperature_c: f64,
    /// How it was zeroed.
    pub(super) zeroed: Zeroed,
    /// The exposure's number.
    pub(super) number: u64,
}

/// Filters that miss the colour-matching functions: each element of the matrix is off by a normal deviate times `error`, those that Y takes
/// of X and Z by no more than 0.03.
pub(super) fn filters(seed: u64, error: f64) -> Matrix {
    let mut noise = Noise::new(seed, FILTERS);
    let mut filters = IDENTITY.map(|row| row.map(|element| element + error * noise.normal()));
    for column in [0, 2] {
        filters[1][column] = filters[1][column].clamp(-Y_LEAK, Y_LEAK);
    }
    filters
}

impl Colorimeter {
    /// The integration time it takes by itself for a luminance in cd/m²: 50 cd/m²·s, within its limits.
    pub(super) fn automatic_s(&self, luminance: f64) -> f64 {
        (GATHERED_CD_M2_S / luminance.max(f64::MIN_POSITIVE)).clamp(self.automatic_s, self.integration_s.max)
    }

    /// Its temperature in °C, `since_open_s` after it was opened.
    pub(super) fn temperature_c(since_open_s: f64) -> f64 {
        Lag::even(WARMING_S).after(ROOM_C, ROOM_C + WARMING_K, since_open_s.max(0.0))
    }

    /// Its answer to `light` (X, Y, Z in cd/m²).
    pub(super) fn answer(&self, light: [f64; 3], how: Circumstances) -> [f64; 3] {
        let offset = self.dark_offset(how.temperature_c, how.zeroed.celsius);
        let mut noise = Noise::new(self.seed, how.number);
        let [seen, at_zero] = [light, how.zeroed.light].map(|light| apply(&self.filters, light));
        std::array::from_fn(|row| {
            let noisy = seen[row] + self.noise_cd_m2(seen[row], how.integration_s) * noise.normal();
            self.quantised(noisy + offset - at_zero[row])
        })
    }

    /// D·(2^((T−23)/7) − 2^((T₀−23)/7)): the dark current now, less what there was when it was last zeroed.
    pub(super) fn dark_offset(&self, temperature_c: f64, zeroed_c: f64) -> f64 {
        let dark = |celsius: f64| self.dark_cd_m2 * ((celsius - ROOM_C) / DOUBLING_K).exp2();
        dark(temperature_c) - dark(zeroed_c)
    }

    /// √(shot² + read²) with shot = 0.015·√(V/t) and read = 0.0005/t.
    fn noise_cd_m2(&self, value: f64, integration_s: f64) -> f64 {
        let (shot, read) = self.noise_parts(integration_s);
        (shot * value.max(0.0).sqrt()).hypot(read)
    }

    /// The deviation of shot noise over the root of the light, and that of read noise, in cd/m².
    pub(super) fn noise_parts(&self, integration_s: f64) -> (f64, f64) {
        (self.noise * SHOT / integration_s.sqrt(), self.noise * READ_CD_M2_S / integration_s)
    }

    fn quantised(&self, value: f64) -> f64 {
        let step = self.resolution_cd_m2;
        if step > 0.0 { (value / step).round() * step } else { value }
    }

    /// The answer as light, with a colour where there is enough for one.
    pub(super) fn light(&self, answer: [f64; 3]) -> Result<Light, Unphysical> {
        let light = Light::colour(Photometric::Luminance, Xyz::try_from(answer)?);
        Ok(if light.value() < self.colour_from_cd_m2 { light.without_chromaticity() } else { light })
    }
}

#[cfg(test)]
mod tests;
