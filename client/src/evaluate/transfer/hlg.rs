//! Recommendation ITU-R BT.2100-2, table 5: hybrid log-gamma.

const A: f64 = 0.178_832_77;
/// The luminance of what surrounds a display in reference viewing, in cd/m² (BT.2100-2, table 3).
const REFERENCE_SURROUND: f64 = 5.0;

fn b() -> f64 {
    1.0 - 4.0 * A
}

fn c() -> f64 {
    0.5 - A * (4.0 * A).ln()
}

/// The signal of scene light, both from 0 to 1 (table 5, reference OETF).
#[must_use]
pub fn oetf(scene: f64) -> f64 {
    if scene <= 1.0 / 12.0 { (3.0 * scene.max(0.0)).sqrt() } else { A * (12.0 * scene - b()).ln() + c() }
}

/// Scene light of a signal, both from 0 to 1.
#[must_use]
pub fn inverse_oetf(signal: f64) -> f64 {
    if signal <= 0.5 { signal.max(0.0).powi(2) / 3.0 } else { (((signal - c()) / A).exp() + b()) / 12.0 }
}

/// The system gamma of a display of `white` in a `surround`, both in cd/m².
///
/// From 400 to 2000 cd/m² in the reference surround of 5 cd/m² it is 1.2 + 0.42·log₁₀(white/1000) (BT.2100-2, table 5, note 5e). For any other white
/// or surround it is 1.2·1.111^log₂(white/1000)·0.98^log₂(surround/5) (Report ITU-R BT.2390, 6.2, from memory). At 400 and
/// at 2000 cd/m² the two differ by some 0.01. A surround of 0 or less counts as the reference.
#[must_use]
pub fn system_gamma(white: f64, surround: f64) -> f64 {
    let surround = if surround > 0.0 { surround / REFERENCE_SURROUND } else { 1.0 };
    let reference = (surround - 1.0).abs() < 1e-9;
    if reference && (400.0..=2000.0).contains(&white) {
        1.2 + 0.42 * (white / 1000.0).log10()
    } else {
        1.2 * 1.111_f64.powf((white / 1000.0).log2()) * 0.98_f64.powf(surround.log2())
    }
}

/// A display of HLG.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Display {
    /// Luminance of white, in cd/m², above 0.
    pub white: f64,
    /// Luminance of black, in cd/m², from 0 to `white`.
    pub black: f64,
    /// The system gamma.
    pub gamma: f64,
}

impl Display {
    /// Scene light that a signal stands for on this display, whose black lifts it: OETF⁻¹((1 − β)·V + β) with β = √(3·(black/white)^(1/γ)).
    #[must_use]
    pub fn scene(&self, signal: f64) -> f64 {
        let lift = (3.0 * (self.black / self.white).powf(1.0 / self.gamma)).sqrt();
        inverse_oetf(((1.0 - lift) * signal + lift).max(0.0))
    }

    /// The light of each channel, as the luminance in cd/m² that a grey of such channels has: white·Y^(γ − 1)·E, where Y is the channels' scene light
    /// by their `weights`.
    #[must_use]
    pub fn eotf(&self, signal: [f64; 3], weights: [f64; 3]) -> [f64; 3] {
        let scene = signal.map(|signal| self.scene(signal));
        let luminance: f64 = scene.iter().zip(weights).map(|(scene, weight)| scene * weight).sum();
        if luminance > 0.0 {
            let factor = self.white * luminance.powf(self.gamma - 1.0);
            scene.map(|scene| factor * scene)
        } else {
            [0.0; 3]
        }
    }
}
