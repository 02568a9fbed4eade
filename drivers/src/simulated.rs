//! A display and a meter that looks at it, as a physical model.
//!
//! The model is deterministic: seed, settings, exposure times and stimuli give every digit. Everything that moves follows
//! its target with a time constant, x′ = (target − x)/τ, and targets change only when the stimulus does; so the state at
//! any later moment has a closed form, and eight hours cost what a second does.
//!
//! # The display
//!
//! For each channel c, at x, y (shares of width and height from the top left; the middle until told otherwise), where the window or
//! the background is:
//!
//! ```text
//! q_c  = EOTF(signal_c)·(V_c/0.1)^δ below V_c = 0.1      linear light, 0 black to 1 peak
//! load = A·mean(q window) + (1 − A)·mean(q background)   A: the window's share of the screen
//! e_c  = (1 − c)·q_c + c/2·(q of the two others)         c: crosstalk
//! d_c  = e_c·min(1, (knee/load)^exponent)                the limiter; exponent 1 is constant power, L = Lpeak·A0/A
//! l_c  = gain_c·tint_c·(k + (1 − k)·d_c)·(1 − r·ghost_c) k = black/peak
//! XYZ  = peak · f · (1 + Σ cold_i·w_i) · (1 + Σ creep_i·c_i) · (1 − sag·s) · M·l + glare·D65
//! f    = 1 − falloff·((2x − 1)² + (2y − 1)²)/2           1 in the middle, 1 − falloff in the corners
//!
//! w_i → 0, from 1 when switched on   cold start, i = fast, slow    τ: cold_s
//! c_i → mean(d)                      the patch warms               τ: creep_s
//! s   → mean(d), or 1 if backlit     held patch, or backlight      τ: sag_s (growing, going)
//! ghost_c → d_c                      image retention               τ: retention_s (growing, going)
//! tint: the gains that put white at D65 + white_error + cold_white·w_slow + near_black_tint·max(0, 1 − V/0.1) + tint·(x − 1/2)
//!       and keep its luminance; V: the largest of the three signals
//! ```
//!
//! Windows are centred and have the screen's shape: one of area A is where |2x − 1| and |2y − 1| are at most √A. Each part of the screen has a
//! w, c, s and ghost of its own (`simulated/rings.rs`). Switched off, XYZ is glare·D65, w goes to 1 and all else to 0, with the same time constants.
//!
//! M is SMPTE RP 177's matrix from the primaries of ITU-R BT.709, BT.2020 or SMPTE EG 432-1 and white D65. EOTFs are those of
//! ITU-R BT.1886, IEC 61966-2-1, SMPTE ST 2084 (clipped at the peak, or rolled off before it: `simulated/tone.rs`) and ITU-R BT.2100 (HLG). BT.1886 and HLG know the
//! black level by themselves; to the others it is added as light that leaks.
//!
//! Physically motivated: constant power beyond a knee (energy balance), a patch's warming by its own power, a backlight's
//! two time constants (its source, then its housing), leakage that is a fixed share of the backlight. Engineering
//! judgement (common practice, no source): every default amount and time constant; that power is the mean of the
//! channels; that the limiter acts at once; that effects multiply and don't feed back into each other; that white drifts
//! by gains alone; that a ghost is darker; how light falls off; that crosstalk takes from each channel alike; that a display cools as it warms.
//!
//! # The meter
//!
//! ```text
//! answer = F·mean(XYZ over the exposure) + noise + D·(2^((T − 23)/7) − 2^((T₀ − 23)/7))
//! noise: √(shot² + read²)·normal, shot = 0.015·√(V/t), read = 0.0005/t      V in cd/m², t in s
//! T = 23 + 6·(1 − e^(−t/600)) in °C, t in s since it was opened; T₀ when it was last zeroed, or when opened
//! t = 50/Y within automatic_s and the longest, unless asked for
//! ```
//!
//! Shot noise falls as 1/√(V·t) relative to V because photons come at random; read noise as 1/t because one read-out
//! adds one fixed charge; dark current doubles about every 7 K in silicon. The amounts are engineering judgement. F is the
//! unit matrix off by a normal deviate times `filter_error`, drawn once from the seed.
//!
//! A spectrometer sees the spectra of the display's red, green and blue, sums of Gaussians that are mixed so that their X, Y and Z
//! are the model's exactly (`simulated/lights.rs`), through a triangular slit. Its noise and its dark signal are spread over the
//! wavelengths such that its luminance is about as noisy as a colorimeter's.
//!
#![doc = include_str!("../SIMULATED.md")]

use std::sync::Arc;

use crate::driver::{Context, Driver};
use crate::settings::{self, Problems, Table};

mod colorimeter;
mod display;
mod eotf;
mod lag;
mod lights;
mod matrix;
mod meter;
mod noise;
mod options;
mod place;
mod presets;
mod primaries;
#[cfg(test)]
mod rig;
mod rings;
mod spectrometer;
mod stage;
mod tone;

pub use stage::{Showing, Stage};

/// Reads a meter's settings for this driver.
pub fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    let simulated = options::read(settings, context)?;
    Some(Arc::new(simulated))
}

/// The display of a meter with these settings: the keys of its table, as TOML, without `id` and `driver`. For whoever wants to
/// know the true light that such a meter is to find.
///
/// # Errors
/// Every mistake in the settings.
pub fn stage(toml: &str) -> Result<Arc<Stage>, Problems> {
    settings::read("display", toml, |table| options::read(table, &Context::at(""))?.stage())
}
