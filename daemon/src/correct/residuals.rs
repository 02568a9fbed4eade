//! How far a meter is from its reference: without the correction, with it, and with one that has not seen the colour.

use settled_protocol::correction::{Colour, Derivation, Difference, Residual, Residuals, Summary};
use settled_protocol::matrix::Matrix;
use settled_protocol::quantity::{Chromaticity, Xyz};

use super::failure::{Absurdity, Underived};
use super::{four_colour, least_squares};

/// A correction that moves a colour away from the reference by no more than this, in u′v′, has not made it worse: noise does that.
const NOISE_UV: f64 = 0.0002;

/// What `matrix` is worth on `colours`, which must be light with a chromaticity.
///
/// # Errors
/// [`Underived::Dark`] for such a colour; [`Underived::Absurd`] where the matrix makes darkness of light.
pub fn of(method: Derivation, matrix: Matrix, colours: &[Colour]) -> Result<Residuals, Underived> {
    let residuals: Vec<Residual> = colours
        .iter()
        .enumerate()
        .map(|(index, colour)| residual(method, matrix, colours, index, colour))
        .collect::<Result<_, _>>()?;
    let worse =
        residuals.iter().filter(|residual| residual.after.duv_prime > residual.before.duv_prime + NOISE_UV);
    Ok(Residuals {
        before: summary(residuals.iter().map(|residual| residual.before)).unwrap_or_default(),
        after: summary(residuals.iter().map(|residual| residual.after)).unwrap_or_default(),
        unseen: summary(residuals.iter().filter_map(|residual| residual.unseen)),
        worse: worse.map(|residual| residual.name.clone()).collect(),
        colours: residuals,
    })
}

fn residual(
    method: Derivation,
    matrix: Matrix,
    colours: &[Colour],
    index: usize,
    colour: &Colour,
) -> Result<Residual, Underived> {
    let name = colour.name.as_str().to_owned();
    let reference = colour.reference.chromaticity();
    let reference = reference.ok_or_else(|| Underived::Dark {
        colour: name.clone(),
        who: "reference",
        y: colour.reference.y(),
    })?;
    let far = |light: Xyz| difference(light, colour.reference, reference);
    let before =
        far(colour.meter).ok_or(Underived::Dark { colour: name, who: "meter", y: colour.meter.y() })?;
    let through = |matrix: Matrix| matrix.apply(colour.meter).ok().and_then(far);
    let after = through(matrix).ok_or(Underived::Absurd(Absurdity::Darkens))?;
    let (fitted, unseen) = match method {
        Derivation::FourColour => {
            let fitted = four_colour::uses(colour.name.as_str());
            (fitted, (!fitted).then_some(after))
        }
        Derivation::LeastSquares => (true, without(colours, index).and_then(through)),
        Derivation::Given => (false, Some(after)),
    };
    Ok(Residual { name: colour.name.clone(), fitted, before, after, unseen })
}

/// The matrix of all colours but one, where they still give one.
fn without(colours: &[Colour], index: usize) -> Option<Matrix> {
    let others = colours.iter().enumerate().filter(|(other, _)| *other != index);
    least_squares::matrix(&others.map(|(_, colour)| colour.clone()).collect::<Vec<_>>()).ok()
}

/// How far `light` is from the reference; nothing where it has no chromaticity, or one is too large to be told.
fn difference(light: Xyz, reference: Xyz, colour: Chromaticity) -> Option<Difference> {
    let found = light.chromaticity()?;
    let difference = Difference {
        dx: found.x() - colour.x(),
        dy: found.y() - colour.y(),
        duv_prime: found.distance(colour),
        luminance_percent: 100.0 * (light.y() / reference.y() - 1.0),
    };
    let Difference { dx, dy, duv_prime, luminance_percent } = difference;
    [dx, dy, duv_prime, luminance_percent].iter().all(|value| value.is_finite()).then_some(difference)
}

/// Mean and maximum of each figure's size; nothing where there are no colours.
fn summary(differences: impl Iterator<Item = Difference>) -> Option<Summary> {
    let all: Vec<Difference> = differences.collect();
    let count = f64::from(u32::try_from(all.len()).ok().filter(|count| *count > 0)?);
    let figure = |of: fn(&Difference) -> f64| {
        let sizes = all.iter().map(|difference| of(difference).abs());
        (sizes.clone().map(|size| size / count).sum::<f64>(), sizes.fold(0.0, f64::max))
    };
    let (dx, dy) = (figure(|difference| difference.dx), figure(|difference| difference.dy));
    let (uv, y) =
        (figure(|difference| difference.duv_prime), figure(|difference| difference.luminance_percent));
    let mean = Difference { dx: dx.0, dy: dy.0, duv_prime: uv.0, luminance_percent: y.0 };
    let max = Difference { dx: dx.1, dy: dy.1, duv_prime: uv.1, luminance_percent: y.1 };
    Some(Summary { colours: all.len(), mean, max })
}
