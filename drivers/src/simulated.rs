//! A display and a meter that looks at it, as a physical model. Everything it gives says that it is simulated.
//!
//! | module | idea |
//! |---|---|
//! | [`signal`] | code values to light: EOTFs, primaries, white |
//! | [`display`] | how a panel warms up, creeps, limits itself and remembers |
//! | [`noise`] | random numbers that depend on the seed and the exposure alone |
//! | [`meter`] | a filter colorimeter: noise, dark offset, range, integration |
//!
//! The light at any moment follows from the seed, the settings and the times at which stimuli were shown, in closed form: a
//! jump of eight hours costs no more than one of a second. A reading follows from that, the number of the exposure and
//! its times.
//!
//! Shapes and sizes of the effects are engineering judgement (common practice, no source), except where a formula names
//! its standard. They make a rehearsal, not a statement about any display that exists.

use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, PoisonError};

use settled_protocol::quantity::Xyz;
use settled_protocol::stage::Stimulus;

use crate::clock::{Boxed, Clock};
use crate::driver::{Context, Driver};
use crate::fault::Fault;
use crate::meter::Meter;
use crate::settings::Table;

pub mod display;
pub mod meter;
pub mod noise;
pub mod signal;

use display::{Display, Kind, Panel};
use meter::{Colorimeter, Optics};
use signal::{Eotf, Gamut, Primaries, Transfer};

/// A simulated display that can be told what to show. Cold until it is first looked at.
#[derive(Debug)]
pub struct Stage {
    panel: Panel,
    display: Mutex<Option<Display>>,
    first: Mutex<Stimulus>,
}

impl Stage {
    fn new(panel: Panel) -> Self {
        Self { panel, display: Mutex::new(None), first: Mutex::new(Stimulus::peak_white()) }
    }

    /// Switches the display on, cold, at `t_s`, unless it is on already.
    fn switch_on(&self, t_s: f64) {
        let first = *self.first.lock().unwrap_or_else(PoisonError::into_inner);
        let mut display = self.display.lock().unwrap_or_else(PoisonError::into_inner);
        display.get_or_insert_with(|| Display::cold(self.panel.clone(), first, t_s));
    }

    /// Shows `stimulus` from `t_s` on, in s of the daemon's clock. Before the display is on, it will begin with this.
    pub fn show(&self, stimulus: Stimulus, t_s: f64) {
        *self.first.lock().unwrap_or_else(PoisonError::into_inner) = stimulus;
        if let Some(display) = self.display.lock().unwrap_or_else(PoisonError::into_inner).as_mut() {
            display.show(stimulus, t_s);
        }
    }

    /// The light of the window at `t_s` as an ideal meter would see it, in cd/m²; nothing while the display is off.
    #[must_use]
    pub fn truth(&self, t_s: f64) -> Option<Xyz> {
        let display = self.display.lock().unwrap_or_else(PoisonError::into_inner);
        display.as_ref().and_then(|display| display.light(t_s))
    }
}

/// One configured simulated meter and the display it looks at.
#[derive(Debug)]
struct Simulated {
    stage: Arc<Stage>,
    optics: Optics,
    exposures: Arc<AtomicU64>,
}

impl Driver for Simulated {
    fn name(&self) -> &'static str {
        "simulated"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async {
            self.stage.switch_on(clock.now_s());
            let parts = (Arc::clone(&self.stage), Arc::clone(clock), Arc::clone(&self.exposures));
            Ok(Box::new(Colorimeter::new(self.optics.clone(), parts)) as Box<dyn Meter>)
        })
    }

    fn stage(&self) -> Option<Arc<Stage>> {
        Some(Arc::clone(&self.stage))
    }
}

/// Reads a meter's settings for this driver. Only `display` is required.
pub fn configure(settings: &mut Table<'_>, _context: &Context) -> Option<Arc<dyn Driver>> {
    let kind =
        settings.choice("display", &[("self-emitting", Kind::SelfEmitting), ("backlit", Kind::Backlit)]);
    let kind = settings.required("display", kind);
    let default_peak = kind.unwrap_or(Kind::Backlit).usual_peak_cd_m2();
    let peak_cd_m2 = settings.number("peak_cd_m2", 1.0, 10_000.0).unwrap_or(default_peak);
    let transfer = transfer(settings);
    let gamut = gamut(settings);
    let ageing = settings.number("unsteadiness", 0.0, 10.0).unwrap_or(1.0);
    let optics = optics(settings, kind);
    let panel = Panel { kind: kind?, peak_cd_m2, transfer, gamut, unsteadiness: ageing };
    Some(Arc::new(Simulated { stage: Arc::new(Stage::new(panel)), optics, exposures: Arc::default() }))
}

fn transfer(settings: &mut Table<'_>) -> Transfer {
    let eotf = settings.choice(
        "eotf",
        &[("bt1886", Eotf::Bt1886), ("power-2.2", Eotf::Power(2.2)), ("srgb", Eotf::Srgb), ("pq", Eotf::Pq)],
    );
    Transfer {
        eotf: eotf.unwrap_or(Eotf::Bt1886),
        near_black_gamma: settings.number("near_black_gamma", -1.0, 1.0).unwrap_or(0.0),
    }
}

fn gamut(settings: &mut Table<'_>) -> Gamut {
    let primaries = settings.choice(
        "primaries",
        &[("bt709", Primaries::BT709), ("p3-d65", Primaries::P3_D65), ("bt2020", Primaries::BT2020)],
    );
    let tint = settings.numbers::<2>("white_error", -0.05, 0.05).unwrap_or([0.0; 2]);
    let gain = settings.numbers::<3>("gain", 0.1, 2.0).unwrap_or([1.0; 3]);
    Gamut::new(primaries.unwrap_or(Primaries::P3_D65), tint, gain)
}

fn optics(settings: &mut Table<'_>, kind: Option<Kind>) -> Optics {
    let default = Optics::default();
    let [shortest, longest] =
        settings.numbers::<2>("integration_s", 0.001, 60.0).unwrap_or(default.integration_s);
    if shortest > longest {
        settings.complain("integration_s", "expected the shortest time first, then the longest");
    }
    let seed = settings.integer("seed", 0, i64::MAX).unwrap_or(1).unsigned_abs();
    Optics {
        seed,
        integration_s: [shortest, longest],
        instant: settings.flag("instant").unwrap_or(false),
        noise: settings.number("noise", 0.0, 100.0).unwrap_or(default.noise),
        mismatch: settings.number("mismatch", 0.0, 1.0).unwrap_or(default.mismatch),
        warm_up_s: settings.duration_s("warm_up", 0.0, 86_400.0).unwrap_or(default.warm_up_s),
        resolution: settings.number("resolution_cd_m2", 1e-6, 10.0),
        looks_at: kind.map_or("display", Kind::name),
    }
}

#[cfg(test)]
mod tests;
