//! Criteria, verdicts and the evidence for them.
//!
//! *Settled at t* promises that for the next hold the trend of the light stays within one band of its value now. It is a
//! statement about luminance and chromaticity alike, it includes the meter's own drift, and it is no promise about an
//! asymptote: a drift of less than one band per hold is settled, for ever.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::colorimetry::observer::Observer;
use crate::quantity::{Chromaticity, Photometric};
use crate::reading::Flag;
use crate::rule::{Compared, Rule};

/// What a client calls settled. Every member has a default.
///
/// With a `preset` a published rule decides; the other members are then for the trend that is looked at beside it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, try_from = "RawCriteria")]
#[schemars(!try_from)]
pub struct Criteria {
    /// Relative band of luminance: 0.005 is ±0.5 %. From 1e-6 to 1.
    pub luminance: f64,
    /// Absolute band of luminance that takes over near black, in cd/m² (lx for illuminance). From 0 to 1000.
    pub luminance_floor_cd_m2: f64,
    /// Band of chromaticity, a distance in u′v′. From 1e-6 to 1.
    pub chromaticity: f64,
    /// Below this luminance the chromaticity band widens as 1/Y, in cd/m². From 0 to 1000.
    pub chromaticity_knee_cd_m2: f64,
    /// How long the light must stay within its bands, in s. From 0.5 to 86400.
    pub hold_s: f64,
    /// One-sided confidence of each look at the evidence. From 0.8 to 0.9999.
    pub confidence: f64,
    /// Never settled before this, in s since the request.
    pub min_wait_s: f64,
    /// Give up after this, in s since the request, with the best value so far. From 1 to 604800, and not under `hold_s`.
    pub max_wait_s: f64,
    /// The rule that decides.
    pub preset: Rule,
}

impl Default for Criteria {
    fn default() -> Self {
        Self {
            luminance: 0.005,
            luminance_floor_cd_m2: 0.0005,
            chromaticity: 0.0005,
            chromaticity_knee_cd_m2: 1.0,
            hold_s: 60.0,
            confidence: 0.99,
            min_wait_s: 0.0,
            max_wait_s: 3600.0,
            preset: Rule::Trend,
        }
    }
}

impl Criteria {
    /// B_Y = max(luminance·|Y|, floor): the band at luminance `y`, in the unit of `y`.
    #[must_use]
    pub fn luminance_band(&self, y: f64) -> f64 {
        (self.luminance * y.abs()).max(self.luminance_floor_cd_m2)
    }

    /// B_uv = chromaticity·max(1, knee/|Y|): the band at luminance `y`, in u′v′.
    #[must_use]
    pub fn chromaticity_band(&self, y: f64) -> f64 {
        self.chromaticity * (self.chromaticity_knee_cd_m2 / y.abs().max(1e-6)).max(1.0)
    }

    /// The same criteria, if every member is in its range.
    ///
    /// # Errors
    /// A sentence that names the first member out of range, its value and the range.
    pub fn checked(self) -> Result<Self, String> {
        let members = [
            ("luminance", self.luminance, 1e-6, 1.0),
            ("luminance_floor_cd_m2", self.luminance_floor_cd_m2, 0.0, 1000.0),
            ("chromaticity", self.chromaticity, 1e-6, 1.0),
            ("chromaticity_knee_cd_m2", self.chromaticity_knee_cd_m2, 0.0, 1000.0),
            ("hold_s", self.hold_s, 0.5, 86_400.0),
            ("confidence", self.confidence, 0.8, 0.9999),
            ("min_wait_s", self.min_wait_s, 0.0, 604_800.0),
            ("max_wait_s", self.max_wait_s, 1.0, 604_800.0),
        ];
        for (name, value, min, max) in members {
            if !(min..=max).contains(&value) {
                return Err(format!("{name} must be from {min} to {max}, not {value}"));
            }
        }
        if self.max_wait_s < self.hold_s.max(self.min_wait_s) {
            return Err("max_wait_s must not be shorter than hold_s or min_wait_s".to_owned());
        }
        if self.max_wait_s < self.preset.least_wait_s() {
            let (name, least) = (self.preset.name(), self.preset.least_wait_s());
            return Err(format!("{name} takes at least {least} s: max_wait_s must not be shorter"));
        }
        Ok(self)
    }
}

/// Criteria as written: only what the client cares about.
#[derive(Deserialize, Default)]
#[serde(default)]
struct RawCriteria {
    luminance: Option<f64>,
    luminance_floor_cd_m2: Option<f64>,
    chromaticity: Option<f64>,
    chromaticity_knee_cd_m2: Option<f64>,
    hold_s: Option<f64>,
    confidence: Option<f64>,
    min_wait_s: Option<f64>,
    max_wait_s: Option<f64>,
    preset: Option<Rule>,
}

impl TryFrom<RawCriteria> for Criteria {
    type Error = String;

    fn try_from(raw: RawCriteria) -> Result<Self, String> {
        let default = Self::default();
        Self {
            luminance: raw.luminance.unwrap_or(default.luminance),
            luminance_floor_cd_m2: raw.luminance_floor_cd_m2.unwrap_or(default.luminance_floor_cd_m2),
            chromaticity: raw.chromaticity.unwrap_or(default.chromaticity),
            chromaticity_knee_cd_m2: raw.chromaticity_knee_cd_m2.unwrap_or(default.chromaticity_knee_cd_m2),
            hold_s: raw.hold_s.unwrap_or(default.hold_s),
            confidence: raw.confidence.unwrap_or(default.confidence),
            min_wait_s: raw.min_wait_s.unwrap_or(default.min_wait_s),
            max_wait_s: raw.max_wait_s.unwrap_or(default.max_wait_s),
            preset: raw.preset.unwrap_or(default.preset),
        }
        .checked()
    }
}

/// How the question "is it settled?" ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The trend stays within its bands for the next hold.
    Settled,
    /// It was settled and is no longer: only who keeps watching sees this.
    Lost,
    /// No drift to be seen, but too much noise to vouch for the bands.
    NoiseLimited,
    /// It drifts, and will not settle within the longest wait.
    WontSettle,
    /// The longest wait is over; the value is the best so far.
    TimedOut,
}

impl Verdict {
    /// Every verdict of this version.
    pub const ALL: [Self; 5] =
        [Self::Settled, Self::Lost, Self::NoiseLimited, Self::WontSettle, Self::TimedOut];

    /// The verdict as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Settled => "settled",
            Self::Lost => "lost",
            Self::NoiseLimited => "noise_limited",
            Self::WontSettle => "wont_settle",
            Self::TimedOut => "timed_out",
        }
    }
}

/// A value with its expanded uncertainty at 95 %: repeatability only, the meter's calibration comes on top.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    /// Luminance (cd/m²) or illuminance (lx) at the end of the window.
    pub y: f64,
    /// Half-width of the 95 % interval of `y`, in its unit.
    pub y_u95: f64,
    /// Standard uncertainty of `y`, in its unit.
    pub y_standard: f64,
    /// `y_u95` over `y_standard`: Student's t at 95 % for the degrees of freedom (JCGM 100, G.3).
    pub coverage_factor: f64,
    /// Degrees of freedom: `n_effective` less the two of a line, 4 at least.
    pub degrees_of_freedom: f64,
    /// Chromaticity at the end of the window, where there was one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chromaticity: Option<Chromaticity>,
    /// Radius of the 95 % interval of the chromaticity, in u′v′.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chromaticity_u95: Option<f64>,
    /// Readings that count as independent: fewer than were taken where neighbours are alike.
    pub n_effective: f64,
}

/// A drift and how sure it is, in units of the band: 1 is one band per hold.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Drift {
    /// Change over one hold, in bands; signed for luminance, a distance for chromaticity.
    pub bands_per_hold: f64,
    /// Half-width of its interval at the confidence asked for, in bands.
    pub interval: f64,
}

/// When the light is expected to settle, in s from the request's beginning. Always an interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Forecast {
    /// The median.
    pub settles_at_s: f64,
    /// The early end of the 95 % interval.
    pub low_s: f64,
    /// The late end of the 95 % interval.
    pub high_s: f64,
}

/// What moves, as far as dark readings and the meter's declared warm-up tell.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Moves {
    /// The display, the meter, or either.
    pub who: Who,
    /// Drift of the meter's zero, from its dark readings; absent with less than two in the last half hour, or none
    /// from about now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zero_drift: Option<Drift>,
}

/// Who moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Who {
    /// The display: the meter's zero stands still, or its declared warm-up is over.
    Display,
    /// The meter: its zero drifts as the readings do.
    Meter,
    /// It can't be told.
    Either,
}

/// What led to a verdict, or stands in its way.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Evidence {
    /// The rule that decides.
    #[serde(default)]
    pub rule: Rule,
    /// What a published rule found, where one decides. The rest is the trend's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compared: Option<Compared>,
    /// Length of the window that was judged, in s.
    pub window_s: f64,
    /// Readings in it.
    pub n: usize,
    /// Readings set aside as outliers since the request began.
    pub outliers: usize,
    /// Restarts because of a step, since the request began.
    pub steps: usize,
    /// The band of luminance at this level, in cd/m² (or lx).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub luminance_band: Option<f64>,
    /// The band of chromaticity at this level, in u′v′.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chromaticity_band: Option<f64>,
    /// Drift of luminance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub luminance_drift: Option<Drift>,
    /// Drift of chromaticity; absent where there was none to judge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chromaticity_drift: Option<Drift>,
    /// Standard deviation of single readings about the trend, in cd/m² (or lx).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub noise: Option<f64>,
    /// Lag-1 autocorrelation of the residuals, 0 to 0.97.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub autocorrelation: Option<f64>,
    /// When it is expected to settle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub forecast: Option<Forecast>,
    /// Where the light moves: whether it is the display or the meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub moves: Option<Moves>,
    /// What still fails. Empty when settled.
    pub failing: Vec<Test>,
}

/// The tests a settled reading must pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Test {
    /// Enough readings over a long enough window.
    TooFew,
    /// Luminance's drift, with its interval, fits the band.
    LuminanceDrift,
    /// Chromaticity's drift, with its interval, fits the band.
    ChromaticityDrift,
    /// The value's own uncertainty fits the band.
    Resolution,
    /// The light is not about to turn, does not swing, and does not jump between levels.
    Turning,
    /// The meter has had its own warm-up.
    MeterWarmUp,
    /// The shortest wait asked for is over.
    MinimumWait,
    /// The readings that a published rule compares vary by less than it allows, over the time that it asks for.
    Variation,
}

/// The answer of `meter.settle`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Settled {
    /// The meter's id.
    pub meter: String,
    /// What the value is a value of: luminance in cd/m², or illuminance in lx.
    pub quantity: Photometric,
    /// By whose eye the value is meant, its chromaticity too, where that isn't CIE 1931, 2°.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observer: Option<Observer>,
    /// The bandwidth in nm that the sums over spectra were corrected for, where they were.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bandwidth_nm: Option<f64>,
    /// How it ended.
    pub verdict: Verdict,
    /// The value, where there is evidence for one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Estimate>,
    /// From the request to the verdict, in s.
    pub waited_s: f64,
    /// The readings that were looked at; absent if there were none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub readings: Option<Readings>,
    /// The correction that the light went through, by its id; the value is as the meter saw it if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// Every caution that was on any of them.
    pub flags: Vec<Flag>,
    /// What led to the verdict.
    pub evidence: Evidence,
    /// The same in one plain sentence.
    pub message: String,
}

/// A stretch of readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Readings {
    /// How many.
    pub count: u64,
    /// The first's sequence.
    pub first: u64,
    /// The last's sequence.
    pub last: u64,
}
