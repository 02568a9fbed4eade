//! How stimuli came onto the display: told before the first stimulus of each spell of measuring, and again where it has changed.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use settled_protocol::time::Timestamp;

use crate::show;
use crate::stimulus::way::Kind;

/// How the stimuli after it were shown.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shown {
    /// UTC.
    pub at: Timestamp,
    /// By which means.
    #[serde(flatten)]
    pub means: Means,
}

/// What stimuli are shown by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Means {
    /// A page, a command, someone by hand, or a simulated display.
    pub way: Kind,
    /// How long each stimulus had been said to be shown before it was read, in s.
    pub pause_s: f64,
    /// The program of a command, without its folder and its arguments, which are nobody else's business.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub program: Option<String>,
    /// How a page had drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub page: Option<Geometry>,
    /// What may make the light other than it should be, in words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

/// A page, as the display's browser tells of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Geometry {
    /// Its width, in pixels of the display.
    pub width_px: u32,
    /// Its height.
    pub height_px: u32,
    /// Pixels of the display for each of the page's own.
    pub ratio: f64,
    /// It fills the screen.
    pub full_screen: bool,
    /// The browser keeps the display from being dimmed and switched off.
    pub kept_awake: bool,
    /// The browser tells whole pixels of the display; without, edges of a window may be blurred by one.
    pub exact_pixels: bool,
    /// Bits of colour for each pixel: 24 is 8 for each channel. Many browsers say 24 whatever there is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth_bits: Option<u32>,
    /// The widest gamut that the browser takes the display to have, about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gamut: Option<Gamut>,
    /// The browser takes the display to be in a mode for high dynamic range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high_dynamic_range: Option<bool>,
}

/// A gamut as browsers know it (W3C Media Queries Level 4, 6.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Gamut {
    /// About that of sRGB.
    Srgb,
    /// About that of DCI-P3.
    P3,
    /// About that of ITU-R BT.2020.
    Rec2020,
}

impl Means {
    /// In words: what stimuli were shown by.
    #[must_use]
    pub fn words(&self) -> String {
        let by = match self.way {
            Kind::Page => {
                let page = self.page.map_or_else(String::new, |page| format!(" of {}", page.words()));
                format!("shown by a page in a browser{page}")
            }
            Kind::Command => {
                let program = self.program.as_ref().map_or_else(String::new, |name| format!(", {name}"));
                format!("shown by a command{program}")
            }
            Kind::Prompt => "shown by hand".to_owned(),
            Kind::Stage => "shown by a simulated display".to_owned(),
        };
        if self.pause_s > 0.0 {
            format!("{by}; read {} after each was shown", show::wait(self.pause_s))
        } else {
            by
        }
    }
}

impl Geometry {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let Self { width_px, height_px, ratio, .. } = self;
        let pixels = if *ratio > 0.0 && (*ratio - 1.0).abs() > 1e-6 {
            format!("{width_px} × {height_px} pixels ({ratio:.3} to each of the page's own)")
        } else {
            format!("{width_px} × {height_px} pixels")
        };
        let fills = if self.full_screen { "full screen" } else { "not full screen" };
        let awake = if self.kept_awake { "kept awake" } else { "not kept awake" };
        let colour = [
            self.depth_bits.map(|bits| format!("{bits} bits a pixel")),
            self.gamut.map(|gamut| format!("a gamut of about {}", gamut.name())),
            self.high_dynamic_range.filter(|is_high| *is_high).map(|_| "high dynamic range".to_owned()),
        ];
        let colour: Vec<String> = colour.into_iter().flatten().collect();
        let says = if colour.is_empty() {
            String::new()
        } else {
            format!("; the browser says {}", colour.join(", "))
        };
        format!("{pixels}, {fills}, {awake}{says}")
    }
}

impl Gamut {
    /// What people call it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Srgb => "sRGB",
            Self::P3 => "P3",
            Self::Rec2020 => "BT.2020",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::record::Entry;

    fn page() -> Means {
        let geometry = Geometry {
            width_px: 3840,
            height_px: 2160,
            ratio: 1.5,
            full_screen: true,
            kept_awake: false,
            exact_pixels: true,
            depth_bits: Some(24),
            gamut: Some(Gamut::P3),
            high_dynamic_range: Some(false),
        };
        let cautions = vec!["switch off dimming by hand".to_owned()];
        Means { way: Kind::Page, pause_s: 0.3, program: None, page: Some(geometry), cautions }
    }

    #[test]
    fn how_a_page_had_drawn_is_told_in_words_and_comes_back_as_it_was_written() {
        let words = page().words();
        for expected in [
            "shown by a page",
            "3840 × 2160 pixels (1.500 to each of the page's own)",
            "full screen",
            "not kept awake",
            "24 bits a pixel, a gamut of about P3",
            "read 0.3 s after",
        ] {
            assert!(words.contains(expected), "{expected} is not in: {words}");
        }
        let entry = Entry::Shown(Shown { at: Timestamp::from_unix_ns(1), means: page() });
        let text = serde_json::to_string(&entry).unwrap();
        assert!(text.starts_with(r#"{"entry":"shown","#) && text.contains(r#""way":"page""#), "{text}");
        assert_eq!(serde_json::from_str::<Entry>(&text).unwrap(), entry);
    }

    #[test]
    fn what_a_browser_does_not_tell_is_absent() {
        let told = r#"{"entry":"shown","at":"2026-11-27T18:00:00Z","way":"page","pause_s":0.0,"page":{"width_px":10,"height_px":20,
            "ratio":1.0,"full_screen":false,"kept_awake":true,"exact_pixels":true}}"#;
        let Entry::Shown(shown) = serde_json::from_str(told).unwrap() else { panic!("{told}") };
        assert_eq!(
            shown.means.words(),
            "shown by a page in a browser of 10 × 20 pixels, not full screen, kept awake"
        );
    }

    #[test]
    fn the_other_ways_are_told_too() {
        let by = |way| Means {
            way,
            program: Some("show-patch".to_owned()),
            page: None,
            cautions: Vec::new(),
            pause_s: 0.0,
        };
        let words = [Kind::Command, Kind::Prompt, Kind::Stage].map(|way| by(way).words());
        assert_eq!(
            words,
            ["shown by a command, show-patch", "shown by hand", "shown by a simulated display"]
        );
    }
}
