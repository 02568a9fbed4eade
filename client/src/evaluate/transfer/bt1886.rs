//! Recommendation ITU-R BT.1886 (2011), Annex 1: the reference EOTF of flat panels.

/// γ of Annex 1.
const GAMMA: f64 = 2.4;

/// L = a·max(V + b, 0)^2.4, in cd/m², with a and b of `white` and `black`, in cd/m², `black` at least 0 and no more than `white`.
#[must_use]
pub fn eotf(signal: f64, white: f64, black: f64) -> f64 {
    let [white, black] = [white, black].map(|luminance| luminance.powf(1.0 / GAMMA));
    // a^(1/2.4)·(V + b), written so that nothing is divided by their difference.
    ((white - black) * signal + black).max(0.0).powf(GAMMA)
}
