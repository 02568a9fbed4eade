//! The four-colour method: Y. Ohno, J. E. Hardis, "Four-Color Matrix Method for Correction of Tristimulus Colorimeters", IS&T 5th
//! Color Imaging Conference (1997), 301–305; part 2 by Y. Ohno and S. W. Brown, 6th CIC (1998), 65–68.
//!
//! With m and r the chromaticities (x, y, 1−x−y) of red, green, blue and white as the meter and the reference saw them, M and N the
//! matrices of the three primaries' columns:
//!
//! ```text
//! k_m = M⁻¹·m_W     k_r = N⁻¹·r_W     matrix = N·diag(k_r)·(M·diag(k_m))⁻¹, scaled so that white has the reference's luminance
//! ```
//!
//! Only chromaticities and the luminance of white go in, so a display that drifts in luminance between the colours does no harm.

use settled_protocol::correction::Colour;
use settled_protocol::matrix::Matrix;
use settled_protocol::quantity::Xyz;

use super::failure::Underived;
use super::independent;

/// The colours that the method is named for, in the order that they are shown.
pub const COLOURS: [&str; 4] = ["white", "red", "green", "blue"];

/// The least share of a primary in white: less is none. Blue has some 0.07 of the luminance, and more here. Engineering judgement.
const LEAST_SHARE: f64 = 1e-3;

/// Whether the method makes its matrix from a colour of this name.
#[must_use]
pub fn uses(name: &str) -> bool {
    COLOURS.iter().any(|known| known.eq_ignore_ascii_case(name))
}

/// The matrix from white, red, green and blue among `colours`; others are left aside.
///
/// # Errors
/// [`Underived`]: one is missing, the primaries lie in a line, white is no mixture of them.
pub fn matrix(colours: &[Colour]) -> Result<Matrix, Underived> {
    if colours.len() < COLOURS.len() {
        return Err(Underived::TooFew { needed: COLOURS.len(), found: colours.len() });
    }
    let find = |name: &'static str| {
        let found = colours.iter().find(|colour| colour.name.as_str().eq_ignore_ascii_case(name));
        found.ok_or(Underived::Missing(name))
    };
    let [white, red, green, blue] = COLOURS;
    let (white, primaries) = (find(white)?, [find(red)?, find(green)?, find(blue)?]);
    let meter = mixed(white.meter, primaries.map(|colour| colour.meter), "meter")?;
    let reference = mixed(white.reference, primaries.map(|colour| colour.reference), "reference")?;
    let inverse = meter.inverse().ok_or(Underived::NotFinite)?;
    let matrix = reference.after(inverse).map_err(|_| Underived::NotFinite)?;
    let y = matrix.apply(white.meter).map_err(|_| Underived::NotFinite)?.y();
    matrix.scaled(white.reference.y() / y).map_err(|_| Underived::NotFinite)
}

/// The primaries' chromaticities as columns, each as strong as white has it.
fn mixed(white: Xyz, primaries: [Xyz; 3], who: &'static str) -> Result<Matrix, Underived> {
    let columns = primaries.map(direction);
    let names = &COLOURS[1..];
    if let Err(indices) = independent::check(&columns) {
        let colours = indices.into_iter().filter_map(|index| names.get(index)).map(|name| (*name).to_owned());
        return Err(Underived::Dependent { colours: colours.collect(), who });
    }
    let plain = Matrix::of_columns(columns).map_err(|_| Underived::NotFinite)?;
    let shares = plain.inverse().ok_or(Underived::NotFinite)?.times(direction(white));
    if let Some(without) = (0..3).find(|index| !(LEAST_SHARE..).contains(&shares[*index])) {
        return Err(Underived::NoMixture { without: names[without].to_owned(), who });
    }
    let columns = [0, 1, 2].map(|index| columns[index].map(|value| value * shares[index]));
    Matrix::of_columns(columns).map_err(|_| Underived::NotFinite)
}

/// (x, y, 1−x−y). X, Y, Z without a sum give what isn't finite, and are refused as such.
fn direction(xyz: Xyz) -> [f64; 3] {
    let values: [f64; 3] = xyz.into();
    let sum: f64 = values.iter().sum();
    values.map(|value| value / sum)
}
