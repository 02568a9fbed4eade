//! Uncompressed video of two colours: YUV4MPEG2, 10 bits in two bytes, low byte first, without subsampling (C444p10).
//!
//! The format has no standard; what programs that read it agree on is written here, from memory. It doesn't say primaries or transfer
//! functions: whoever makes a media file of it must.

use std::fmt;
use std::io::{self, Write};
use std::str::FromStr;

use settled_protocol::stage::Range;

use super::layout::{Layout, Size};

/// Frames a second, as a fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rate {
    /// So many frames …
    pub frames: u32,
    /// … in so many seconds.
    pub seconds: u32,
}

impl Rate {
    /// How many frames so many seconds are, one at least.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hours at most")]
    pub fn frames_in(self, seconds: f64) -> u64 {
        (seconds * f64::from(self.frames) / f64::from(self.seconds)).round().max(1.0) as u64
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.frames, self.seconds)
    }
}

impl FromStr for Rate {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (frames, seconds) = text.split_once('/').unwrap_or((text, "1"));
        let number =
            |text: &str| text.trim().parse::<u32>().ok().filter(|number| (1..=240_000).contains(number));
        let rate = number(frames).zip(number(seconds)).map(|(frames, seconds)| Self { frames, seconds });
        let usual = |rate: &Self| (1.0..=240.0).contains(&(f64::from(rate.frames) / f64::from(rate.seconds)));
        rate.filter(usual)
            .ok_or_else(|| "expected frames a second from 1 to 240, such as 25 or 60000/1001".to_owned())
    }
}

/// The bytes of a frame.
#[must_use]
pub fn frame_bytes(Size { width, height }: Size) -> u64 {
    FRAME.len() as u64 + 6 * u64::from(width) * u64::from(height)
}

const FRAME: &[u8] = b"FRAME\n";

/// A file that is written frame by frame: two rows of each plane are held, and never a frame.
#[derive(Debug)]
pub struct Clip<W> {
    target: W,
    layout: Layout,
    /// Of each plane: a row through the window, and one beside it.
    rows: [[Vec<u8>; 2]; 3],
}

impl<W: Write> Clip<W> {
    /// Writes the head. Y′, Cb, Cr of the window and of what is around it.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub fn begin(
        mut target: W,
        layout: Layout,
        rate: Rate,
        range: Range,
        [inside, outside]: [[u16; 3]; 2],
    ) -> io::Result<Self> {
        let Size { width, height } = layout.screen;
        let Rate { frames, seconds } = rate;
        let range = match range {
            Range::Full => "FULL",
            Range::Narrow => "LIMITED",
        };
        // Progressive, of square pixels.
        writeln!(
            target,
            "YUV4MPEG2 W{width} H{height} F{frames}:{seconds} Ip A1:1 C444p10 XYSCSS=444P10 XCOLORRANGE={range}"
        )?;
        let row = |inside: u16, outside: u16| -> Vec<u8> {
            layout.across(inside, outside).flat_map(u16::to_le_bytes).collect()
        };
        let rows = [0, 1, 2].map(|plane| {
            let (inside, outside) = (inside[plane], outside[plane]);
            [row(inside, outside), row(outside, outside)]
        });
        Ok(Self { target, layout, rows })
    }

    /// Writes one more frame.
    ///
    /// # Errors
    /// Whatever keeps it from being written.
    pub fn frame(&mut self) -> io::Result<()> {
        self.target.write_all(FRAME)?;
        for [through, beside] in &self.rows {
            for row in 0..self.layout.screen.height {
                self.target.write_all(if self.layout.crosses(row) { through } else { beside })?;
            }
        }
        Ok(())
    }

    /// What it was written to.
    pub fn finish(self) -> W {
        self.target
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_as_long_as_its_frames_say() {
        let layout = Layout::of(Size { width: 32, height: 18 }, 25.0);
        let rate = Rate { frames: 25, seconds: 1 };
        let mut clip =
            Clip::begin(Vec::new(), layout, rate, Range::Narrow, [[940, 512, 512], [64, 512, 512]]).unwrap();
        let head = clip.target.len() as u64;
        for _ in 0..3 {
            clip.frame().unwrap();
        }
        assert_eq!(clip.finish().len() as u64, head + 3 * frame_bytes(layout.screen));
    }

    #[test]
    fn a_rate_is_a_number_or_a_fraction() {
        assert_eq!("60000/1001".parse(), Ok(Rate { frames: 60_000, seconds: 1001 }));
        assert_eq!("25".parse::<Rate>().map(|rate| rate.frames_in(10.0)), Ok(250));
        assert_eq!("60000/1001".parse::<Rate>().map(|rate| rate.frames_in(0.0)), Ok(1));
        for text in ["", "0", "25/0", "0.5", "1000", "1/2"] {
            assert!(text.parse::<Rate>().is_err(), "{text}");
        }
    }
}
