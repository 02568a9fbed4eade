//! What is shown, in code values.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use settled_protocol::stage::{Power, Range, Stimulus};

/// How signals are written as code values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Coding {
    /// Bit depth: 8, 10 or 12.
    pub bits: u8,
    /// Full, 0 to 2^bits − 1, or narrow (ITU-R BT.2100-2, table 9): 16·2^(bits−8) is black, 235·2^(bits−8) white.
    pub range: Range,
}

impl Coding {
    /// The signal of a code value: 0 is black, 1 white.
    #[must_use]
    pub fn signal(self, code: u16) -> f64 {
        self.range.signal(code, self.bits)
    }

    /// The code value nearest to a signal, which is held within 0 to 1.
    #[must_use]
    pub fn code(self, signal: f64) -> u16 {
        self.range.code(signal, self.bits)
    }
}

/// One thing to show: a window of one colour on a background of another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Patch {
    /// What a person calls it: `grey 50 %`.
    pub name: String,
    /// Code values of the window: R, G, B.
    pub codes: [u16; 3],
    /// Code values of the rest of the screen.
    #[serde(default)]
    pub background: [u16; 3],
    /// The window's share of the screen's area, in per cent, above 0 and up to 100.
    pub window_percent: f64,
}

impl Patch {
    /// As signals from 0 to 1: what the code values really say.
    #[must_use]
    pub fn signal(&self, coding: Coding) -> [f64; 3] {
        self.codes.map(|code| coding.signal(code))
    }

    /// As a simulated display is told.
    #[must_use]
    pub fn stimulus(&self, coding: Coding) -> Stimulus {
        Stimulus {
            colour: self.codes,
            background: self.background,
            bits: coding.bits,
            range: coding.range,
            window_percent: self.window_percent,
            power: Power::On,
        }
    }
}
