//! What readings must share to compare: others are no evidence of the same light.

use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};

/// What a reading is told in, and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    boot: String,
    photometric: Photometric,
    observer: Option<Observer>,
    correction: Option<String>,
    simulated: bool,
    replayed: bool,
}

impl Scale {
    /// That of a reading.
    #[must_use]
    pub fn of(reading: &Reading) -> Self {
        Self {
            boot: reading.boot.clone(),
            photometric: reading.light.photometric(),
            observer: reading.observer,
            correction: reading.correction.clone(),
            simulated: reading.flags.contains(&Flag::Simulated),
            replayed: reading.flags.contains(&Flag::Replayed),
        }
    }

    /// Whether it is the same but for the correction: the same light, told on another scale.
    #[must_use]
    pub fn is_corrected_otherwise(&self, other: &Self) -> bool {
        self.correction != other.correction
            && Self { correction: other.correction.clone(), ..self.clone() } == *other
    }

    /// What the light is.
    #[must_use]
    pub fn photometric(&self) -> Photometric {
        self.photometric
    }
}
