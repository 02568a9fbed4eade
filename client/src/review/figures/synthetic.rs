//! Made-up displays and a made-up meter, for tests: light by the aim's formulas, a fault put in, and noise of the uncertainty that is stated.

use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Estimate, Verdict};
use settled_protocol::stage::Range;
use settled_protocol::time::Timestamp;

use super::{Finding, Scene, Standing};
use crate::evaluate::aim::{Aim, Primaries, Transfer};
use crate::evaluate::draws::{Calibration, Draws};
use crate::review::patch::{Coding, Patch};
use crate::review::record::{Measurement, Place};

/// How code values are read.
pub(super) const CODING: Coding = Coding { bits: 10, range: Range::Full };

/// A display and the meter in front of it.
pub(super) struct Bench {
    pub(super) aim: Aim,
    pub(super) white: f64,
    pub(super) black: f64,
    /// What is wrong with the display: from signal and the aim's X, Y, Z in cd/m² to what it shows.
    pub(super) fault: fn([f64; 3], [f64; 3]) -> [f64; 3],
    /// Standard uncertainty of luminance: relative, and in cd/m².
    pub(super) luminance_u: [f64; 2],
    /// Standard uncertainty of u′ and v′; it grows as light falls to the meter's floor.
    pub(super) chromaticity_u: f64,
    pub(super) random: fastrand::Rng,
    /// What the meter's own scale is off by: a factor, and Δu′, Δv′; with what is stated of it.
    pub(super) scale: (f64, [f64; 2]),
    pub(super) calibration: Calibration,
}

impl Bench {
    /// A perfect display of BT.709 and BT.1886 with 120 cd/m² and 0.06 cd/m², and noise as a good meter has it.
    pub(super) fn sdr(seed: u64) -> Self {
        Self {
            aim: Aim { transfer: Transfer::Bt1886, primaries: Primaries::Bt709, white: None },
            white: 120.0,
            black: 0.06,
            fault: |_, xyz| xyz,
            luminance_u: [0.002, 0.0005],
            chromaticity_u: 0.0003,
            random: fastrand::Rng::with_seed(seed),
            scale: (1.0, [0.0; 2]),
            calibration: Calibration::default(),
        }
    }

    /// A perfect display of BT.2020 and PQ with 1000 cd/m² and next to no black.
    pub(super) fn hdr(seed: u64) -> Self {
        let aim = Aim { transfer: Transfer::Pq, primaries: Primaries::Bt2020, white: None };
        Self { aim, white: 1000.0, black: 0.0002, ..Self::sdr(seed) }
    }

    /// Without noise.
    pub(super) fn exact(self) -> Self {
        Self { luminance_u: [0.0; 2], chromaticity_u: 0.0, ..self }
    }

    /// White and black measured, few draws.
    pub(super) fn scene(&mut self) -> Scene {
        let (white, black) = (self.measure("white", [1.0; 3]), self.measure("black", [0.0; 3]));
        let (white, black) = (white.light(), black.light());
        Scene {
            aim: self.aim,
            coding: CODING,
            white,
            black,
            black_below_range: false,
            least_cd_m2: Some(0.01),
            draws: Draws::new(self.calibration).of_primaries(self.aim.rgb_to_xyz()).of(300),
        }
    }

    pub(super) fn measure(&mut self, name: &str, signal: [f64; 3]) -> Measurement {
        let codes = signal.map(|signal| CODING.code(signal));
        let patch = Patch { name: name.to_owned(), codes, background: [0; 3], window_percent: 10.0 };
        let signal = patch.signal(CODING);
        let meant = self.aim.xyz(signal, self.white, self.black).unwrap();
        let [x, y, z] = (self.fault)(signal, meant);
        let colour = Xyz::new(x, y, z).unwrap().chromaticity();
        let luminance_u = self.luminance_u[0] * y + self.luminance_u[1];
        let chromaticity_u = self.chromaticity_u * (1.0 + 0.3 / y.max(1e-6));
        let (scale, [du, dv]) = self.scale;
        let luminance = y * scale + luminance_u * self.normal();
        let chromaticity = colour.filter(|_| chromaticity_u < 0.02).and_then(|colour| {
            let [u, v] = [colour.u_prime() + du, colour.v_prime() + dv];
            let (noise_u, noise_v) = (self.normal(), self.normal());
            Chromaticity::from_uv(u + chromaticity_u * noise_u, v + chromaticity_u * noise_v).ok()
        });
        let value = Estimate {
            y: luminance,
            y_u95: 1.959_964 * luminance_u,
            y_standard: luminance_u,
            coverage_factor: 1.959_964,
            degrees_of_freedom: 30.0,
            chromaticity,
            chromaticity_u95: chromaticity.map(|_| 2.447_747 * chromaticity_u),
            n_effective: 32.0,
        };
        settled(patch, value)
    }

    pub(super) fn measure_all(&mut self, shown: &[(String, [f64; 3])]) -> Vec<Measurement> {
        shown.iter().map(|(name, signal)| self.measure(name, *signal)).collect()
    }

    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.random.f64()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.random.f64()).cos()
    }
}

fn settled(patch: Patch, value: Estimate) -> Measurement {
    let place = Place { set: "SDR".to_owned(), sequence: "any".to_owned(), step: 0 };
    Measurement {
        place,
        patch,
        position: None,
        at: Timestamp::from_unix_ns(0),
        clock: None,
        waited_s: 5.0,
        verdict: Verdict::Settled,
        value: Some(value),
        readings: None,
        correction: None,
        flags: vec![Flag::Simulated],
    }
}

/// Greys at even signals from black to white.
pub(super) fn greys(steps: u32) -> Vec<(String, [f64; 3])> {
    let signals = (0..steps).map(|step| f64::from(step) / f64::from(steps - 1));
    signals.map(|signal| (format!("grey {:.0} %", 100.0 * signal), [signal; 3])).collect()
}

/// Red, green, blue, cyan, magenta, yellow and white at full signal.
pub(super) fn corners() -> Vec<(String, [f64; 3])> {
    let colours = [
        ("red", [1.0, 0.0, 0.0]),
        ("green", [0.0, 1.0, 0.0]),
        ("blue", [0.0, 0.0, 1.0]),
        ("cyan", [0.0, 1.0, 1.0]),
        ("magenta", [1.0, 0.0, 1.0]),
        ("yellow", [1.0, 1.0, 0.0]),
        ("white", [1.0; 3]),
    ];
    colours.map(|(name, signal)| (name.to_owned(), signal)).to_vec()
}

/// Four steps from white towards each colour, at a level of 75 %, in signal.
pub(super) fn sweeps() -> Vec<(String, [f64; 3])> {
    let steps = corners().into_iter().take(6).flat_map(|(name, full)| {
        [1.0, 2.0, 3.0, 4.0].map(|step| {
            let share = step / 4.0;
            let signal = full.map(|full| 0.75 * (1.0 - share * (1.0 - full)));
            (format!("{name} {:.0} %", 100.0 * share), signal)
        })
    });
    steps.collect()
}

pub(super) fn borrowed(patches: &[Measurement]) -> Vec<&Measurement> {
    patches.iter().collect()
}

pub(super) fn any_beyond(findings: &[Finding]) -> bool {
    findings.iter().any(|finding| finding.standing == Standing::Beyond)
}

#[track_caller]
pub(super) fn finding<'a>(findings: &'a [Finding], subject: &str) -> &'a Finding {
    findings.iter().find(|finding| finding.subject == subject).unwrap_or_else(|| panic!("{findings:#?}"))
}

/// Holds that no more than 3 % of `count` reviews of perfect displays find something beyond a tolerance.
#[track_caller]
pub(super) fn assert_rare(count: u64, review: impl Fn(u64) -> Vec<Finding>) {
    let alarms: Vec<(u64, Vec<Finding>)> =
        (0..count).map(|seed| (seed, review(seed))).filter(|(_, findings)| any_beyond(findings)).collect();
    let most = count * 3 / 100;
    assert!(
        u64::try_from(alarms.len()).unwrap() <= most,
        "{} of {count}: {:#?}",
        alarms.len(),
        alarms.first()
    );
}
