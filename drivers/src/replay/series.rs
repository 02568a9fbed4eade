//! What a meter gave, one exposure after another, where no bytes of it are known or needed.

use settled_protocol::meter::{Instrument, Kind, Quantity};
use settled_protocol::quantity::Photometric;

use super::LEAST_S;
use crate::recording::line::{Call, Event, Failed};
use crate::recording::reader::Happening;
use crate::sample::{Sample, Seen};

/// One exposure that was recorded.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Exposed {
    /// When it began and ended, in s since the recording's beginning.
    pub(crate) began_s: f64,
    pub(crate) ended_s: f64,
    pub(crate) outcome: Result<Sample, Failed>,
}

impl Exposed {
    /// How long it takes where nobody waits for its time to come, in s: as long as the light was taken in; where that isn't known, from
    /// its beginning to its end; and no less than [`LEAST_S`].
    pub(crate) fn lasts_s(&self) -> f64 {
        let integration_s = self.outcome.as_ref().ok().and_then(|sample| sample.integration_s);
        integration_s.unwrap_or(self.ended_s - self.began_s).max(LEAST_S)
    }
}

/// Every exposure, in order.
#[derive(Debug, Default)]
pub(crate) struct Series {
    pub(crate) instrument: Option<Instrument>,
    pub(crate) warm_up_s: f64,
    pub(crate) exposed: Vec<Exposed>,
    /// Light of it went through a correction before it was kept.
    pub(crate) is_corrected: bool,
    /// When the exposure that goes on began.
    asked_s: Option<f64>,
    /// Bytes held so far, roughly.
    pub(crate) held: usize,
}

impl Series {
    /// Takes what happened to the meter, or to the recording.
    pub(crate) fn take(&mut self, happening: &Happening) {
        let entry = match happening {
            Happening::Entry(entry) => entry,
            Happening::Note(_) => {
                self.asked_s = None;
                return;
            }
        };
        match &entry.event {
            Event::Opened { instrument, warm_up_s } => {
                self.instrument = Some(instrument.as_ref().clone());
                self.warm_up_s = if warm_up_s.is_finite() { warm_up_s.max(0.0) } else { 0.0 };
            }
            Event::Asked { call, .. } => self.asked_s = (*call == Call::Measure).then_some(entry.t_s),
            Event::Sample(sample) => {
                if let Some(sample) = sample.sample() {
                    self.exposed(entry.t_s, Ok(sample));
                }
            }
            Event::Fault { call: Call::Measure, failed } => self.exposed(entry.t_s, Err(failed.clone())),
            _ => {}
        }
    }

    fn exposed(&mut self, ended_s: f64, outcome: Result<Sample, Failed>) {
        let Some(began_s) = self.asked_s.take() else { return };
        self.push(Exposed { began_s, ended_s, outcome });
    }

    /// Takes an exposure. Times never go back: what claims to be from before the one before it came at the same time.
    pub(crate) fn push(&mut self, mut exposed: Exposed) {
        let last_s = self.exposed.last().map_or(f64::NEG_INFINITY, |last| last.ended_s);
        exposed.began_s = exposed.began_s.max(last_s);
        exposed.ended_s = exposed.ended_s.max(exposed.began_s);
        self.held += size_of::<Exposed>();
        self.held += match &exposed.outcome {
            Ok(Sample { seen: Seen::Spectrum(_, spectrum), .. }) => size_of_val(spectrum.values()),
            Ok(_) => 0,
            Err(failed) => failed.detail.len(),
        };
        self.exposed.push(exposed);
    }

    /// What the meter is: as it said, or as its samples show. It can't be asked for an integration time: what there is has been
    /// exposed already.
    pub(crate) fn described(&self) -> Instrument {
        let told = self.instrument.clone().unwrap_or_else(|| self.guessed());
        Instrument { integration_s: None, ..told }
    }

    fn guessed(&self) -> Instrument {
        let samples = || self.exposed.iter().filter_map(|exposed| exposed.outcome.as_ref().ok());
        let (mut photometric, mut coloured, mut spectral) = (Photometric::Luminance, false, false);
        for sample in samples() {
            match &sample.seen {
                Seen::Light(light) => {
                    photometric = light.photometric();
                    coloured |= light.xyz().is_some();
                }
                Seen::Spectrum(of, _) => {
                    photometric = *of;
                    (coloured, spectral) = (true, true);
                }
            }
        }
        let amount = match photometric {
            Photometric::Luminance => Quantity::Luminance,
            Photometric::Illuminance => Quantity::Illuminance,
        };
        let kind = match (spectral, coloured, photometric) {
            (true, ..) => Kind::Spectrometer,
            (_, true, _) => Kind::Colorimeter,
            (_, _, Photometric::Luminance) => Kind::Photometer,
            (_, _, Photometric::Illuminance) => Kind::IlluminanceMeter,
        };
        let more = [(coloured, Quantity::Xyz), (spectral, Quantity::Spectrum)];
        let more = more.into_iter().filter(|(is, _)| *is).map(|(_, quantity)| quantity);
        Instrument {
            model: "readings from a log".to_owned(),
            serial: None,
            kind,
            quantities: std::iter::once(amount).chain(more).collect(),
            integration_s: None,
            range: None,
            resolution: None,
        }
    }
}
