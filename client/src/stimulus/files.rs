//! Stimuli as files, for players and media files: 16-bit PNG that says what its values mean, and uncompressed 10-bit video.
//!
//! | module | idea |
//! |---|---|
//! | [`layout`] | where the window is, in whole pixels |
//! | [`h273`] | what values mean, as code points of ITU-R's and ISO's common list |
//! | [`png`] | 16-bit R′G′B′ in PNG |
//! | [`ycbcr`] | R′G′B′ as 10-bit Y′CbCr |
//! | [`y4m`] | the same as video |
//! | [`listing`] | which files a plan makes, and how they are called |
//! | [`index`] | which file is what, as CSV |

use settled_protocol::stage::Range;

use crate::review::patch::Patch;
use crate::review::plan::Set;

pub mod h273;
pub mod index;
pub mod layout;
pub mod listing;
pub mod png;
pub mod y4m;
pub mod ycbcr;

use h273::CodePoints;
use ycbcr::Matrix;

/// What kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// 16-bit R′G′B′ of full range in PNG.
    Png,
    /// 10-bit Y′CbCr, without subsampling, in the range of the plan.
    Y4m,
}

impl Form {
    /// What file names end in.
    #[must_use]
    pub fn extension(self) -> &'static str {
        match self {
            Self::Png => "png",
            Self::Y4m => "y4m",
        }
    }

    /// The values that stand for code values in a file: R′, G′, B′ of 16 bits, or Y′, Cb, Cr of 10.
    #[must_use]
    pub fn stored(self, set: &Set, codes: [u16; 3]) -> [u16; 3] {
        match self {
            Self::Png => codes.map(|code| png::level(set.coding, code)),
            Self::Y4m => {
                let signal = codes.map(|code| set.coding.signal(code));
                Matrix::of(set.aim.primaries).codes(signal, set.coding.range)
            }
        }
    }

    /// What the values of a set's files mean.
    #[must_use]
    pub fn code_points(self, set: &Set) -> CodePoints {
        match self {
            Self::Png => CodePoints::rgb(&set.aim),
            Self::Y4m => CodePoints::ycbcr(&set.aim, set.coding.range == Range::Full),
        }
    }

    /// Whether all code values of a patch can be had back from a file: in 16-bit R′G′B′ they always can, in 10-bit Y′CbCr greys of 8 and 10
    /// bits can, and few colours.
    #[must_use]
    pub fn is_exact(self, set: &Set, patch: &Patch) -> bool {
        let comes_back = |codes: [u16; 3]| match self {
            Self::Png => true,
            Self::Y4m => {
                let matrix = Matrix::of(set.aim.primaries);
                let signal = matrix.signal(self.stored(set, codes), set.coding.range);
                signal.map(|signal| set.coding.code(signal)) == codes
            }
        };
        comes_back(patch.codes) && (patch.window_percent >= 100.0 || comes_back(patch.background))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::aim::{Aim, Primaries, Transfer};
    use crate::review::patch::Coding;

    fn set(bits: u8, range: Range, primaries: Primaries) -> Set {
        let aim = Aim { transfer: Transfer::Bt1886, primaries, white: None };
        Set { name: "S".to_owned(), coding: Coding { bits, range }, aim, sequences: Vec::new() }
    }

    #[test]
    fn greys_of_eight_and_ten_bits_are_exact_in_either_form_and_those_of_twelve_in_one() {
        let patch = |code| Patch {
            name: "grey".to_owned(),
            codes: [code; 3],
            background: [code; 3],
            window_percent: 10.0,
        };
        for primaries in [Primaries::Bt709, Primaries::Bt2020] {
            for (bits, range, codes) in [
                (8, Range::Full, 0..=255),
                (10, Range::Full, 0..=1023),
                (8, Range::Narrow, 16..=235),
                (10, Range::Narrow, 64..=940),
            ] {
                let set = set(bits, range, primaries);
                for form in [Form::Png, Form::Y4m] {
                    assert!(codes.clone().all(|code| form.is_exact(&set, &patch(code))), "{bits} {range:?}");
                }
            }
            let twelve = set(12, Range::Full, primaries);
            assert!(Form::Png.is_exact(&twelve, &patch(1)) && !Form::Y4m.is_exact(&twelve, &patch(1)));
        }
    }

    #[test]
    fn a_colour_that_ten_bits_of_y_cb_cr_have_no_values_for_is_told_from_one_that_they_have() {
        let set = set(10, Range::Full, Primaries::Bt709);
        let of = |codes| Patch { name: "p".to_owned(), codes, background: [0; 3], window_percent: 10.0 };
        let all = (0..1023).map(|green| Form::Y4m.is_exact(&set, &of([700, green, 40])));
        let exact = all.filter(|exact| *exact).count();
        assert!(exact > 0 && exact < 1023, "{exact}");
    }
}
