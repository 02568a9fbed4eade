//! The spectrometer: the spectrum that it makes of the light. A pure model; time and waiting are the caller's.

use settled_protocol::colorimetry::KM_LM_W;
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::Unphysical;
use settled_protocol::spectrum::Spectrum;

use super::colorimeter::{Circumstances, Colorimeter};
use super::lights::{Lights, REACH_NM};
use super::noise::Noise;

/// Its exposures' noise is apart from that of a colorimeter with the same seed.
const STREAM: u64 = 1 << 62;

/// What it sees with.
#[derive(Clone, Debug)]
pub(super) struct Spectrometer {
    step_nm: f64,
    lights: Lights,
    /// One of each of the display's lights at each wavelength, through the slit.
    seen: Vec<[f64; 3]>,
    /// What 1 cd/m² of dark signal is at each wavelength, in W·sr⁻¹·m⁻²·nm⁻¹.
    dark: f64,
    /// The variance of shot noise at 1 s over the radiance, so that the luminance of white is as noisy as a colorimeter's.
    shot: f64,
    /// The deviation of read noise for 1 cd/m² of it in the luminance.
    read: f64,
}

impl Spectrometer {
    /// One that looks at a display of these lights: from 380 nm by `step_nm` up to 780 nm, through a slit of `slit_nm`.
    pub(super) fn new(lights: Lights, step_nm: f64, slit_nm: f64) -> Self {
        let (from_nm, to_nm) = REACH_NM;
        let wavelengths = || {
            let all = (0_u32..).map(move |index| from_nm + step_nm * f64::from(index));
            all.take_while(move |nm| *nm <= to_nm + 1e-9)
        };
        let seen: Vec<[f64; 3]> = wavelengths().map(|nm| lights.seen(nm, slit_nm)).collect();
        // What each value adds to the luminance; the sums over them need not be exact.
        let weights: Vec<f64> =
            wavelengths().map(|nm| KM_LM_W * step_nm * Observer::default().at(nm)[1]).collect();
        let white = lights.amounts([0.9505, 1.0, 1.089]);
        let (mut luminance, mut variance, mut squares) = (0.0, 0.0, 0.0);
        for (weight, seen) in weights.iter().zip(&seen) {
            let value = mixed(seen, white);
            luminance += weight * value;
            variance += weight * weight * value;
            squares += weight * weight;
        }
        let (dark, shot) = (1.0 / weights.iter().sum::<f64>(), luminance / variance);
        Self { step_nm, lights, seen, dark, shot, read: 1.0 / squares.sqrt() }
    }

    /// Its answer to `light` (X, Y, Z in cd/m²). `body` is all that it shares with a colorimeter.
    pub(super) fn answer(
        &self,
        body: &Colorimeter,
        light: [f64; 3],
        how: Circumstances,
    ) -> Result<Spectrum, Unphysical> {
        let amounts = self.lights.amounts(light);
        let at_zero = self.lights.amounts(how.zeroed.light);
        let offset = self.dark * body.dark_offset(how.temperature_c, how.zeroed.celsius);
        let (shot, read) = body.noise_parts(how.integration_s);
        let mut noise = Noise::new(body.seed, how.number | STREAM);
        let values: Vec<f64> = self
            .seen
            .iter()
            .map(|seen| {
                let value = mixed(seen, amounts);
                let deviation = (shot * (self.shot * value.max(0.0)).sqrt()).hypot(read * self.read);
                value + deviation * noise.normal() + offset - mixed(seen, at_zero)
            })
            .collect();
        Spectrum::new(REACH_NM.0, self.step_nm, values)
    }
}

fn mixed(seen: &[f64; 3], amounts: [f64; 3]) -> f64 {
    seen.iter().zip(amounts).map(|(seen, amount)| seen * amount).sum()
}

#[cfg(test)]
mod tests;
