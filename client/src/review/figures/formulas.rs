//! Every formula of colour that these figures are made of, in the terms that they need.

use settled_protocol::matrix::Matrix;
use settled_protocol::quantity::{Chromaticity, Xyz};

use super::Scene;
use crate::evaluate::cct::Cct;
use crate::evaluate::difference::{Difference, Formula};
use crate::evaluate::ictcp::Ictcp;
use crate::evaluate::lab::Lab;
use crate::evaluate::measured::Measured;
use crate::evaluate::rgb::Balance;

/// A colour as a difference sees it: how far from grey, and in which direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Polar {
    /// C*ab, or 720·√((½·Ct)² + Cp²), in units of the difference.
    pub(super) chroma: f64,
    /// In degrees.
    pub(super) hue: f64,
}

/// The colour difference that a scene's aim asks for; nothing where white wasn't measured.
pub(super) fn difference(scene: &Scene) -> Option<Difference> {
    Difference::new(&scene.aim, scene.white?.luminance)
}

/// Chroma and hue, in the space of the scene's difference.
pub(super) fn polar(scene: &Scene, xyz: [f64; 3]) -> Option<Polar> {
    let (a, b) = match Formula::of(scene.aim.transfer) {
        Formula::De2000 => {
            let white = light(scene.aim.white_chromaticity()?, scene.white?.luminance)?;
            Lab::of(xyz, white).map(|lab| (lab.a, lab.b))
        }
        Formula::Itp => Ictcp::of(xyz).map(|itp| (360.0 * itp.ct, 720.0 * itp.cp)),
    }?;
    Some(Polar { chroma: a.hypot(b), hue: b.atan2(a).to_degrees() })
}

/// X, Y and Z of a colour at a luminance in cd/m².
pub(super) fn light(colour: Chromaticity, luminance: f64) -> Option<[f64; 3]> {
    Xyz::from_chromaticity(colour, luminance).ok().map(Into::into)
}

/// X, Y and Z that `signal` is meant to have, with the scene's white and a black in cd/m².
pub(super) fn aim(scene: &Scene, signal: [f64; 3], black: f64) -> Option<[f64; 3]> {
    scene.aim.xyz(signal, scene.white?.luminance, black.max(0.0))
}

/// The chromaticity of X, Y and Z.
pub(super) fn chromaticity([x, y, z]: [f64; 3]) -> Option<Chromaticity> {
    Xyz::new(x, y, z).ok()?.chromaticity()
}

/// Correlated colour temperature in K, and Duv.
pub(super) fn cct(colour: Chromaticity) -> Option<[f64; 2]> {
    Cct::of(colour).map(|cct| [cct.kelvin, cct.duv])
}

/// Red, green and blue in per cent of what the aim's white of the same luminance has.
///
/// `rgb_to_xyz` is the aim's matrix.
pub(super) fn balance(rgb_to_xyz: Matrix, light: &Measured) -> Option<[f64; 3]> {
    let xyz = self::light(light.chromaticity?, light.luminance.abs())?;
    let Balance { red, green, blue } = Balance::of(xyz, rgb_to_xyz)?;
    Some([red, green, blue])
}
