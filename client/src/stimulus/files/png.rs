//! 16-bit R′G′B′ in PNG, with a chunk that says what the values mean (W3C PNG, third edition, cICP, from memory: four bytes of ITU-T H.273,
//! before PLTE and IDAT; the matrix is 0 for R′G′B′, and the flag of full range 1).
//!
//! Rows are written one after the other: a picture is never held as a whole.

use std::io::Write;

use ::png::{BitDepth, ColorType, Compression, Encoder, EncodingError, Filter, chunk};
use settled_protocol::stage::Range;

use super::h273::CodePoints;
use super::layout::Layout;
use crate::review::patch::Coding;

/// The 16-bit value, of full range, nearest to a code value's signal. Rounded to the code values that it came from, it is that code value
/// again.
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 65535")]
pub fn level(coding: Coding, code: u16) -> u16 {
    let signal = coding.signal(code).clamp(0.0, 1.0);
    match coding.range {
        // Without fractions, so that halves don't depend on how a quotient is rounded.
        Range::Full => {
            let top = (1_u32 << coding.bits) - 1;
            ((u32::from(code).min(top) * 65_535 + top / 2) / top) as u16
        }
        Range::Narrow => (65_535.0 * signal).round() as u16,
    }
}

/// Writes a picture of two colours.
///
/// # Errors
/// [`EncodingError`] if it can't be written.
pub fn write(
    target: impl Write,
    layout: &Layout,
    [inside, outside]: [[u16; 3]; 2],
    meaning: CodePoints,
) -> Result<(), EncodingError> {
    let mut encoder = Encoder::new(target, layout.screen.width, layout.screen.height);
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Sixteen);
    encoder.set_compression(Compression::Fast);
    // Most rows are like the one above them: what is left is 0.
    encoder.set_filter(Filter::Up);
    let mut writer = encoder.write_header()?;
    let CodePoints { primaries, transfer, matrix, full_range } = meaning;
    writer.write_chunk(chunk::cICP, &[primaries, transfer, matrix, u8::from(full_range)])?;
    let row = |inside: [u16; 3]| -> Vec<u8> {
        layout.across(inside, outside).flatten().flat_map(u16::to_be_bytes).collect()
    };
    let (through, beside) = (row(inside), row(outside));
    let mut rows = writer.stream_writer()?;
    for number in 0..layout.screen.height {
        rows.write_all(if layout.crosses(number) { &through } else { &beside })?;
    }
    rows.finish()?;
    writer.finish()
}

#[cfg(test)]
mod tests {
    use super::super::layout::Size;
    use super::*;

    #[test]
    fn every_code_value_comes_back_from_its_sixteen_bits() {
        for bits in [8, 10, 12] {
            let top = (1_u16 << bits) - 1;
            let full = Coding { bits, range: Range::Full };
            assert!(
                (0..=top).all(|code| full.code(f64::from(level(full, code)) / 65_535.0) == code),
                "{bits}"
            );
            assert_eq!([level(full, 0), level(full, top)], [0, 65_535]);
            let narrow = Coding { bits, range: Range::Narrow };
            let [black, white] = [16, 235].map(|code| code << (bits - 8));
            assert!(
                (black..=white).all(|code| narrow.code(f64::from(level(narrow, code)) / 65_535.0) == code),
                "{bits}"
            );
            assert_eq!([level(narrow, black), level(narrow, white)], [0, 65_535]);
        }
        // By hand: 65535 / 255 is 257.
        assert_eq!(level(Coding { bits: 8, range: Range::Full }, 128), 128 * 257);
    }

    #[test]
    fn a_large_picture_is_a_small_file() {
        let layout = Layout::of(Size { width: 3840, height: 2160 }, 10.0);
        let meaning = CodePoints { primaries: 9, transfer: 16, matrix: 0, full_range: true };
        let mut file = Vec::new();
        write(&mut file, &layout, [[40_000, 30_000, 20_000], [0; 3]], meaning).unwrap();
        // Of 50 MB.
        assert!(file.len() < 500_000, "{}", file.len());
    }
}
