//! A display and a meter that looks at it, as a physical model.
//!
//! The model is deterministic: seed, settings, exposure times and stimuli give every digit. Everything that moves follows
//! its target with a time constant, x′ = (target − x)/τ, and targets change only when the stimulus does; so the state at
//! any later moment has a closed form, and eight hours cost what a second does.
//!
//! # The display
//!
//! For each channel c, in the middle of the window:
//!
//! ```text
//! q_c  = EOTF(signal_c)·(V_c/0.1)^δ below V_c = 0.1      linear light, 0 black to 1 peak
//! load = A·mean(q window) + (1 − A)·mean(q background)   A: the window's share of the screen
//! d_c  = q_c·min(1, (knee/load)^exponent)                the limiter; exponent 1 is constant power, L = Lpeak·A0/A
//! l_c  = gain_c·tint_c·(k + (1 − k)·d_c)·(1 − r·ghost_c) k = black/peak
//! XYZ  = peak · (1 + Σ cold_i·w_i) · (1 + Σ creep_i·c_i) · (1 − sag·s) · M·l
//!
//! w_i → 0, from 1 when switched on   cold start, i = fast, slow    τ: cold_s
//! c_i → mean(d)                      the patch warms               τ: creep_s
//! s   → mean(d), or 1 if backlit     held patch, or backlight      τ: sag_s (growing, going)
//! ghost_c → d_c                      image retention               τ: retention_s (growing, going)
//! tint: the gains that put white at D65 + white_error + cold_white·w_slow and keep its luminance
//! ```
//!
//! M is SMPTE RP 177's matrix from the primaries of ITU-R BT.709, BT.2020 or SMPTE EG 432-1 and white D65. EOTFs are those of
//! ITU-R BT.1886, IEC 61966-2-1, SMPTE ST 2084 (clipped at the peak) and ITU-R BT.2100 (HLG). BT.1886 and HLG know the
//! black level by themselves; to the others it is added as light that leaks.
//!
//! Physically motivated: constant power beyond a knee (energy balance), a patch's warming by its own power, a backlight's
//! two time constants (its source, then its housing), leakage that is a fixed share of the backlight. Engineering
//! judgement (common practice, no source): every default amount and time constant; that power is the mean of the
//! channels; that the limiter acts at once; that effects multiply and don't feed back into each other; that white drifts
//! by gains alone; that a ghost is darker.
//!
//! # The meter
//!
//! ```text
//! answer = F·mean(XYZ over the exposure) + noise + D·(2^((T − 23)/7) − 2^((T₀ − 23)/7))
//! noise: √(shot² + read²)·normal, shot = 0.015·√(V/t), read = 0.0005/t      V in cd/m², t in s
//! T = 23 + 6·(1 − e^(−t/600)) in °C, t in s since it was opened; T₀ at its last dark reading, or when opened
//! t = 50/Y within automatic_s and the longest, unless asked for
//! ```
//!
//! Shot noise falls as 1/√(V·t) relative to V because photons come at random; read noise as 1/t because one read-out
//! adds one fixed charge; dark current doubles about every 7 K in silicon. The amounts are engineering judgement. F is the
//! unit matrix off by a normal deviate times `filter_error`, drawn once from the seed.
//!
//! # Settings
//!
//! Only `display` is required. Where two defaults are given, the first is self-emitting's, the second backlit's.
//!
//! | key | default | range | what |
//! |---|---|---|---|
//! | `display` | – | `self-emitting`, `backlit` | the kind |
//! | `seed` | 1 | from 0 | noise, filters, serial number |
//! | `eotf` | `bt1886` | `bt1886`, `power`, `srgb`, `pq`, `hlg` | signal to light |
//! | `gamma` | 2.2 | 1 to 4 | exponent of `power` |
//! | `near_black_gamma` | 0 | −0.9 to 2 | δ: added to the local gamma below a signal of 0.1 |
//! | `primaries` | `bt709` | `bt709`, `p3-d65`, `bt2020` | white is D65 |
//! | `white_error` | [0, 0] | ±0.03 | Δu′, Δv′ of white when warm |
//! | `gain` | [1, 1, 1] | 0 to 2 | of R, G and B |
//! | `peak_cd_m2` | 800; 300 | 1 to 20000 | white, warm, before creep, sag and retention |
//! | `black_cd_m2` | 0; peak/1500 | 0 to 100, at most peak/2 | black |
//! | `limiter_knee_percent` | 10; 100 | 0.1 to 100 | the load that can be held |
//! | `limiter_exponent` | 0.8; 0 | 0 to 1 | 0 is no limiter |
//! | `cold` | [0.01, 0.015]; [−0.05, −0.03] | ±0.4 | relative luminance when cold, fast and slow |
//! | `cold_s` | [60, 900]; [150, 900] | 0.1 to a month | time constants in s |
//! | `cold_white` | [−0.0003, −0.0008]; [−0.001, −0.003] | ±0.01 | Δu′, Δv′ when cold |
//! | `creep` | [−0.02, −0.015]; [0, 0] | ±0.3 | relative luminance once warmed by itself, fast and slow |
//! | `creep_s` | [8, 75]; [10, 60] | 0.1 to a month | time constants in s |
//! | `sag` | 0.03; 0.01 | 0 to 0.5 | loss of a held patch; of a backlight |
//! | `sag_s` | [240, 120]; [14400, 14400] | 0.1 to a month | time constants in s, growing and going |
//! | `retention` | 0.01; 0.001 | 0 to 0.5 | contrast of a ghost after a long hold at full drive |
//! | `retention_s` | [1800, 900]; [3600, 1800] | 0.1 to a month | time constants in s, growing and going |
//! | `instant` | false | | exposures take no time: light of a moment, noise as if exposed |
//! | `integration_s` | [0.05, 5] | 0.001 to 600 | integration times that can be asked for |
//! | `automatic_s` | 1 | within `integration_s` | the shortest that the meter takes by itself |
//! | `range_cd_m2` | [0.001, 5000] | 0 to 1e6 | stated range; above it is a fault |
//! | `noise` | 1 | 0 to 1000 | factor of all noise |
//! | `filter_error` | 0.002 | 0 to 0.05 | standard deviation of F's elements |
//! | `dark_cd_m2` | 0.0005 | 0 to 10 | D |
//! | `resolution_cd_m2` | 0 (none) | 0 to 100 | step of X, Y and Z |
//! | `colour_from_cd_m2` | 0.02 | 0 to 1000 | below it there is no chromaticity |
//! | `warm_up` | 0 | to a day | what the meter says it needs; it doesn't change the light |
//! | `zero_at_start`, `zero_every` | no zero | 1 s to a month | either gives the meter a dark reading |

use std::sync::Arc;

use crate::driver::{Context, Driver};
use crate::settings::Table;

mod colorimeter;
mod display;
mod eotf;
mod lag;
mod matrix;
mod meter;
mod noise;
mod options;
mod presets;
mod primaries;
#[cfg(test)]
mod rig;
mod stage;

pub use stage::Stage;

/// Reads a meter's settings for this driver.
pub fn configure(settings: &mut Table<'_>, _context: &Context) -> Option<Arc<dyn Driver>> {
    let simulated = options::read(settings)?;
    Some(Arc::new(simulated))
}
