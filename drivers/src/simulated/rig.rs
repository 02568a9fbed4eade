//! What the tests of this driver share: a clock that jumps, and instruments from a few lines of TOML.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use settled_protocol::quantity::Chromaticity;
use settled_protocol::stage::Stimulus;

use crate::clock::{Boxed, Clock};
use crate::driver::{Context, Driver};
use crate::meter::Meter;
use crate::sample::{Exposure, Sample};
use crate::settings;

use super::Stage;

/// A clock on which waiting is jumping.
#[derive(Debug, Default)]
pub(super) struct Jumping(AtomicU64);

impl Jumping {
    pub(super) fn jump_to(&self, t_s: f64) {
        self.0.store(t_s.max(self.now_s()).to_bits(), Ordering::SeqCst);
    }
}

impl Clock for Jumping {
    fn now_s(&self) -> f64 {
        f64::from_bits(self.0.load(Ordering::SeqCst))
    }

    fn sleep_until(&self, t_s: f64) -> Boxed<'_, ()> {
        self.jump_to(t_s);
        Box::pin(async {})
    }
}

/// Settings of a display on which nothing moves.
const STILL: [(&str, &str); 5] =
    [("cold", "[0, 0]"), ("cold_white", "[0, 0]"), ("creep", "[0, 0]"), ("sag", "0"), ("retention", "0")];

/// Settings of a meter without errors.
const PERFECT: &str = "noise = 0\nfilter_error = 0\ndark_cd_m2 = 0\n";

/// `toml`, and that nothing else moves.
pub(super) fn still(toml: &str) -> String {
    let missing = STILL.iter().filter(|(key, _)| !toml.contains(&format!("{key} =")));
    missing.fold(format!("{toml}\n"), |text, (key, value)| format!("{text}{key} = {value}\n"))
}

/// `toml`, and a meter without errors.
pub(super) fn perfect(toml: &str) -> String {
    format!("{toml}\n{PERFECT}")
}

/// What `toml` configures, or its mistakes.
pub(super) fn configured(toml: &str) -> Result<Arc<dyn Driver>, String> {
    let context = Context::at("");
    settings::read("t.toml", toml, |table| super::configure(table, &context))
        .map_err(|problems| problems.to_string())
}

/// The display that `toml` configures.
pub(super) fn stage(toml: &str) -> Arc<Stage> {
    super::stage(toml).unwrap()
}

/// The luminance of the display at `t_s`, in cd/m².
pub(super) fn luminance(stage: &Stage, t_s: f64) -> f64 {
    stage.truth(t_s).unwrap().y()
}

/// The chromaticity of the display at `t_s`.
pub(super) fn chromaticity(stage: &Stage, t_s: f64) -> Chromaticity {
    stage.truth(t_s).unwrap().chromaticity().unwrap()
}

/// A grey of 10-bit `code` in a window of `percent` on black.
pub(super) fn grey(code: u16, percent: f64) -> Stimulus {
    Stimulus { colour: [code; 3], background: [0; 3], window_percent: percent, ..Stimulus::peak_white() }
}

/// `|value/expected − 1| ≤ relative`.
#[track_caller]
pub(super) fn near(value: f64, expected: f64, relative: f64) {
    assert!((value - expected).abs() <= relative * expected.abs(), "{value} is not {expected}");
}

/// An open meter, its display and its clock.
pub(super) struct Rig {
    pub(super) clock: Arc<Jumping>,
    pub(super) driver: Arc<dyn Driver>,
    pub(super) stage: Arc<Stage>,
    pub(super) meter: Box<dyn Meter>,
}

impl Rig {
    pub(super) async fn new(toml: &str) -> Self {
        let driver = configured(toml).unwrap();
        let clock = Arc::new(Jumping::default());
        let meter = open(&driver, &clock).await;
        let stage = driver.stage().unwrap();
        Self { clock, driver, stage, meter }
    }

    pub(super) async fn measure(&mut self) -> Sample {
        self.meter.measure(Exposure::default()).await.unwrap()
    }

    pub(super) async fn measure_for(&mut self, integration_s: f64) -> Sample {
        self.meter.measure(Exposure { integration_s: Some(integration_s) }).await.unwrap()
    }
}

/// Opens the driver's meter.
pub(super) async fn open(driver: &Arc<dyn Driver>, clock: &Arc<Jumping>) -> Box<dyn Meter> {
    let clock: Arc<dyn Clock> = Arc::<Jumping>::clone(clock);
    driver.open(&clock).await.unwrap()
}
