//! How a panel warms up, creeps, limits itself and remembers.
//!
//! The panel's condition is a handful of quantities that each relax exponentially towards a target, which depends only on what is
//! shown. Between two changes of the stimulus targets are constant, so that the condition at any moment follows in closed form:
//! q(t) = target + (q(t₀) − target)·exp(−(t−t₀)/τ). The light is the stimulus's own, times these factors:
//!
//! | effect | self-emitting | backlit |
//! |---|---|---|
//! | warm-up | 1 − 0.030·e^(−t/420 s) | 1 − 0.050·e^(−t/60 s) − 0.060·e^(−t/700 s) |
//! | creep after a patch comes on | 1 + 0.020·c₁ + 0.012·c₂, τ = 12 s and 90 s, towards the patch's level | – |
//! | limiter, by area | (A₀/load)^0.7 where the load is above A₀ = 0.1 | – |
//! | limiter or slow sag, by time | 1 − 0.010·s, τ = 300 s, towards load/A₀ up to 1 | 1 − 0.010·s, τ = 4 h, towards 1 |
//! | retention | 1 + 0.010·(ghost − level) while the ghost is above the level; it grows with τ = 120 s, decays with 40 s | – |
//! | white point | Δu′v′ = (0.0015, 0.0020)·e^(−t/420 s) | (0.0015, 0.0025)·e^(−t/700 s) |
//! | black | 0 | peak / 1200 |
//!
//! The level is the window's own relative luminance, the load the mean level of the whole screen. `unsteadiness` scales
//! everything but the limiter by area and the black. Constant power beyond a knee is an energy balance; the rest is engineering judgement
//! (common practice, no source).

use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::stage::Stimulus;

use super::signal::{Gamut, Transfer};

/// Changes of the stimulus that are remembered, so that an exposure that began before them still sees the light of its time.
const REMEMBERED: usize = 16;

/// The share of the screen up to which a self-emitting panel reaches its peak.
const KNEE: f64 = 0.1;

/// How luminance falls with the load beyond the knee.
const KNEE_EXPONENT: f64 = 0.7;

/// Kinds of display.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Every pixel makes its own light.
    SelfEmitting,
    /// A light behind the panel.
    Backlit,
}

impl Kind {
    /// Peak luminance if the config names none, in cd/m².
    #[must_use]
    pub fn usual_peak_cd_m2(self) -> f64 {
        match self {
            Self::SelfEmitting => 800.0,
            Self::Backlit => 300.0,
        }
    }

    /// In words.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::SelfEmitting => "self-emitting display",
            Self::Backlit => "backlit display",
        }
    }

    /// Black luminance in cd/m².
    fn black(self, peak: f64) -> f64 {
        match self {
            Self::SelfEmitting => 0.0,
            Self::Backlit => peak / 1200.0,
        }
    }
}

/// What a display is, apart from its condition.
#[derive(Clone, Debug)]
pub struct Panel {
    /// How it makes light.
    pub kind: Kind,
    /// Luminance of full white in a small window when warm, in cd/m².
    pub peak_cd_m2: f64,
    /// Its EOTF.
    pub transfer: Transfer,
    /// Its primaries and white.
    pub gamut: Gamut,
    /// Scales drift: 1 is usual, 0 is a display that never changes.
    pub unsteadiness: f64,
}

/// Quantities that relax: at 0 when cold and dark.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Condition {
    warm: [f64; 2],
    creep: [f64; 2],
    sag: f64,
    ghost: f64,
}

/// What the stimulus makes them relax towards.
#[derive(Clone, Copy, Debug)]
struct Pull {
    level: f64,
    load: f64,
}

/// A stretch of time with one stimulus.
#[derive(Clone, Debug)]
struct Stretch {
    since_s: f64,
    stimulus: Stimulus,
    condition: Condition,
}

/// A display that is on.
#[derive(Clone, Debug)]
pub struct Display {
    panel: Panel,
    stretches: Vec<Stretch>,
}

fn relax(value: f64, target: f64, tau: f64, passed_s: f64) -> f64 {
    target + (value - target) * (-passed_s / tau).exp()
}

impl Display {
    /// Switched on at `t_s`, cold.
    #[must_use]
    pub fn cold(panel: Panel, stimulus: Stimulus, t_s: f64) -> Self {
        let stretch = Stretch { since_s: t_s, stimulus, condition: Condition::default() };
        Self { panel, stretches: vec![stretch] }
    }

    /// Shows `stimulus` from `t_s` on. A time before the last change counts as the last change.
    pub fn show(&mut self, stimulus: Stimulus, t_s: f64) {
        let Some(last) = self.stretches.last() else { return };
        let since_s = t_s.max(last.since_s);
        let condition = self.panel.later(last, since_s);
        if self.stretches.len() >= REMEMBERED {
            self.stretches.remove(0);
        }
        self.stretches.push(Stretch { since_s, stimulus, condition });
    }

    /// The light of the window at `t_s`, in cd/m²; nothing before the display was on, or before what is remembered.
    #[must_use]
    pub fn light(&self, t_s: f64) -> Option<Xyz> {
        let stretch = self.stretches.iter().rev().find(|stretch| stretch.since_s <= t_s)?;
        let condition = self.panel.later(stretch, t_s);
        self.panel.light(&stretch.stimulus, &condition)
    }
}

impl Panel {
    fn black(&self) -> f64 {
        self.kind.black(self.peak_cd_m2)
    }

    /// Relative XYZ of a signal, before anything the panel does to it.
    fn relative(&self, signal: [f64; 3]) -> [f64; 3] {
        let black = self.black();
        self.gamut.xyz(signal.map(|channel| self.transfer.linear(channel, self.peak_cd_m2, black)))
    }

    fn pull(&self, stimulus: &Stimulus) -> Pull {
        let area = stimulus.window_percent / 100.0;
        let [_, level, _] = self.relative(stimulus.signal());
        let [_, background, _] = self.relative(stimulus.background_signal());
        Pull { level, load: area * level + (1.0 - area) * background }
    }

    /// The condition at `t_s`, within a stretch.
    fn later(&self, stretch: &Stretch, t_s: f64) -> Condition {
        let Condition { warm, creep, sag, ghost } = stretch.condition;
        let Pull { level, load } = self.pull(&stretch.stimulus);
        let passed_s = (t_s - stretch.since_s).max(0.0);
        let ghost_tau = if level > ghost { 120.0 } else { 40.0 };
        let (warm_tau, sag_tau, sag_target) = match self.kind {
            Kind::SelfEmitting => ([420.0, 420.0], 300.0, (load / KNEE).min(1.0)),
            Kind::Backlit => ([60.0, 700.0], 14_400.0, 1.0),
        };
        Condition {
            warm: std::array::from_fn(|i| relax(warm[i], 1.0, warm_tau[i], passed_s)),
            creep: [relax(creep[0], level, 12.0, passed_s), relax(creep[1], level, 90.0, passed_s)],
            sag: relax(sag, sag_target, sag_tau, passed_s),
            ghost: relax(ghost, level, ghost_tau, passed_s),
        }
    }

    /// The window's light in a condition.
    fn light(&self, stimulus: &Stimulus, condition: &Condition) -> Option<Xyz> {
        let Condition { warm, creep, sag, ghost } = *condition;
        let Pull { level, load } = self.pull(stimulus);
        let cold = warm.map(|warm| 1.0 - warm);
        let (change, [du, dv]) = match self.kind {
            Kind::SelfEmitting => (
                -0.030 * cold[0] + 0.020 * creep[0] + 0.012 * creep[1] - 0.010 * sag
                    + 0.010 * (ghost - level).max(0.0),
                [0.0015 * cold[0], 0.0020 * cold[0]],
            ),
            Kind::Backlit => {
                (-0.050 * cold[0] - 0.060 * cold[1] - 0.010 * sag, [0.0015 * cold[1], 0.0025 * cold[1]])
            }
        };
        let limit = match self.kind {
            Kind::SelfEmitting if load > KNEE => (KNEE / load).powf(KNEE_EXPONENT),
            _ => 1.0,
        };
        let scale = self.peak_cd_m2 * limit * (1.0 + self.unsteadiness * change).max(0.0);
        let [x, y, z] = self.relative(stimulus.signal()).map(|value| value * scale);
        let [white_x, _, white_z] = self.gamut.xyz([1.0; 3]);
        let black = self.black();
        let xyz = Xyz::new(x + black * white_x, y + black, z + black * white_z).ok()?;
        Some(shifted(xyz, du * self.unsteadiness, dv * self.unsteadiness))
    }
}

/// The same luminance with its chromaticity moved; black stays as it is.
fn shifted(xyz: Xyz, du: f64, dv: f64) -> Xyz {
    let moved = xyz.chromaticity().and_then(|colour| {
        let colour = Chromaticity::from_uv(colour.u_prime() + du, colour.v_prime() + dv).ok()?;
        Xyz::from_chromaticity(colour, xyz.y()).ok()
    });
    moved.unwrap_or(xyz)
}

#[cfg(test)]
mod tests {
    use super::super::signal::{Eotf, Primaries};
    use super::*;

    fn panel(kind: Kind) -> Panel {
        Panel {
            kind,
            peak_cd_m2: 800.0,
            transfer: Transfer { eotf: Eotf::Bt1886, near_black_gamma: 0.0 },
            gamut: Gamut::new(Primaries::P3_D65, [0.0; 2], [1.0; 3]),
            unsteadiness: 1.0,
        }
    }

    fn window(percent: f64, code: u16) -> Stimulus {
        Stimulus { colour: [code; 3], background: [0; 3], bits: 10, window_percent: percent }
    }

    fn y(display: &Display, t_s: f64) -> f64 {
        display.light(t_s).unwrap().y()
    }

    fn assert_close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-9 * expected.abs(), "{found} is not {expected}");
    }

    #[test]
    fn a_cold_self_emitting_display_follows_its_closed_form() {
        let display = Display::cold(panel(Kind::SelfEmitting), window(10.0, 1023), 100.0);
        for t in [0.0_f64, 1.0, 30.0, 600.0, 28_800.0] {
            let decay = |tau: f64| (-t / tau).exp();
            let change = -0.03 * decay(420.0) + 0.02 * (1.0 - decay(12.0)) + 0.012 * (1.0 - decay(90.0))
                - 0.01 * (1.0 - decay(300.0));
            assert_close(y(&display, 100.0 + t), 800.0 * (1.0 + change));
        }
        assert_eq!(display.light(99.0), None);
    }

    #[test]
    fn a_cold_backlit_display_rises_and_its_white_moves_by_thousandths() {
        let display = Display::cold(panel(Kind::Backlit), window(10.0, 1023), 0.0);
        let (black, cold) = (800.0 / 1200.0, 0.05 + 0.06);
        assert_close(y(&display, 0.0), 800.0 * (1.0 - cold) + black);
        let colour = |t_s| display.light(t_s).unwrap().chromaticity().unwrap();
        let moved = colour(0.0).distance(colour(7200.0));
        assert!((moved - 0.0015_f64.hypot(0.0025)).abs() < 1e-6, "{moved}");
        let dark = Display::cold(panel(Kind::Backlit), window(10.0, 0), 0.0);
        assert_close(y(&dark, 10.0), black);
    }

    #[test]
    fn the_limiter_follows_the_window_and_recovers() {
        let steady = Panel { unsteadiness: 0.0, ..panel(Kind::SelfEmitting) };
        for (percent, expected) in [
            (1.0, 800.0),
            (10.0, 800.0),
            (50.0, 800.0 * 0.2_f64.powf(0.7)),
            (100.0, 800.0 * 0.1_f64.powf(0.7)),
        ] {
            let display = Display::cold(steady.clone(), window(percent, 1023), 0.0);
            assert_close(y(&display, 5.0), expected);
        }
        let mut display = Display::cold(panel(Kind::SelfEmitting), window(10.0, 1023), 0.0);
        let held = y(&display, 7200.0);
        display.show(window(10.0, 0), 7200.0);
        display.show(window(10.0, 1023), 14_400.0);
        // After two hours in the dark the sag is gone and the creep starts anew.
        assert_close(y(&display, 14_400.0), 800.0);
        assert_close(held, 800.0 * (1.0 + 0.02 + 0.012 - 0.01 - 0.03 * (-7200.0_f64 / 420.0).exp()));
    }

    #[test]
    fn a_bright_patch_leaves_a_ghost_that_grows_with_the_hold_and_decays() {
        let grey = window(10.0, 512);
        let after = |hold_s: f64, wait_s: f64| {
            let mut display = Display::cold(panel(Kind::SelfEmitting), grey, 0.0);
            display.show(window(10.0, 1023), 10_000.0);
            display.show(grey, 10_000.0 + hold_s);
            let reference = Display::cold(panel(Kind::SelfEmitting), grey, 0.0);
            let t_s = 10_000.0 + hold_s + wait_s;
            y(&display, t_s) / y(&reference, t_s) - 1.0
        };
        assert!(after(60.0, 5.0) > after(10.0, 5.0) && after(10.0, 5.0) > 0.0);
        assert!(after(60.0, 5.0) > after(60.0, 60.0));
        assert!(after(60.0, 3600.0).abs() < 1e-6);
    }

    #[test]
    fn one_long_step_is_many_short_ones() {
        let still = window(10.0, 700);
        let whole = Display::cold(panel(Kind::SelfEmitting), still, 0.0);
        let mut pieces = whole.clone();
        for minute in 1..480 {
            pieces.show(still, 60.0 * f64::from(minute));
        }
        assert_close(y(&pieces, 28_800.0), y(&whole, 28_800.0));
        assert!(pieces.stretches.len() <= REMEMBERED);
    }
}
