//! What a page is told to show, and what it says of it.

use serde::Deserialize;
use serde_json::json;

use crate::review::patch::Patch;
use crate::review::record::shown::{Gamut, Geometry};
use crate::stimulus::NotShown;

/// The largest code value of 8 bits.
const TOP: u16 = 255;

/// Something to show, as the page is told.
#[derive(Clone, Debug)]
pub(super) struct Order {
    /// JSON with its id, which the page says again once it has drawn.
    pub(super) text: String,
}

impl Order {
    /// A stimulus.
    pub(super) fn patch(id: u64, patch: &Patch) -> Result<Self, NotShown> {
        let Patch { name, codes, background, window_percent } = patch;
        if codes.iter().chain(background).any(|code| *code > TOP) {
            return Err(NotShown::because(format!("{name}: code values of a page go from 0 to {TOP}")));
        }
        if !(*window_percent > 0.0 && *window_percent <= 100.0) {
            return Err(NotShown::because(format!(
                "{name}: a window is above 0 % of the screen, and 100 % at most"
            )));
        }
        let told = json!({ "id": id, "window": codes, "background": background, "percent": window_percent });
        Ok(Self { text: told.to_string() })
    }

    /// A ring around a place, as shares of width and height.
    pub(super) fn mark(id: u64, place: [f64; 2]) -> Self {
        Self { text: json!({ "id": id, "mark": place }).to_string() }
    }

    /// Nothing more.
    pub(super) fn end(id: u64) -> Self {
        Self { text: json!({ "id": id, "end": true }).to_string() }
    }
}

/// What a page says.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub(super) enum Said {
    /// It is loaded; whether somebody has begun, before the connection was lost say.
    Here { begun: bool },
    /// Somebody has read what it says first.
    Begun,
    /// It has drawn an order, for the first time or anew.
    Shown { id: u64, view: View },
    /// Nobody can see it: another tab or window is in front, or the display is off.
    Hidden,
}

/// How a page has drawn, in pixels of the display.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
pub struct View {
    /// The page's width.
    pub width: u32,
    /// The page's height.
    pub height: u32,
    /// The window's left edge.
    pub left: u32,
    /// The window's upper edge.
    pub top: u32,
    /// The window's width.
    pub window_width: u32,
    /// The window's height.
    pub window_height: u32,
    /// Pixels of the display for each of the page's own.
    pub ratio: f64,
    /// The page fills the screen.
    pub fills: bool,
    /// The browser keeps the display from being dimmed and switched off.
    pub awake: bool,
    /// A whole pixel of the page's is a whole pixel of the display's, as far as the browser tells.
    pub exact: bool,
    /// Bits of colour for each pixel of the screen, as the browser says it.
    pub depth: u32,
    /// The widest gamut that the screen has about, as the browser says it.
    pub gamut: Option<Gamut>,
    /// The browser takes the screen to be in a mode for high dynamic range.
    pub hdr: bool,
}

impl View {
    /// What may make its light other than it should be.
    pub(in crate::stimulus) fn cautions(self) -> impl Iterator<Item = &'static str> {
        let of = |is_so: bool, words| is_so.then_some(words);
        [
            of(!self.fills, "the page does not fill the screen: windows are shares of the page, and the rest of the screen shows something else"),
            of(!self.awake, "the browser does not keep the display awake here: switch off dimming and the screen saver by hand"),
            of(self.hdr, "the browser takes the display to be in a mode for high dynamic range: the page is SDR content within it, at a brightness of the system's choice"),
            of(!self.exact, "the browser does not tell the display's pixels: edges of a window may be blurred by one"),
        ]
        .into_iter()
        .flatten()
    }

    /// All but where the window is, which is the stimulus's.
    pub(in crate::stimulus) fn geometry(self) -> Geometry {
        Geometry {
            width_px: self.width,
            height_px: self.height,
            ratio: self.ratio,
            full_screen: self.fills,
            kept_awake: self.awake,
            exact_pixels: self.exact,
            depth_bits: Some(self.depth).filter(|bits| *bits > 0),
            gamut: self.gamut,
            high_dynamic_range: Some(self.hdr),
        }
    }

    /// The same for people: what matters of a change.
    pub(super) fn in_words(self) -> String {
        self.geometry().words()
    }
}
