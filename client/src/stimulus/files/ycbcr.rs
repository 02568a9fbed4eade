//! R′G′B′ as 10-bit Y′CbCr of non-constant luminance (ITU-R BT.709-6, items 3.2 to 3.4 and 4.6; BT.2020-2, tables 4 and 5; BT.2100-2, table 9 for
//! full range; from memory).

use settled_protocol::stage::Range;

use crate::evaluate::aim::Primaries;

/// How luma and colour differences are made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Matrix {
    /// Red's share of luma.
    red: f64,
    /// Blue's.
    blue: f64,
}

/// The highest of 10 bits.
const TOP: f64 = 1023.0;
/// The value of no colour difference.
const MIDDLE: f64 = 512.0;

impl Matrix {
    /// That which goes with primaries: BT.2020's with its own, BT.709's with the others. P3-D65 has none of its own, and players take
    /// BT.709's where nothing else is said (common practice, no source).
    #[must_use]
    pub fn of(primaries: Primaries) -> Self {
        match primaries {
            Primaries::Bt2020 => Self { red: 0.2627, blue: 0.0593 },
            Primaries::Bt709 | Primaries::P3D65 => Self { red: 0.2126, blue: 0.0722 },
        }
    }

    /// 10-bit Y′, Cb, Cr of a signal, R′, G′ and B′ from 0 to 1.
    ///
    /// Narrow: black 64, white 940, differences from 64 to 960; full: 0 to 1023, where the greatest difference, of 1023.5, is held at 1023.
    /// Halves are rounded away from 0.
    #[must_use]
    pub fn codes(self, [r, g, b]: [f64; 3], range: Range) -> [u16; 3] {
        let luma = self.red * r + (1.0 - self.red - self.blue) * g + self.blue * b;
        let differences = [(b - luma) / (2.0 * (1.0 - self.blue)), (r - luma) / (2.0 * (1.0 - self.red))];
        let (black, of_luma, of_difference) = scale(range);
        let [cb, cr] = differences.map(|difference| MIDDLE + of_difference * difference);
        [black + of_luma * luma, cb, cr].map(quantised)
    }

    /// The signal that a decoder makes of them: R′, G′ and B′, held to 0 and 1.
    #[must_use]
    pub fn signal(self, codes: [u16; 3], range: Range) -> [f64; 3] {
        let (black, of_luma, of_difference) = scale(range);
        let [y, cb, cr] = codes.map(f64::from);
        let luma = (y - black) / of_luma;
        let r = luma + 2.0 * (1.0 - self.red) * (cr - MIDDLE) / of_difference;
        let b = luma + 2.0 * (1.0 - self.blue) * (cb - MIDDLE) / of_difference;
        let g = (luma - self.red * r - self.blue * b) / (1.0 - self.red - self.blue);
        [r, g, b].map(|signal| signal.clamp(0.0, 1.0))
    }
}

/// The code value of black, and how many code values luma and a difference span.
fn scale(range: Range) -> (f64, f64, f64) {
    match range {
        Range::Narrow => (64.0, 876.0, 896.0),
        Range::Full => (0.0, TOP, TOP),
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 1023")]
fn quantised(value: f64) -> u16 {
    value.round().clamp(0.0, TOP) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SMPTE RP 219-1, the bars of 75 % in 10-bit Y′CbCr of BT.709, from memory.
    #[test]
    fn bars_have_the_values_that_are_printed() {
        let matrix = Matrix::of(Primaries::Bt709);
        for (on, printed) in [
            ([1.0, 1.0, 1.0], [721, 512, 512]),
            ([1.0, 1.0, 0.0], [674, 176, 543]),
            ([0.0, 1.0, 1.0], [581, 589, 176]),
            ([0.0, 1.0, 0.0], [534, 253, 207]),
            ([1.0, 0.0, 1.0], [251, 771, 817]),
            ([1.0, 0.0, 0.0], [204, 435, 848]),
            ([0.0, 0.0, 1.0], [111, 848, 481]),
        ] {
            let bar: [f64; 3] = on;
            assert_eq!(matrix.codes(bar.map(|on| 0.75 * on), Range::Narrow), printed, "{on:?}");
        }
    }

    #[test]
    fn values_are_those_that_a_reference_library_has() {
        let table = include_str!("../../../../tests/reference/colour/ycbcr_10bit.csv");
        let mut table = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(table.as_bytes());
        let rows = table.deserialize::<(String, String, [f64; 3], [u16; 3])>();
        let checked = rows.map(|row| {
            let (space, range, signal, codes) = row.unwrap();
            let primaries = if space == "BT.2020" { Primaries::Bt2020 } else { Primaries::Bt709 };
            let range = if range == "narrow" { Range::Narrow } else { Range::Full };
            assert_eq!(Matrix::of(primaries).codes(signal, range), codes, "{space} {range:?} {signal:?}");
        });
        assert!(checked.count() > 400);
    }

    #[test]
    fn the_greatest_difference_of_full_range_is_held_at_the_highest_value() {
        let matrix = Matrix::of(Primaries::Bt2020);
        assert_eq!(matrix.codes([1.0, 0.0, 0.0], Range::Full)[2], 1023);
        assert_eq!(matrix.codes([0.0, 1.0, 1.0], Range::Full)[2], 1);
    }

    #[test]
    fn what_a_decoder_makes_of_it_is_nowhere_off_by_more_than_rounding_may_do() {
        for primaries in [Primaries::Bt709, Primaries::Bt2020] {
            let matrix = Matrix::of(primaries);
            for (range, of_luma, of_difference) in
                [(Range::Narrow, 876.0, 896.0), (Range::Full, 1023.0, 1023.0)]
            {
                for index in 0..4096_u16 {
                    let signal =
                        [index % 16, index / 16 % 16, index / 256].map(|part| f64::from(part) / 15.0);
                    let back = matrix.signal(matrix.codes(signal, range), range);
                    for (signal, back) in signal.iter().zip(back) {
                        // Half a code value of luma, and of a difference a half (a whole where 1023.5 was held), times 1.8814 at most.
                        let most = 0.5 / of_luma
                            + 1.8814 * (if range == Range::Full { 1.0 } else { 0.5 }) / of_difference;
                        assert!((signal - back).abs() <= most + 1e-12, "{signal:?} {back:?}");
                    }
                }
            }
        }
    }
}
