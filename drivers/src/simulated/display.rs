//! The display: what it is made of, how its state moves, and the light it gives.

use settled_protocol::stage::{Power, Stimulus};

use super::eotf::{NEAR_BLACK_SIGNAL, Transfer};
use super::lag::Lag;
use super::matrix::{Matrix, apply, inverse};
use super::place::Place;
use super::primaries::{Primaries, d65_uv, white_gains};

/// A display. Amounts are relative changes of luminance: −0.02 is 2 % less.
#[derive(Clone, Debug)]
pub(super) struct Display {
    pub(super) transfer: Transfer,
    pub(super) colours: Colours,
    pub(super) limiter: Limiter,
    pub(super) cold: Cold,
    pub(super) creep: Creep,
    pub(super) sag: Sag,
    pub(super) retention: Retention,
    pub(super) uniformity: Uniformity,
    /// Light of the room that the screen sends back, with the colour of D65, in cd/m²; also of one that is switched off.
    pub(super) glare_cd_m2: f64,
}

/// Primaries, white and gains.
#[derive(Clone, Debug)]
pub(super) struct Colours {
    pub(super) primaries: Primaries,
    to_xyz: Matrix,
    to_rgb: Matrix,
    /// White when warm: u′, v′.
    white: [f64; 2],
    /// Error of each channel's gain: 1 is right.
    gain: [f64; 3],
    /// Share of each channel's light that comes out of the other two, half of it of each: 0 is right.
    pub(super) crosstalk: f64,
    /// What is added to white's u′, v′ at black, and less and less up to a signal of 0.1.
    pub(super) near_black_tint: [f64; 2],
}

impl Colours {
    /// `white_error` is (Δu′, Δv′) from D65.
    pub(super) fn new(primaries: Primaries, white_error: [f64; 2], gain: [f64; 3]) -> Self {
        let to_xyz = primaries.to_xyz();
        let [u, v] = d65_uv();
        let white = [u + white_error[0], v + white_error[1]];
        let to_rgb = inverse(&to_xyz);
        Self { primaries, to_xyz, to_rgb, white, gain, crosstalk: 0.0, near_black_tint: [0.0; 2] }
    }

    /// Each channel keeps 1 − c of its light and gives half of c to each other. The mean stays what it was, and so does a grey.
    fn leaked(&self, light: [f64; 3]) -> [f64; 3] {
        let c = self.crosstalk;
        let all: f64 = light.iter().sum();
        light.map(|own| (1.0 - 1.5 * c) * own + c / 2.0 * all)
    }
}

/// What limits the power: beyond the knee, light falls with the load.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limiter {
    /// The load (mean linear light of the whole screen, 0 to 1) that can be held.
    pub(super) knee: f64,
    /// 1 keeps the power constant beyond the knee, 0 is no limiter.
    pub(super) exponent: f64,
}

impl Limiter {
    /// min(1, (knee/load)^exponent).
    fn factor(self, load: f64) -> f64 {
        if load > self.knee { (self.knee / load).powf(self.exponent) } else { 1.0 }
    }
}

/// The cold start: what is different when cold, and how fast it goes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cold {
    /// Of luminance: the fast part and the slow one.
    pub(super) amount: [f64; 2],
    /// Time constants, in s.
    pub(super) time_s: [f64; 2],
    /// Of white, in u′ and v′; goes with the slow part.
    pub(super) white: [f64; 2],
}

/// The patch's own warming, at full drive.
#[derive(Clone, Copy, Debug)]
pub(super) struct Creep {
    /// The fast part and the slow one.
    pub(super) amount: [f64; 2],
    /// Time constants, in s.
    pub(super) time_s: [f64; 2],
}

/// What a bright patch loses when it is held, or a backlight when it is on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sag {
    /// The loss: 0.03 is 3 % less.
    pub(super) amount: f64,
    pub(super) lag: Lag,
    /// Whether it follows the patch; else it follows the hours since the display was switched on.
    pub(super) by_patch: bool,
}

/// Image retention: what a channel loses where it was driven fully for long.
#[derive(Clone, Copy, Debug)]
pub(super) struct Retention {
    /// The loss: 0.01 is 1 % less.
    pub(super) amount: f64,
    pub(super) lag: Lag,
}

/// What isn't the same all over the screen.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Uniformity {
    /// Loss of luminance in the corners: 0.2 is 20 % less than in the middle.
    pub(super) falloff: f64,
    /// How much white's u′, v′ change from the left edge to the right one; in the middle it is right.
    pub(super) tint: [f64; 2],
}

/// What a stimulus asks of one part of the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Drive {
    /// Linear light of each channel after the limiter, 0 to 1.
    light: [f64; 3],
    /// How near its signal is to black: 0 from a signal of 0.1 on, 1 at black.
    near_black: f64,
    /// Whether the display is switched on.
    is_on: bool,
}

impl Drive {
    /// Mean of the channels, what warms the patch.
    fn level(self) -> f64 {
        mean(self.light)
    }
}

/// How far everything that moves has moved, each from 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct State {
    cold: [f64; 2],
    creep: [f64; 2],
    sag: f64,
    ghost: [f64; 3],
}

impl State {
    /// Just switched on after a long rest.
    pub(super) const COLD: Self = Self { cold: [1.0; 2], creep: [0.0; 2], sag: 0.0, ghost: [0.0; 3] };
}

impl Display {
    /// What `stimulus` asks of the window in the middle, and of the background.
    pub(super) fn drives(&self, stimulus: &Stimulus) -> [Drive; 2] {
        if stimulus.power == Power::Off {
            return [Drive { light: [0.0; 3], near_black: 1.0, is_on: false }; 2];
        }
        let signals = [stimulus.signal(), stimulus.background_signal()];
        let [window, background] = signals.map(|signal| self.linear(signal));
        let area = (stimulus.window_percent / 100.0).clamp(0.0, 1.0);
        let load = area * mean(window) + (1.0 - area) * mean(background);
        let factor = self.limiter.factor(load);
        let drive = |signal: [f64; 3], light: [f64; 3]| Drive {
            light: self.colours.leaked(light.map(|light| light * factor)),
            near_black: near_black(signal),
            is_on: true,
        };
        [drive(signals[0], window), drive(signals[1], background)]
    }

    fn linear(&self, signal: [f64; 3]) -> [f64; 3] {
        self.transfer.linear(signal.map(|v| v.clamp(0.0, 1.0)), &self.colours.to_xyz)
    }

    /// The state after `dt_s` of the same drive.
    pub(super) fn after(&self, state: &State, drive: Drive, dt_s: f64) -> State {
        let level = drive.level();
        let even = |time_s: f64, x: f64, target: f64| Lag::even(time_s).after(x, target, dt_s);
        let (sag_target, cold_target) = match (drive.is_on, self.sag.by_patch) {
            (true, true) => (level, 0.0),
            (true, false) => (1.0, 0.0),
            (false, _) => (0.0, 1.0),
        };
        State {
            cold: std::array::from_fn(|part| even(self.cold.time_s[part], state.cold[part], cold_target)),
            creep: std::array::from_fn(|part| even(self.creep.time_s[part], state.creep[part], level)),
            sag: self.sag.lag.after(state.sag, sag_target, dt_s),
            ghost: std::array::from_fn(|channel| {
                self.retention.lag.after(state.ghost[channel], drive.light[channel], dt_s)
            }),
        }
    }

    /// X, Y and Z in cd/m² at `place`.
    pub(super) fn light(&self, state: &State, drive: Drive, place: Place) -> [f64; 3] {
        let Self { transfer, colours, cold, creep, sag, retention, uniformity, glare_cd_m2, .. } = self;
        if !drive.is_on {
            return apply(&colours.to_xyz, [*glare_cd_m2; 3]);
        }
        let warming = 1.0 + weighted(cold.amount, state.cold);
        let creeping = 1.0 + weighted(creep.amount, state.creep);
        let sagging = 1.0 - sag.amount * state.sag;
        let there = 1.0 - uniformity.falloff * place.towards_corner();
        let luminance = transfer.peak * warming * creeping * sagging * there;
        let leak = transfer.black / transfer.peak;
        let white = std::array::from_fn(|axis| {
            let everywhere = colours.white[axis] + cold.white[axis] * state.cold[1];
            everywhere
                + colours.near_black_tint[axis] * drive.near_black
                + uniformity.tint[axis] * place.across()
        });
        let tint = white_gains(&colours.to_rgb, white);
        let rgb = std::array::from_fn(|channel| {
            let ghost = 1.0 - retention.amount * state.ghost[channel];
            let light = leak + (1.0 - leak) * drive.light[channel];
            luminance * light * ghost * tint[channel] * colours.gain[channel] + glare_cd_m2
        });
        apply(&colours.to_xyz, rgb)
    }
}

/// 1 − V/0.1 below a signal of 0.1, V being the largest of the three; else 0.
fn near_black(signal: [f64; 3]) -> f64 {
    let largest = signal.into_iter().fold(0.0, f64::max);
    (1.0 - largest / NEAR_BLACK_SIGNAL).clamp(0.0, 1.0)
}

fn mean(channels: [f64; 3]) -> f64 {
    channels.iter().sum::<f64>() / 3.0
}

fn weighted(amount: [f64; 2], state: [f64; 2]) -> f64 {
    amount[0] * state[0] + amount[1] * state[1]
}

#[cfg(test)]
mod tests;
