//! Synthetic measurements for tests: what a display does is put in, and noise on top.

use settled_protocol::quantity::Chromaticity;
use settled_protocol::settling::{Estimate, Verdict};
use settled_protocol::stage::Range;

use super::{Figures, Scene, Standing};
use crate::evaluate::aim::{Aim, Primaries, Transfer};
use crate::evaluate::draws::{Calibration, Draws};
use crate::review::patch::{Coding, Patch};
use crate::review::record::{Course, Measurement, Place, Point};

/// Settling knows its noise from many readings.
const COVERAGE: f64 = 1.959_964;
/// The same of a circle.
const COVERAGE_UV: f64 = 2.447_747;

/// Numbers like those of a standard normal distribution.
#[derive(Debug)]
pub(super) struct Noise(fastrand::Rng);

impl Noise {
    pub(super) fn new(seed: u64) -> Self {
        Self(fastrand::Rng::with_seed(seed))
    }

    pub(super) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.0.f64()).sum::<f64>() - 6.0
    }
}

pub(super) fn scene() -> Scene {
    Scene {
        aim: Aim { transfer: Transfer::Bt1886, primaries: Primaries::Bt709, white: None },
        coding: Coding { bits: 8, range: Range::Full },
        white: None,
        black: None,
        black_below_range: false,
        least_cd_m2: Some(0.01),
        draws: Draws::new(Calibration::default()),
    }
}

fn place(step: usize) -> Place {
    Place { set: "SDR".to_owned(), sequence: "synthetic".to_owned(), step }
}

fn patch(window_percent: f64) -> Patch {
    Patch { name: "white".to_owned(), codes: [255; 3], background: [0; 3], window_percent }
}

/// White in a full field, settled: known to `u` in cd/m² and `colour_u` in u′ and v′, both standard uncertainties.
pub(super) fn settled(step: usize, luminance: f64, u: f64, uv: Option<([f64; 2], f64)>) -> Measurement {
    Measurement {
        place: place(step),
        patch: patch(100.0),
        position: None,
        at: "2026-03-02T10:00:00Z".parse().unwrap(),
        clock: None,
        waited_s: 20.0,
        verdict: Verdict::Settled,
        value: Some(Estimate {
            y: luminance,
            y_u95: COVERAGE * u,
            y_standard: u,
            coverage_factor: COVERAGE,
            degrees_of_freedom: 60.0,
            chromaticity: uv.and_then(|([u, v], _)| Chromaticity::from_uv(u, v).ok()),
            chromaticity_u95: uv.map(|(_, colour_u)| COVERAGE_UV * colour_u),
            n_effective: 62.0,
        }),
        readings: None,
        correction: None,
        flags: Vec::new(),
    }
}

/// A reading a second from half a second on.
pub(super) fn course(
    step: usize,
    count: u16,
    mut light: impl FnMut(f64) -> (f64, Option<[f64; 2]>),
) -> Course {
    let point = |row: u16| {
        let t_s = 0.5 + f64::from(row);
        let (luminance_cd_m2, uv) = light(t_s);
        let chromaticity = uv.and_then(|[u, v]| Chromaticity::from_uv(u, v).ok());
        Point { t_s, luminance_cd_m2, chromaticity }
    };
    Course {
        place: place(step),
        patch: patch(10.0),
        at: "2026-03-02T10:00:00Z".parse().unwrap(),
        points: (0..count).map(point).collect(),
        readings: None,
        correction: None,
        flags: Vec::new(),
    }
}

/// How many of the findings are beyond a tolerance.
pub(super) fn beyond(figures: &impl Figures) -> usize {
    figures.verdicts().iter().filter(|finding| finding.standing == Standing::Beyond).count()
}

/// A finding's words by its subject.
pub(super) fn words(figures: &impl Figures, subject: &str) -> String {
    let found = figures.verdicts().into_iter().find(|finding| finding.subject == subject);
    found.map(|finding| finding.words).unwrap_or_default()
}

/// What is written as JSON and read again is the same, and has no number that isn't finite.
pub(super) fn comes_back<T>(figures: &T)
where
    T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let text = serde_json::to_string(figures).unwrap();
    assert!(!text.contains("null"), "{text}");
    assert_eq!(&serde_json::from_str::<T>(&text).unwrap(), figures);
}
