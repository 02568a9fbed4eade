//! What values mean, as code points of ITU-T H.273 (ISO/IEC 23091-2), from memory.

use crate::evaluate::aim::{Aim, Primaries, Transfer};

/// Coding-independent code points.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CodePoints {
    /// ColourPrimaries (H.273, table 2).
    pub primaries: u8,
    /// TransferCharacteristics (table 3).
    pub transfer: u8,
    /// MatrixCoefficients (table 4).
    pub matrix: u8,
    /// VideoFullRangeFlag.
    pub full_range: bool,
}

/// What is known by other means, or not at all.
pub const UNSPECIFIED: u8 = 2;

impl CodePoints {
    /// Of R′G′B′ of full range.
    #[must_use]
    pub fn rgb(aim: &Aim) -> Self {
        Self {
            primaries: primaries(aim.primaries),
            transfer: transfer(aim.transfer),
            matrix: 0,
            full_range: true,
        }
    }

    /// Of Y′CbCr, by the matrix that [`super::ycbcr::Matrix::of`] has.
    #[must_use]
    pub fn ycbcr(aim: &Aim, full_range: bool) -> Self {
        let matrix = match aim.primaries {
            // Non-constant luminance.
            Primaries::Bt2020 => 9,
            Primaries::Bt709 | Primaries::P3D65 => 1,
        };
        Self { matrix, full_range, ..Self::rgb(aim) }
    }
}

fn primaries(primaries: Primaries) -> u8 {
    match primaries {
        Primaries::Bt709 => 1,
        Primaries::Bt2020 => 9,
        Primaries::P3D65 => 12,
    }
}

/// The list has the camera's side of BT.709, which BT.1886 is the display's side of; of power laws it has two.
fn transfer(transfer: Transfer) -> u8 {
    match transfer {
        Transfer::Bt1886 => 1,
        Transfer::Power { gamma } if (gamma - 2.2).abs() < 1e-9 => 4,
        Transfer::Power { gamma } if (gamma - 2.8).abs() < 1e-9 => 5,
        Transfer::Power { .. } => UNSPECIFIED,
        Transfer::Srgb => 13,
        Transfer::Pq => 16,
        Transfer::Hlg { .. } => 18,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_power_law_that_the_list_does_not_have_is_said_to_be_unspecified() {
        let of = |gamma| transfer(Transfer::Power { gamma });
        assert_eq!([of(2.2), of(2.8), of(2.4)], [4, 5, UNSPECIFIED]);
    }
}
