//! What a sample shows: a spectrum is summed up to light, once, by the observer that the config names.

use settled_drivers::fault::{Fault, FaultKind};
use settled_drivers::sample::Seen;
use settled_protocol::colorimetry::{Method, Summation, Unsummed, covers_the_visible};
use settled_protocol::quantity::Light;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::spectrum::Spectrum;

/// Sums up one meter's samples.
#[derive(Debug)]
pub(super) struct Summing(Summation);

/// What a sample shows.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Summed {
    pub(super) light: Light,
    spectral: Option<(Spectrum, Method)>,
}

impl Summing {
    pub(super) fn new(method: Method) -> Self {
        Self(Summation::new(method))
    }

    /// The light that was seen, or the light of the spectrum that was.
    ///
    /// # Errors
    /// `Unsupported` if the spectrum's step doesn't suit the bandwidth that the config names; `Garbled` if its sums are no light.
    pub(super) fn sum(&mut self, seen: &Seen) -> Result<Summed, Fault> {
        let (photometric, spectrum) = match seen {
            Seen::Light(light) => return Ok(Summed { light: self.coloured(*light), spectral: None }),
            Seen::Spectrum(photometric, spectrum) => (*photometric, spectrum),
        };
        let xyz = self.0.xyz(spectrum).map_err(|error| {
            let kind = match error {
                Unsummed::Bandwidth { .. } => FaultKind::Unsupported,
                Unsummed::Unphysical(_) => FaultKind::Garbled,
            };
            Fault::new(kind, "summing up the spectrum").because(error)
        })?;
        let spectral = Some((spectrum.clone(), self.0.method()));
        Ok(Summed { light: self.coloured(Light::colour(photometric, xyz)), spectral })
    }

    /// The light without its chromaticity where there is too little of it.
    fn coloured(&self, light: Light) -> Light {
        let too_little = self.0.method().colour_from_cd_m2.is_some_and(|from| light.value() < from);
        if too_little { light.without_chromaticity() } else { light }
    }
}

impl Summed {
    /// Gives a reading its spectrum, and says how that was summed up where it is not as usual.
    pub(super) fn label(self, draft: &mut Reading) {
        let Some((spectrum, Method { observer, bandwidth_nm, .. })) = self.spectral else { return };
        if !covers_the_visible(&spectrum) {
            draft.flags.push(Flag::NarrowSpectrum);
        }
        draft.observer = observer.unusual();
        draft.bandwidth_nm = bandwidth_nm;
        draft.spectrum = Some(spectrum);
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::colorimetry::observer::Observer;
    use settled_protocol::quantity::Photometric;

    use super::*;
    use crate::meter_task::plain_reading;

    fn equal_energy(start_nm: f64, step_nm: f64) -> Seen {
        let spectrum = Spectrum::new(start_nm, step_nm, vec![0.01; 401]).unwrap();
        Seen::Spectrum(Photometric::Luminance, spectrum)
    }

    fn reading(method: Method, seen: &Seen) -> Reading {
        let summed = Summing::new(method).sum(seen).unwrap();
        let mut draft = Reading { light: summed.light, ..plain_reading() };
        summed.label(&mut draft);
        draft
    }

    #[test]
    fn a_spectrum_becomes_light_and_stays_beside_it() {
        let usual = reading(Method::default(), &equal_energy(380.0, 1.0));
        // CIE 15: the equal-energy spectrum lies at x = y = 1/3.
        let colour = usual.light.chromaticity().unwrap();
        assert!((colour.x() - 1.0 / 3.0).abs() < 1e-4 && (colour.y() - 1.0 / 3.0).abs() < 1e-4, "{colour:?}");
        assert_eq!(usual.spectrum.as_ref().map(|spectrum| spectrum.values().len()), Some(401));
        assert_eq!((usual.observer, usual.bandwidth_nm, usual.flags.is_empty()), (None, None, true));
    }

    #[test]
    fn what_is_not_as_usual_is_said() {
        let method =
            Method { observer: Observer::Cie1964Deg10, bandwidth_nm: Some(5.0), ..Method::default() };
        let labelled = reading(method, &equal_energy(380.0, 1.0));
        assert_eq!((labelled.observer, labelled.bandwidth_nm), (Some(Observer::Cie1964Deg10), Some(5.0)));
        let narrow = reading(Method::default(), &equal_energy(400.0, 0.9));
        assert_eq!(narrow.flags, [Flag::NarrowSpectrum]);
        let dark =
            Seen::Spectrum(Photometric::Illuminance, Spectrum::new(380.0, 4.0, vec![-1e-9; 101]).unwrap());
        let dark = reading(Method::default(), &dark).light;
        assert!(dark.chromaticity().is_none() && dark.value() < 0.0 && dark.xyz().is_some());
        assert_eq!(dark.photometric(), Photometric::Illuminance);
    }

    #[test]
    fn of_too_little_light_there_is_no_chromaticity_and_its_amount_stays() {
        let method = Method { colour_from_cd_m2: Some(0.02), ..Method::default() };
        for (value, told) in [(1e-9, false), (1e-3, true)] {
            let spectrum = Spectrum::new(380.0, 1.0, vec![value; 401]).unwrap();
            let light = reading(method, &Seen::Spectrum(Photometric::Luminance, spectrum)).light;
            assert_eq!((light.chromaticity().is_some(), light.xyz().is_some()), (told, true), "{light:?}");
            let seen = Seen::Light(Light::colour(Photometric::Luminance, light.xyz().unwrap()));
            assert_eq!(reading(method, &seen).light, light, "whoever summed it up");
        }
    }

    #[test]
    fn a_bandwidth_that_does_not_suit_is_refused_with_both_numbers() {
        let method = Method { bandwidth_nm: Some(5.0), ..Method::default() };
        let fault = Summing::new(method).sum(&equal_energy(380.0, 4.0)).unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Unsupported);
        let words = settled_drivers::fault::chain(&fault);
        assert!(words.contains("5 nm") && words.contains("a step of 4 nm"), "{words}");
        let huge =
            Seen::Spectrum(Photometric::Luminance, Spectrum::new(380.0, 4.0, vec![f64::MAX; 101]).unwrap());
        assert_eq!(Summing::new(Method::default()).sum(&huge).unwrap_err().kind(), FaultKind::Garbled);
    }
}
