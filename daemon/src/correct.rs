//! The mathematics of corrections: from paired readings to a matrix, and from a matrix to what it is worth. Pure.
//!
//! | module | idea |
//! |---|---|
//! | [`four_colour`] | the chromaticities of white, red, green and blue, scaled to white |
//! | [`least_squares`] | any colours, each relative to its luminance |
//! | `independent` | do the colours span what a matrix needs? |
//! | [`residuals`] | how far the meter is from the reference, before and after |
//! | [`failure`] | why there is no correction |
//!
//! [CORRECTIONS.md](../CORRECTIONS.md) says what a correction promises, and when it doesn't help.

use settled_protocol::correction::{Colour, Derivation, MOST_COLOURS, Residuals};
use settled_protocol::matrix::Matrix;
use settled_protocol::quantity::Light;

pub mod failure;
pub mod four_colour;
mod independent;
pub mod least_squares;
pub mod residuals;

pub use failure::{Absurdity, Underived};

/// The condition of a matrix (Frobenius norm; 3 is the best there is) beyond which it swells errors of the meter beyond use. Filters
/// of a colorimeter give 3 to 6. Engineering judgement.
const WORST_CONDITION: f64 = 100.0;

/// The norm of a matrix lies within this and its inverse: a meter that is off by more is no colorimeter. Engineering judgement.
const LARGEST_NORM: f64 = 100.0;

/// A mean Δu′v′ up to this is noise of the meters: a correction that leaves no more is not called worse than none. Engineering
/// judgement: the usual band of chromaticity.
const NOISE_UV: f64 = 0.0005;

/// What rounding does to a mean Δu′v′, and more: a correction of luminance alone leaves it as it was.
const ROUNDING_UV: f64 = 1e-9;

/// How a matrix may have to differ from what its colours give, relative to its norm, to be another: they have been through text.
const SAME: f64 = 1e-6;

/// Makes a correction from `colours` by `method`, or takes `given`, and says what it is worth on these colours.
///
/// # Errors
/// [`Underived`] where the colours give no matrix, or one that no meter can want; where `given` is missing, or isn't what the colours give.
pub fn derive(
    method: Derivation,
    given: Option<Matrix>,
    colours: &[Colour],
) -> Result<(Matrix, Option<Residuals>), Underived> {
    if colours.len() > MOST_COLOURS {
        return Err(Underived::TooMany { found: colours.len() });
    }
    check_colours(colours)?;
    let fitted = match method {
        Derivation::FourColour => Some(four_colour::matrix(colours)?),
        Derivation::LeastSquares => Some(least_squares::matrix(colours)?),
        Derivation::Given => None,
    };
    let matrix = match (fitted, given) {
        (Some(fitted), Some(given)) if !alike(fitted, given) => return Err(Underived::NotFromColours),
        (Some(fitted), _) => fitted,
        (None, Some(given)) => given,
        (None, None) => return Err(Underived::NoMatrix),
    };
    check_matrix(matrix)?;
    if colours.is_empty() {
        return Ok((matrix, None));
    }
    let residuals = residuals::of(method, matrix, colours)?;
    let (before, after) = (residuals.before.mean.duv_prime, residuals.after.mean.duv_prime);
    if after > before + ROUNDING_UV && after > NOISE_UV {
        return Err(Underived::Worse { before, after });
    }
    Ok((matrix, Some(residuals)))
}

/// Light that goes through a correction: X, Y and Z through the matrix, and a chromaticity where there was one. Nothing where there
/// are no X, Y, Z, or where the result can't be written down.
#[must_use]
pub fn corrected(matrix: Matrix, light: Light) -> Option<Light> {
    let corrected = Light::colour(light.photometric(), matrix.apply(light.xyz()?).ok()?);
    Some(if light.chromaticity().is_some() { corrected } else { corrected.without_chromaticity() })
}

/// Each colour has a name of its own, and both meters saw light of it.
fn check_colours(colours: &[Colour]) -> Result<(), Underived> {
    for (index, colour) in colours.iter().enumerate() {
        let name = colour.name.as_str();
        let again = |other: &Colour| other.name.as_str().eq_ignore_ascii_case(name);
        if colours.iter().take(index).any(again) {
            return Err(Underived::Twice(name.to_owned()));
        }
        for (who, seen) in [("meter", colour.meter), ("reference", colour.reference)] {
            if seen.chromaticity().is_none() {
                return Err(Underived::Dark { colour: name.to_owned(), who, y: seen.y() });
            }
        }
    }
    Ok(())
}

/// A matrix that a colorimeter can want: near enough to the unit matrix to be undone.
fn check_matrix(matrix: Matrix) -> Result<(), Underived> {
    let (condition, norm) = (matrix.condition(), matrix.norm());
    let why = if matrix.inverse().is_none() {
        Absurdity::NoInverse
    } else if matrix.determinant() < 0.0 {
        Absurdity::Mirrors
    } else if norm > LARGEST_NORM {
        Absurdity::TooLarge(norm)
    } else if norm < 1.0 / LARGEST_NORM {
        Absurdity::TooSmall(norm)
    } else if condition <= WORST_CONDITION && matrix.determinant() > 0.0 {
        return Ok(());
    } else {
        Absurdity::Swells(condition)
    };
    Err(Underived::Absurd(why))
}

fn alike(one: Matrix, other: Matrix) -> bool {
    let (one_rows, other_rows) = (one.rows(), other.rows());
    let pairs = one_rows.as_flattened().iter().zip(other_rows.as_flattened());
    pairs.fold(0.0, |far: f64, (a, b)| far.max((a - b).abs())) <= SAME * one.norm()
}

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;
