//! Matrices of three by three, as colour needs them.

/// Rows of three.
pub(super) type Matrix = [[f64; 3]; 3];

/// The unit matrix.
pub(super) const IDENTITY: Matrix = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// `matrix` times the column `vector`.
pub(super) fn apply(matrix: &Matrix, vector: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * vector[0] + row[1] * vector[1] + row[2] * vector[2])
}

/// The inverse, by cofactors. Not finite where the matrix is singular.
pub(super) fn inverse(m: &Matrix) -> Matrix {
    let cofactor = |row: usize, column: usize| {
        let (r1, r2) = ((row + 1) % 3, (row + 2) % 3);
        let (c1, c2) = ((column + 1) % 3, (column + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3).map(|column| m[0][column] * cofactor(0, column)).sum();
    [0, 1, 2].map(|row| [0, 1, 2].map(|column| cofactor(column, row) / determinant))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_inverse_undoes() {
        let m = [[2.0, 1.0, -1.0], [0.5, 3.0, 0.25], [-1.0, 0.0, 4.0]];
        let back = apply(&inverse(&m), apply(&m, [0.3, -0.7, 5.0]));
        for (value, expected) in back.into_iter().zip([0.3, -0.7, 5.0]) {
            assert!((value - expected).abs() < 1e-14);
        }
    }
}
