//! Patches of made-up displays, for tests.

use settled_protocol::reading::Flag;
use settled_protocol::settling::{Estimate, Verdict};
use settled_protocol::stage::Range;
use settled_protocol::time::Timestamp;

use super::*;
use crate::evaluate::aim::{Aim, Primaries};
use crate::evaluate::draws::{Calibration, Draws};
use crate::review::patch::{Coding, Patch};
use crate::review::record::Place;

/// A meter's noise: what each reading's standard uncertainty is.
#[derive(Clone, Copy)]
pub(in super::super) struct Noise {
    pub(in super::super) relative: f64,
    pub(in super::super) floor_cd_m2: f64,
}

/// A display and the meter before it.
pub(in super::super) struct Bench<'a> {
    pub(in super::super) aim: Transfer,
    pub(in super::super) luminance: &'a dyn Fn(f64) -> f64,
    pub(in super::super) noise: Noise,
    pub(in super::super) random: fastrand::Rng,
}

pub(in super::super) const CODING: Coding = Coding { bits: 10, range: Range::Narrow };

impl Bench<'_> {
    fn estimate(&mut self, signal: f64) -> Estimate {
        let truth = (self.luminance)(signal);
        let u = (self.noise.relative * truth).hypot(self.noise.floor_cd_m2);
        // The sum of twelve uniform numbers, which is as good as normal.
        let noise: f64 = (0..12).map(|_| self.random.f64()).sum::<f64>() - 6.0;
        Estimate {
            y: truth + u * noise,
            y_u95: 1.959_964 * u,
            y_standard: u,
            coverage_factor: 1.959_964,
            degrees_of_freedom: 1e6,
            chromaticity: None,
            chromaticity_u95: None,
            n_effective: 1e6,
        }
    }

    pub(in super::super) fn patch(&mut self, signal: f64) -> Measurement {
        let code = CODING.code(signal);
        Measurement {
            place: Place { set: "SDR".to_owned(), sequence: "grey".to_owned(), step: usize::from(code) },
            patch: Patch {
                name: format!("grey {} %", verdict::percent(signal)),
                codes: [code; 3],
                background: [64; 3],
                window_percent: 10.0,
            },
            position: None,
            at: Timestamp::from_unix_ns(0),
            clock: None,
            waited_s: 6.0,
            verdict: Verdict::Settled,
            value: Some(self.estimate(CODING.signal(code))),
            readings: None,
            correction: None,
            flags: vec![Flag::Simulated],
        }
    }

    pub(in super::super) fn patches(&mut self, signals: impl Iterator<Item = f64>) -> Vec<Measurement> {
        signals.map(|signal| self.patch(signal)).collect()
    }

    pub(in super::super) fn scene(&mut self) -> Scene {
        Scene {
            aim: Aim { transfer: self.aim, primaries: Primaries::Bt709, white: None },
            coding: CODING,
            white: Some(Measured::of(&self.estimate(1.0))),
            black: Some(Measured::of(&self.estimate(0.0))),
            black_below_range: false,
            least_cd_m2: Some(0.01),
            draws: Draws::new(Calibration { luminance_u: 0.01, chromaticity_u: 0.0 }),
        }
    }
}

/// A quiet meter.
pub(in super::super) const QUIET: Noise = Noise { relative: 0.001, floor_cd_m2: 0.0001 };

pub(in super::super) fn bench(aim: Transfer, luminance: &dyn Fn(f64) -> f64, noise: Noise) -> Bench<'_> {
    // Meters of unlike noise draw unlike numbers.
    Bench { aim, luminance, noise, random: fastrand::Rng::with_seed(noise.relative.to_bits()) }
}

/// From black to white in 21 steps.
pub(in super::super) fn ramp() -> impl Iterator<Item = f64> {
    (0..=20).map(|step| f64::from(step) / 20.0)
}

/// From 0.5 % to 10 %.
pub(in super::super) fn dark() -> impl Iterator<Item = f64> {
    (1..=20).map(|step| f64::from(step) / 200.0)
}

/// The finding of a subject.
#[track_caller]
pub(in super::super) fn finding(found: &[super::super::Finding], subject: &str) -> super::super::Finding {
    found.iter().find(|finding| finding.subject == subject).cloned().unwrap()
}
