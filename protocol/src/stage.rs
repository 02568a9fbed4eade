//! What a simulated display is told to show.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A rectangle of one colour, centred on a background of another; or nothing, where the display is switched off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "RawStimulus")]
#[schemars(!try_from)]
pub struct Stimulus {
    /// Code values of the window: R, G, B, from 0 to 2^`bits` − 1.
    pub colour: [u16; 3],
    /// Code values of the rest of the screen; black if absent.
    #[serde(default)]
    pub background: [u16; 3],
    /// Bit depth of the code values: 8, 10 or 12.
    #[serde(default = "ten_bits")]
    pub bits: u8,
    /// What the code values stand for; full if absent.
    #[serde(default, skip_serializing_if = "Range::is_full")]
    pub range: Range,
    /// The window's share of the screen's area, in per cent, above 0 and up to 100.
    #[serde(default = "ten_percent")]
    pub window_percent: f64,
    /// Whether the display is switched on; it is if absent.
    #[serde(default, skip_serializing_if = "Power::is_on")]
    pub power: Power,
}

impl Stimulus {
    /// Peak white in a 10 % window on black, what a simulated display shows until told otherwise.
    #[must_use]
    pub fn peak_white() -> Self {
        Self {
            colour: [1023; 3],
            background: [0; 3],
            bits: 10,
            range: Range::Full,
            window_percent: 10.0,
            power: Power::On,
        }
    }

    /// The display switched off, whatever it would show: all that is left is the room's light on its screen.
    #[must_use]
    pub fn off() -> Self {
        Self { colour: [0; 3], power: Power::Off, ..Self::peak_white() }
    }

    /// The window's colour as signals: 0 is black, 1 white.
    #[must_use]
    pub fn signal(&self) -> [f64; 3] {
        self.normalised(self.colour)
    }

    /// The background as signals: 0 is black, 1 white.
    #[must_use]
    pub fn background_signal(&self) -> [f64; 3] {
        self.normalised(self.background)
    }

    /// The whole of it in words, also what was left out as it was told.
    #[must_use]
    pub fn in_words(&self) -> String {
        let Self { colour: [r, g, b], background: [x, y, z], bits, range, window_percent, power } = self;
        if *power == Power::Off {
            return "nothing: switched off".to_owned();
        }
        let range = if *range == Range::Narrow { ", narrow range" } else { "" };
        format!(
            "{r},{g},{b} in a window of {window_percent} % on {x},{y},{z} ({bits}-bit code values{range})"
        )
    }

    fn normalised(&self, code: [u16; 3]) -> [f64; 3] {
        code.map(|value| self.range.signal(value, self.bits))
    }
}

/// What a simulated display was told to show, and where meters look: as the log keeps it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// What it shows.
    #[serde(flatten)]
    pub stimulus: Stimulus,
    /// Where meters look from now on, in shares of the screen's width and height from its top left; where they did before if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<[f64; 2]>,
}

impl Scene {
    /// All of it in words.
    #[must_use]
    pub fn in_words(&self) -> String {
        let shown = self.stimulus.in_words();
        let percent = |share: f64| (1e4 * share).round() / 100.0;
        match self.position {
            Some([x, y]) => {
                format!("{shown}, looked at {} % from the left and {} % from the top", percent(x), percent(y))
            }
            None => shown,
        }
    }
}

/// Whether a display is switched on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Power {
    /// It shows what it is told.
    #[default]
    On,
    /// It gives no light of its own, not even black's, and cools.
    Off,
}

impl Power {
    #[expect(clippy::trivially_copy_pass_by_ref, reason = "serde's signature")]
    fn is_on(&self) -> bool {
        *self == Self::On
    }
}

/// What code values stand for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Range {
    /// 0 is black, 2^bits − 1 white.
    #[default]
    Full,
    /// 16·2^(bits−8) is black, 235·2^(bits−8) white (ITU-R BT.2100-2, table 9); what is beyond is held at either.
    Narrow,
}

impl Range {
    /// The signal of a code value: 0 is black, 1 white; below and above in narrow range.
    #[must_use]
    pub fn signal(self, code: u16, bits: u8) -> f64 {
        match self {
            Self::Full => f64::from(code) / f64::from((1_u32 << bits) - 1),
            Self::Narrow => (f64::from(code) / f64::from(1_u32 << (bits - 8)) - 16.0) / 219.0,
        }
    }

    /// The code value nearest to a signal, which is held within 0 to 1.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 4095")]
    pub fn code(self, signal: f64, bits: u8) -> u16 {
        let signal = signal.clamp(0.0, 1.0);
        let code = match self {
            Self::Full => signal * f64::from((1_u32 << bits) - 1),
            Self::Narrow => (219.0 * signal + 16.0) * f64::from(1_u32 << (bits - 8)),
        };
        code.round() as u16
    }

    #[expect(clippy::trivially_copy_pass_by_ref, reason = "serde's signature")]
    fn is_full(&self) -> bool {
        *self == Self::Full
    }
}

/// A stimulus as written.
#[derive(Deserialize)]
struct RawStimulus {
    colour: [u16; 3],
    #[serde(default)]
    background: [u16; 3],
    #[serde(default = "ten_bits")]
    bits: u8,
    #[serde(default)]
    range: Range,
    #[serde(default = "ten_percent")]
    window_percent: f64,
    #[serde(default)]
    power: Power,
}

fn ten_bits() -> u8 {
    10
}

fn ten_percent() -> f64 {
    10.0
}

impl TryFrom<RawStimulus> for Stimulus {
    type Error = String;

    fn try_from(raw: RawStimulus) -> Result<Self, String> {
        let RawStimulus { colour, background, bits, range, window_percent, power } = raw;
        if ![8, 10, 12].contains(&bits) {
            return Err(format!("bits must be 8, 10 or 12, not {bits}"));
        }
        let top = (1_u32 << bits) - 1;
        if colour.iter().chain(&background).any(|&code| u32::from(code) > top) {
            return Err(format!("code values at {bits} bits go from 0 to {top}"));
        }
        if !(window_percent > 0.0 && window_percent <= 100.0) {
            return Err("window_percent must be above 0 and at most 100".to_owned());
        }
        Ok(Self { colour, background, bits, range, window_percent, power })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_stimulus_is_told() {
        let words = Stimulus { window_percent: 0.25, ..Stimulus::peak_white() }.in_words();
        assert_eq!(words, "1023,1023,1023 in a window of 0.25 % on 0,0,0 (10-bit code values)");
        assert_eq!(Stimulus::off().in_words(), "nothing: switched off");
    }
}
