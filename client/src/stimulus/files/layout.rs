//! Where the window is, in whole pixels.

use std::str::FromStr;

/// A screen's size in pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Across.
    pub width: u32,
    /// Down.
    pub height: u32,
}

/// The least and the most pixels of either side.
const SIDES: std::ops::RangeInclusive<u32> = 16..=8192;

impl FromStr for Size {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let side = |text: &str| text.trim().parse().ok().filter(|side| SIDES.contains(side));
        let sides = text.split_once(['x', '×']).and_then(|(width, height)| side(width).zip(side(height)));
        let (width, height) =
            sides.ok_or_else(|| "expected a size such as 3840x2160, from 16 to 8192 each".to_owned())?;
        Ok(Self { width, height })
    }
}

/// A window in the middle of a screen, of the screen's shape.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// The screen.
    pub screen: Size,
    /// Pixels on the window's left, and as many on its right.
    pub left: u32,
    /// Pixels above it, and as many below.
    pub top: u32,
}

impl Layout {
    /// A window of this share of the screen's area, in per cent: to the pixel that lets it be centred, and a pixel at least.
    #[must_use]
    pub fn of(screen: Size, window_percent: f64) -> Self {
        let share = (window_percent / 100.0).clamp(0.0, 1.0).sqrt();
        let Size { width, height } = screen;
        Self { screen, left: margin(width, share), top: margin(height, share) }
    }

    /// The window's size.
    #[must_use]
    pub fn window(&self) -> Size {
        let Size { width, height } = self.screen;
        Size { width: width.saturating_sub(2 * self.left), height: height.saturating_sub(2 * self.top) }
    }

    /// Whether this row, from the top, goes through the window.
    #[must_use]
    pub fn crosses(&self, row: u32) -> bool {
        (self.top..self.screen.height.saturating_sub(self.top)).contains(&row)
    }

    /// The pixels of a row that goes through the window, from the left.
    pub fn across<T: Copy>(&self, inside: T, outside: T) -> impl Iterator<Item = T> {
        let right = self.screen.width.saturating_sub(self.left);
        let window = self.left..right;
        (0..self.screen.width).map(move |column| if window.contains(&column) { inside } else { outside })
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to half of the side")]
fn margin(side: u32, share: f64) -> u32 {
    let margin = (f64::from(side) * (1.0 - share) / 2.0).round() as u32;
    margin.min(side.saturating_sub(1) / 2)
}

#[cfg(test)]
mod tests {
    use super::*;

    const UHD: Size = Size { width: 3840, height: 2160 };

    #[test]
    fn a_window_has_its_share_of_the_area_to_a_pixel_on_each_side() {
        for percent in [0.25_f64, 1.0, 2.0, 5.0, 10.0, 18.0, 25.0, 50.0, 75.0, 99.0] {
            let window = Layout::of(UHD, percent).window();
            let share = (percent / 100.0).sqrt();
            assert!((f64::from(window.width) - 3840.0 * share).abs() <= 1.0, "{percent}");
            assert!((f64::from(window.height) - 2160.0 * share).abs() <= 1.0, "{percent}");
        }
    }

    #[test]
    fn a_full_field_has_no_margin_and_the_smallest_window_has_a_pixel() {
        assert_eq!(Layout::of(UHD, 100.0), Layout { screen: UHD, left: 0, top: 0 });
        assert_eq!(Layout::of(Size { width: 17, height: 16 }, 1e-9).window(), Size { width: 1, height: 2 });
    }

    #[test]
    fn rows_and_columns_of_the_window_are_counted_as_it_is_large() {
        let layout = Layout::of(Size { width: 100, height: 50 }, 25.0);
        assert_eq!((0..50).filter(|row| layout.crosses(*row)).count() as u32, layout.window().height);
        let row: Vec<bool> = layout.across(true, false).collect();
        assert_eq!(row.len(), 100);
        assert_eq!(row.iter().filter(|inside| **inside).count() as u32, layout.window().width);
        assert_eq!((row[24], row[25], row[74], row[75]), (false, true, true, false));
    }

    #[test]
    fn a_size_that_is_none_is_refused() {
        assert_eq!("3840x2160".parse(), Ok(UHD));
        for text in ["", "3840", "3840x", "0x0", "15x100", "9000x100", "-4x5", "3840x2160x2"] {
            assert!(text.parse::<Size>().is_err(), "{text}");
        }
    }
}
