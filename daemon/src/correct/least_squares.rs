//! A matrix by least squares over any colours: M that makes Σᵢ |M·mᵢ − rᵢ|² / Yᵢ² smallest, with m and r as the meter and the
//! reference saw colour i and Y the reference's luminance of it.
//!
//! Divided by their luminance, dark colours count as bright ones do: otherwise white and green alone would decide. In chromaticity
//! it does as well as dividing by X+Y+Z would. The rows of M are independent of one another, so these are three problems with one
//! matrix of N × 3, solved by QR (modified Gram–Schmidt with the right-hand side carried along: Å. Björck, "Solving linear least
//! squares problems by Gram-Schmidt orthogonalization", BIT 7 (1967), 1–21).

use settled_protocol::correction::Colour;
use settled_protocol::matrix::Matrix;

use super::failure::Underived;
use super::independent;

/// Colours needed at least, three of them independent.
pub const FEWEST: usize = 3;

/// What is left of a column, relative to the column, below which it is a mixture of those before.
const LEAST_PIVOT: f64 = 1e-9;

/// The matrix from all of `colours`.
///
/// # Errors
/// [`Underived`]: too few, not three that are independent.
pub fn matrix(colours: &[Colour]) -> Result<Matrix, Underived> {
    if colours.len() < FEWEST {
        return Err(Underived::TooFew { needed: FEWEST, found: colours.len() });
    }
    let relative = |colour: &Colour, values: [f64; 3]| values.map(|value| value / colour.reference.y());
    let meter: Vec<[f64; 3]> = colours.iter().map(|colour| relative(colour, colour.meter.into())).collect();
    let reference: Vec<[f64; 3]> =
        colours.iter().map(|colour| relative(colour, colour.reference.into())).collect();
    for (who, seen) in [("meter", &meter), ("reference", &reference)] {
        if let Err(indices) = independent::check(seen) {
            let names = indices.into_iter().filter_map(|index| colours.get(index));
            let colours = names.map(|colour| colour.name.as_str().to_owned()).collect();
            return Err(Underived::Dependent { colours, who });
        }
    }
    solve(columns(&meter), columns(&reference)).ok_or(Underived::NotFinite)
}

fn columns(rows: &[[f64; 3]]) -> [Vec<f64>; 3] {
    [0, 1, 2].map(|axis| rows.iter().map(|row| row[axis]).collect())
}

/// The matrix whose row c makes |A·rowᵀ − b_c| smallest, with `a` the columns of A and `b` those of the right-hand side.
fn solve(mut a: [Vec<f64>; 3], mut b: [Vec<f64>; 3]) -> Option<Matrix> {
    let mut r = [[0.0; 3]; 3];
    let mut d = [[0.0; 3]; 3];
    let norms = [0, 1, 2].map(|k| norm(&a[k]));
    for k in 0..3 {
        let rest = norm(&a[k]);
        // NaN is no pivot either.
        if !(LEAST_PIVOT * norms[k]..).contains(&rest) {
            return None;
        }
        let q: Vec<f64> = a[k].iter().map(|value| value / rest).collect();
        r[k][k] = rest;
        for j in k + 1..3 {
            r[k][j] = take_out(&q, &mut a[j]);
        }
        for (c, column) in b.iter_mut().enumerate() {
            d[k][c] = take_out(&q, column);
        }
    }
    let row = |c: usize| {
        let mut row = [0.0; 3];
        for k in (0..3).rev() {
            let known: f64 = (k + 1..3).map(|j| r[k][j] * row[j]).sum();
            row[k] = (d[k][c] - known) / r[k][k];
        }
        row
    };
    Matrix::new([0, 1, 2].map(row)).ok()
}

/// Takes what points along `q` out of a column, and gives how much that was.
fn take_out(q: &[f64], column: &mut [f64]) -> f64 {
    let along: f64 = q.iter().zip(column.iter()).map(|(one, value)| one * value).sum();
    for (value, one) in column.iter_mut().zip(q) {
        *value -= along * one;
    }
    along
}

fn norm(column: &[f64]) -> f64 {
    column.iter().fold(0.0, |norm: f64, value| norm.hypot(*value))
}
