//! Corrections of filter colorimeters: a matrix, and all that one must know to trust it.
//!
//! A colorimeter's filters miss the colour-matching functions, so its error depends on the spectrum in front of it. For the
//! spectra of one display a matrix from its X, Y, Z to those of a reference meter takes most of that error away.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};

use crate::matrix::Matrix;
use crate::quantity::Xyz;
use crate::text::Text;
use crate::time::Timestamp;

/// The most corrections one answer holds: 75,000 bytes each at the very most, and a client reads lines of some 4 million.
pub const LARGEST_CORRECTIONS_PAGE: u32 = 50;

/// The most colours a correction is made from.
pub const MOST_COLOURS: usize = 32;

/// A correction that the daemon knows. It never changes; it may be removed, and is kept all the same once readings went through it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Correction {
    /// Its id in this log, never used twice.
    pub id: String,
    /// What its maker calls it.
    pub name: Text,
    /// How the matrix was made.
    pub method: Derivation,
    /// From the meter's X, Y, Z to the reference's, row by row. Its inverse leads back to what the meter saw.
    pub matrix: Matrix,
    /// The meter that it is for.
    pub meter: Subject,
    /// The meter that was taken for true.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<Subject>,
    /// The display that it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub display: Option<Text>,
    /// When its readings were taken.
    pub at: Timestamp,
    /// The colours it was made from, or checked with, as both meters saw them, uncorrected.
    #[serde(default)]
    pub colours: Vec<Colour>,
    /// How far the meter is from the reference on these colours, with the correction and without; absent where there are no colours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub residuals: Option<Residuals>,
    /// Whatever else there is to say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Text>,
    /// Whether it was made from simulated light.
    #[serde(default)]
    pub simulated: bool,
    /// When it was removed; absent while it may be used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub removed: Option<Timestamp>,
}

/// How a correction's matrix was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum Derivation {
    /// From the chromaticities of white, red, green and blue, scaled to the luminance of white (Ohno & Hardis 1997).
    FourColour,
    /// By least squares over any colours, each relative to its luminance.
    LeastSquares,
    /// It was given as it is.
    Given,
}

impl Derivation {
    /// Every way.
    pub const ALL: [Self; 3] = [Self::FourColour, Self::LeastSquares, Self::Given];

    /// The way as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::FourColour => "four_colour",
            Self::LeastSquares => "least_squares",
            Self::Given => "given",
        }
    }
}

/// One instrument, so that it is known again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Subject {
    /// The id it had in the daemon's config.
    pub id: Text,
    /// The model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<Text>,
    /// The serial number, where it tells one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<Text>,
}

impl fmt::Display for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.id.as_str())?;
        self.model.as_ref().map_or(Ok(()), |model| write!(f, ", {}", model.as_str()))?;
        self.serial.as_ref().map_or(Ok(()), |serial| write!(f, ", serial {}", serial.as_str()))
    }
}

impl Subject {
    /// Whether it is known by its id alone.
    #[must_use]
    pub fn is_bare(&self) -> bool {
        self.model.is_none() && self.serial.is_none()
    }
}

/// One colour as both meters saw it. X, Y, Z in cd/m², or in lx for both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Colour {
    /// What it is: `white`, `red`, `green` and `blue` mean something to the four-colour method.
    pub name: Text,
    /// As the meter saw it, uncorrected.
    pub meter: Xyz,
    /// As the reference saw it.
    pub reference: Xyz,
}

/// How far one answer is from the reference: the answer less the reference, or the size of that for a mean and a maximum.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Difference {
    /// In CIE 1931 x.
    pub dx: f64,
    /// In CIE 1931 y.
    pub dy: f64,
    /// The distance in CIE 1976 u′v′.
    pub duv_prime: f64,
    /// In luminance, in per cent of the reference's.
    pub luminance_percent: f64,
}

/// The differences of one colour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Residual {
    /// The colour's name.
    pub name: Text,
    /// Whether the matrix was made from it; else it only checks the matrix.
    pub fitted: bool,
    /// Without the correction.
    pub before: Difference,
    /// With it.
    pub after: Difference,
    /// With a matrix that has not seen this colour; absent where that can't be had.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unseen: Option<Difference>,
}

/// The mean and the largest of the differences of several colours, all of them taken without their sign.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// How many colours.
    pub colours: usize,
    /// The mean of each.
    pub mean: Difference,
    /// The largest of each.
    pub max: Difference,
}

/// What a correction does to the colours it was made from.
///
/// `after` flatters: the matrix was made to fit. `unseen` is what a new colour of the same display can expect.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Residuals {
    /// Each colour.
    pub colours: Vec<Residual>,
    /// Without the correction.
    pub before: Summary,
    /// With it.
    pub after: Summary,
    /// Of colours that the matrix has not seen: those that only check it and, for least squares, each with the matrix of the others.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unseen: Option<Summary>,
    /// Colours that the correction makes worse.
    pub worse: Vec<Text>,
}

/// The correction that a meter's readings go through.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InForce {
    /// The correction's id.
    pub id: String,
    /// Its name.
    pub name: Text,
    /// The display that it was made for, where it says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub display: Option<Text>,
    /// The display that is in front of the meter now, as the client said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shown: Option<Text>,
    /// When its readings were taken.
    pub at: Timestamp,
    /// Since when it is in force.
    pub since: Timestamp,
    /// Whether readings do go through it: not where it is for another meter than the one that is attached, unless that was forced.
    pub applied: bool,
    /// What one must know before trusting it. Empty is good.
    pub warnings: Vec<CorrectionWarning>,
}

/// A caution on a correction in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum CorrectionWarning {
    /// It is older than the config allows.
    Stale,
    /// It was made for another meter than the one that is attached.
    OtherMeter,
    /// There is no serial number to tell whether it was made for this meter.
    UnverifiedMeter,
    /// It was made for another display than the one that is said to be in front of the meter.
    OtherDisplay,
    /// A warning of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

/// Params of `corrections.list`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ListCorrections {
    /// Only this one, removed or not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// Also those that were removed.
    pub removed: bool,
    /// Only those after this id.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<String>,
    /// At most this many, 1 to 50; 50 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<u32>,
}

/// A page of corrections.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CorrectionsPage {
    /// Oldest first.
    pub corrections: Vec<Correction>,
    /// The ids of those of them that are older than the config allows.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stale: Vec<String>,
    /// Whether they outlive the daemon: not where its log is off.
    pub durable: bool,
    /// Ask again with `after` set to this for more; absent at the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// Params of `corrections.add`: a matrix with where it comes from, or paired readings to make one from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NewCorrection {
    /// What to call it.
    pub name: Text,
    /// How the matrix is made.
    pub method: Derivation,
    /// With `given`: the matrix, row by row. With the other methods it may be left out, and must follow from the colours if not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub matrix: Option<Matrix>,
    /// The meter that it is for. Model and serial number of an attached meter of this id are filled in if both are left out.
    pub meter: Subject,
    /// The meter that was taken for true. Filled in likewise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<Subject>,
    /// The display that it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub display: Option<Text>,
    /// When its readings were taken; now if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Timestamp>,
    /// Paired readings: four and more, three and more with `least_squares`; up to 32.
    #[serde(default)]
    pub colours: Vec<Colour>,
    /// The correction that the meter's side of `colours` has gone through, by its id: it is undone first. Uncorrected if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undo: Option<String>,
    /// Whatever else there is to say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Text>,
    /// Whether it was made from simulated light. It is so anyway where either meter is a simulated one of this daemon.
    #[serde(default)]
    pub simulated: bool,
}

/// Result of `corrections.add` and `corrections.remove`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CorrectionChanged {
    /// The correction as it is now.
    pub correction: Correction,
    /// Whether that outlives the daemon: not where its log is off.
    pub durable: bool,
}

/// Params of `corrections.remove`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RemoveCorrection {
    /// The correction's id.
    pub correction: String,
}

/// Params of `meter.correct`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CorrectParams {
    /// The meter's id.
    pub meter: String,
    /// The correction's id, or null for none. It can't be left out.
    #[serde(deserialize_with = "present")]
    #[schemars(required)]
    pub correction: Option<String>,
    /// The display that is in front of the meter now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub display: Option<Text>,
    /// Even where it was made for another meter: its readings then carry the flag `correction_mismatch`.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub force: bool,
    /// The lease that the meter is held by, if the client has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<String>,
}

/// What may be null, but not be left out: without it a slip of the pen would take a correction out of force.
fn present<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<String>, D::Error> {
    Option::deserialize(deserializer)
}

/// Result of `meter.correct`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Corrected {
    /// The meter's id.
    pub meter: String,
    /// What is in force now; absent if nothing is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<InForce>,
    /// The id of what was in force before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<String>,
    /// Whether that outlives the daemon: not where its log is off.
    pub durable: bool,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn taking_a_correction_out_of_force_must_be_said_in_so_many_words() {
        let parse = serde_json::from_str::<CorrectParams>;
        assert!(parse(r#"{"meter":"m"}"#).is_err());
        assert_eq!(parse(r#"{"meter":"m","correction":null}"#).unwrap().correction, None);
        assert_eq!(parse(r#"{"meter":"m","correction":"c1"}"#).unwrap().correction.as_deref(), Some("c1"));
    }
}
