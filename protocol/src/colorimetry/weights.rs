//! What each value of an evenly spaced spectrum adds to X, Y and Z.
//!
//! - **Steps above 1 nm:** the spectrum is interpolated to every whole nm within it (Sprague: [`super::interpolation`]) and summed with
//!   the 1 nm tables, as CIE 15 and CIE 167 recommend.
//! - **Steps of 1 nm or less:** nothing is interpolated but the tables, linearly, and the sum is over the spectrum's own wavelengths. So a line
//!   between two whole nm is not lost.

use crate::quantity::{Unphysical, Xyz};
use crate::spectrum::Spectrum;

use super::interpolation::{Taps, taps};
use super::observer::Table;
use super::{Beyond, KM_LM_W, Method, Unsummed, bandwidth};

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
    /// Calls `add` with every wavelength of the sum, the width it stands for, and what it takes of which values.
    fn sum(self, table: &Table, beyond: Beyond, mut add: impl FnMut(f64, f64, Taps)) {
        let reach = match beyond {
            Beyond::Nothing => (self.start_nm - ROUNDING_NM, self.end_nm() + ROUNDING_NM),
            Beyond::Nearest => (f64::NEG_INFINITY, f64::INFINITY),
        };
        let (low, high) = (reach.0.max(table.start_nm), reach.1.min(table.end_nm()));
        let (width_nm, first) = if self.step_nm > 1.0 {
            (1.0, low.ceil())
        } else {
            (self.step_nm, self.start_nm + ((low - self.start_nm) / self.step_nm).ceil() * self.step_nm)
        };
        for index in 0_u32.. {
            let wavelength_nm = first + f64::from(index) * width_nm;
            if wavelength_nm > high {
                break;
            }
            add(wavelength_nm, width_nm, self.taps(wavelength_nm));
        }
    }

    fn taps(self, wavelength_nm: f64) -> Taps {
        let position = (wavelength_nm - self.start_nm) / self.step_nm;
        // The spectrum's own values are taken as they are, without what rounding would mix in of their neighbours.
        let position = if self.step_nm > 1.0 { position } else { position.round() };
        taps(position, self.count)
    }

    #[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
    fn end_nm(self) -> f64 {
        self.start_nm + self.step_nm * self.count.saturating_sub(1) as f64
    }
}
