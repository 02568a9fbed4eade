//! Matrices of three by three, from tristimulus values to tristimulus values. Finite by construction.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::{Unphysical, Xyz};

/// A matrix of three rows, `[[a, b, c], [d, e, f], [g, h, i]]`: X′ = a·X + b·Y + c·Z, and so on. Dimensionless.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "Vec<Vec<f64>>", into = "[[f64; 3]; 3]")]
#[schemars(with = "[[f64; 3]; 3]")]
pub struct Matrix([[f64; 3]; 3]);

impl Matrix {
    /// Changes nothing.
    pub const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// A matrix from its rows.
    ///
    /// # Errors
    /// [`Unphysical`] if an element is NaN or infinite.
    pub fn new(rows: [[f64; 3]; 3]) -> Result<Self, Unphysical> {
        if rows.as_flattened().iter().all(|element| element.is_finite()) {
            Ok(Self(rows))
        } else {
            Err(Unphysical::new("a matrix must have finite elements"))
        }
    }

    /// The matrix with these columns.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn of_columns(columns: [[f64; 3]; 3]) -> Result<Self, Unphysical> {
        Self::new([0, 1, 2].map(|row| columns.map(|column| column[row])))
    }

    /// Its rows.
    #[must_use]
    pub fn rows(self) -> [[f64; 3]; 3] {
        self.0
    }

    /// The matrix times a column.
    #[must_use]
    pub fn times(self, column: [f64; 3]) -> [f64; 3] {
        self.0.map(|row| row.iter().zip(column).map(|(element, value)| element * value).sum())
    }

    /// Light that goes through the matrix.
    ///
    /// # Errors
    /// [`Unphysical`] if the result overflows.
    pub fn apply(self, light: Xyz) -> Result<Xyz, Unphysical> {
        Xyz::try_from(self.times(light.into()))
    }

    /// This matrix after another: what goes through the result goes through `first`, then through this.
    ///
    /// # Errors
    /// [`Unphysical`] if the result overflows.
    pub fn after(self, first: Self) -> Result<Self, Unphysical> {
        Self::of_columns([0, 1, 2].map(|column| self.times(first.0.map(|row| row[column]))))
    }

    /// Every element times a factor.
    ///
    /// # Errors
    /// [`Unphysical`] if the result overflows.
    pub fn scaled(self, factor: f64) -> Result<Self, Unphysical> {
        Self::new(self.0.map(|row| row.map(|element| element * factor)))
    }

    /// The inverse, by cofactors; nothing where there is none, or none that can be written down.
    #[must_use]
    pub fn inverse(self) -> Option<Self> {
        let largest =
            self.0.as_flattened().iter().fold(0.0, |largest: f64, element| largest.max(element.abs()));
        // Of elements up to 1, so that nothing overflows on the way.
        let m = self.0.map(|row| row.map(|element| element / largest));
        let cofactor = |row: usize, column: usize| {
            let ([r1, r2], [c1, c2]) = (others(row), others(column));
            m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
        };
        let determinant: f64 = (0..3).map(|column| m[0][column] * cofactor(0, column)).sum();
        Self::new([0, 1, 2].map(|row| [0, 1, 2].map(|column| cofactor(column, row) / determinant / largest)))
            .ok()
    }

    /// The determinant. May be infinite.
    #[must_use]
    pub fn determinant(self) -> f64 {
        let [[a, b, c], [d, e, f], [g, h, i]] = self.0;
        a * (e * i - f * h) + b * (f * g - d * i) + c * (d * h - e * g)
    }

    /// The condition number in the Frobenius norm: 3 for the unit matrix, and the larger the more the matrix swells errors of its
    /// input. Infinite where there is no inverse.
    #[must_use]
    pub fn condition(self) -> f64 {
        self.inverse().map_or(f64::INFINITY, |inverse| self.norm() * inverse.norm())
    }

    /// The Frobenius norm: the root of the sum of the squares of the elements.
    #[must_use]
    pub fn norm(self) -> f64 {
        self.0.as_flattened().iter().fold(0.0, |norm: f64, element| norm.hypot(*element))
    }
}

/// The two other rows or columns, in cyclic order: so that cofactors carry their sign.
fn others(index: usize) -> [usize; 2] {
    [(index + 1) % 3, (index + 2) % 3]
}

impl TryFrom<Vec<Vec<f64>>> for Matrix {
    type Error = String;

    fn try_from(rows: Vec<Vec<f64>>) -> Result<Self, String> {
        let mut three = [[0.0; 3]; 3];
        if rows.len() != three.len() {
            return Err(format!("expected three rows of three numbers, not {} rows", rows.len()));
        }
        for (index, (row, found)) in three.iter_mut().zip(rows).enumerate() {
            let wrong =
                |found: Vec<f64>| format!("expected three numbers in row {}, not {}", index + 1, found.len());
            *row = found.try_into().map_err(wrong)?;
        }
        Self::new(three).map_err(|error| error.to_string())
    }
}

impl From<Matrix> for [[f64; 3]; 3] {
    fn from(matrix: Matrix) -> Self {
        matrix.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOME: Matrix = Matrix([[2.0, 1.0, -1.0], [0.5, 3.0, 0.25], [-1.0, 0.0, 4.0]]);

    #[test]
    fn the_inverse_undoes_also_where_numbers_are_huge_or_tiny() {
        for scale in [1e-200, 1e-3, 1.0, 1e150] {
            let matrix = SOME.scaled(scale).unwrap();
            let back = matrix.inverse().unwrap().after(matrix).unwrap();
            for (found, expected) in
                back.rows().as_flattened().iter().zip(Matrix::IDENTITY.rows().as_flattened())
            {
                assert!((found - expected).abs() < 1e-14, "{scale}: {back:?}");
            }
        }
    }

    #[test]
    fn what_has_no_inverse_has_none() {
        for rows in [[[0.0; 3]; 3], [[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [0.0, 1.0, 1.0]]] {
            let matrix = Matrix::new(rows).unwrap();
            assert_eq!((matrix.inverse(), matrix.condition()), (None, f64::INFINITY));
        }
        assert!(Matrix::new([[f64::NAN, 0.0, 0.0], [0.0; 3], [0.0; 3]]).is_err());
    }

    #[test]
    fn a_matrix_that_is_not_three_by_three_is_told_so() {
        let parse = |text: &str| serde_json::from_str::<Matrix>(text);
        assert_eq!(parse("[[1,0,0],[0,1,0],[0,0,1]]").unwrap(), Matrix::IDENTITY);
        for (text, why) in [
            ("[[1,0,0],[0,1,0,0],[0,0,1]]", "expected three numbers in row 2, not 4"),
            ("[[1,0],[0,1,0],[0,0,1]]", "expected three numbers in row 1, not 2"),
            ("[[1,0,0],[0,1,0]]", "expected three rows of three numbers, not 2 rows"),
        ] {
            let found = parse(text).unwrap_err().to_string();
            assert!(found.contains(why), "{text}: {found}");
        }
    }

    #[test]
    fn the_figures_of_a_matrix_are_those_of_a_book() {
        // det by the rule of Sarrus: 2·3·4 + 1·0.25·(−1) + 0 − (−1)·3·(−1) − 0 − 1·0.5·4 = 18.75.
        assert!((SOME.determinant() - 18.75).abs() < 1e-12);
        assert!((Matrix::IDENTITY.condition() - 3.0).abs() < 1e-12);
        assert_eq!(SOME.times([1.0, 2.0, 3.0]), [1.0, 7.25, 11.0]);
    }
}
