//! What each value of an evenly spaced spectrum adds to X, Y and Z.
//!
//! - **Steps above 1 nm:** the spectrum is interpolated to every whole nm within it (Sprague: [`super::interpolation`]) and summed with
//!   the 1 nm tables, as CIE 15 and CIE 167 recommend.
//! - **Steps of 1 nm or less:** nothing is interpolated but the tables, linearly, and the sum is over the spectrum's own wavelengths. So a line
//!   between two whole nm is not lost.

use crate::quantity::{Unphysical, Xyz};
use crate::spectrum::Spectrum;

use super::interpolation::{POINTS, Taps, taps};
use super::observer::Table;
use super::{Beyond, KM_LM_W, Method, Unsummed, bandwidth};

/// No span at all.
const NOWHERE: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

/// What a value takes of itself and those after it.
const ITSELF: [f64; POINTS] = [1.0, 0.0, 0.0, 0.0, 0.0, 0.0];

/// A whole nm that misses the end of a spectrum by less than this is in it, in nm.
const ROUNDING_NM: f64 = 1e-6;

/// The weights of one grid: for each value what it adds to X, Y and Z.
#[derive(Clone, Debug, PartialEq)]
pub struct Weights {
    start_nm: f64,
    step_nm: f64,
    /// Together, 683·x̄·Δλ for a spectrum by 1 nm, in lm·nm/W.
    rows: Box<[[f64; 3]]>,
}

impl Weights {
    /// The weights for all spectra on the grid of this one.
    ///
    /// # Errors
    /// [`Unsummed::Bandwidth`] if the method's bandwidth doesn't suit the grid.
    pub fn new(like: &Spectrum, method: Method) -> Result<Self, Unsummed> {
        let grid = Grid { start_nm: like.start_nm(), step_nm: like.step_nm(), count: like.values().len() };
        let table = method.observer.table();
        let mut rows = vec![[0.0; 3]; grid.count];
        let add = |wavelength_nm: f64, width_nm: f64, (base, shares): Taps| {
            let bars = method.observer.at(wavelength_nm);
            for (row, share) in rows.iter_mut().skip(base).zip(shares) {
                for (weight, bar) in row.iter_mut().zip(bars) {
                    *weight += KM_LM_W * width_nm * share * bar;
                }
            }
        };
        grid.sum(table, method.beyond, add);
        if let Some(bandwidth_nm) = method.bandwidth_nm {
            rows = bandwidth::unfold(&rows, bandwidth::steps(bandwidth_nm, grid.step_nm)?);
        }
        Ok(Self { start_nm: grid.start_nm, step_nm: grid.step_nm, rows: rows.into() })
    }

    /// Whether the spectrum lies on the grid that the weights are for: the very same numbers.
    #[must_use]
    pub fn fit(&self, spectrum: &Spectrum) -> bool {
        let grid = (self.start_nm, self.step_nm, self.rows.len());
        grid == (spectrum.start_nm(), spectrum.step_nm(), spectrum.values().len())
    }

    /// X, Y and Z of a spectrum on the same grid. Wavelengths are not compared again: [`fit`](Self::fit) does.
    ///
    /// # Errors
    /// [`Unphysical`] if a sum overflows.
    pub fn xyz(&self, spectrum: &Spectrum) -> Result<Xyz, Unphysical> {
        let mut sums = [0.0; 3];
        for (value, row) in spectrum.values().iter().zip(&self.rows) {
            for (sum, weight) in sums.iter_mut().zip(row) {
                *sum += value * weight;
            }
        }
        Xyz::try_from(sums)
    }
}

/// An evenly spaced grid.
#[derive(Clone, Copy)]
struct Grid {
    start_nm: f64,
    step_nm: f64,
    count: usize,
}

impl Grid {
    /// Calls `add` with every wavelength of the sum, the width it stands for in nm, and what it takes of which values.
    fn sum(self, table: &Table, beyond: Beyond, mut add: impl FnMut(f64, f64, Taps)) {
        let (start_nm, end_nm) = (self.start_nm, self.end_nm());
        // Which whole nm are interpolated: all within a coarse spectrum, none of a fine one.
        let within =
            if self.step_nm > 1.0 { (start_nm - ROUNDING_NM, end_nm + ROUNDING_NM) } else { NOWHERE };
        // Beyond a fine one they begin half a nm away: the last value stands for what is nearer.
        let margin_nm = if self.step_nm > 1.0 { 0.0 } else { 0.5 };
        for nm in table.wavelengths() {
            let is_beyond =
                beyond == Beyond::Nearest && (nm < start_nm - margin_nm || nm > end_nm + margin_nm);
            if is_beyond || (within.0..=within.1).contains(&nm) {
                add(nm, 1.0, taps((nm - start_nm) / self.step_nm, self.count));
            }
        }
        if self.step_nm <= 1.0 {
            for index in 0..self.count {
                add(self.wavelength_nm(index), self.step_nm, (index, ITSELF));
            }
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
    fn wavelength_nm(self, index: usize) -> f64 {
        self.start_nm + self.step_nm * index as f64
    }

    fn end_nm(self) -> f64 {
        self.wavelength_nm(self.count.saturating_sub(1))
    }
}
