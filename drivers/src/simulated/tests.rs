use std::future::Future;
use std::path::PathBuf;
use std::pin::pin;
use std::task::{Context as Poller, Poll, Waker};

use settled_protocol::quantity::Light;

use super::*;
use crate::fault::FaultKind;
use crate::sample::{Exposure, Sample};
use crate::settings;

/// Sleeping is what makes time pass.
#[derive(Debug, Default)]
struct Leap(Mutex<f64>);

impl Clock for Leap {
    fn now_s(&self) -> f64 {
        *self.0.lock().unwrap()
    }

    fn sleep_until(&self, t_s: f64) -> Boxed<'_, ()> {
        let mut now = self.0.lock().unwrap();
        *now = now.max(t_s);
        Box::pin(async {})
    }
}

/// Nothing here ever has to wait.
fn now<T>(future: impl Future<Output = T>) -> T {
    match pin!(future).poll(&mut Poller::from_waker(Waker::noop())) {
        Poll::Ready(value) => value,
        Poll::Pending => panic!("the simulated driver waited for something else than its clock"),
    }
}

struct Bench {
    driver: Arc<dyn Driver>,
    meter: Box<dyn Meter>,
    clock: Arc<dyn Clock>,
}

fn driver(text: &str) -> Arc<dyn Driver> {
    let context = Context { folder: PathBuf::new() };
    settings::read("t.toml", text, |table| configure(table, &context)).unwrap()
}

fn bench(text: &str) -> Bench {
    let (driver, clock): (_, Arc<dyn Clock>) = (driver(text), Arc::new(Leap::default()));
    let meter = now(driver.open(&clock)).unwrap();
    Bench { driver, meter, clock }
}

impl Bench {
    fn measure(&mut self, integration_s: Option<f64>) -> Result<Sample, Fault> {
        now(self.meter.measure(Exposure { integration_s }))
    }

    fn light(&mut self, integration_s: f64) -> Light {
        self.measure(Some(integration_s)).unwrap().light
    }

    fn show(&self, code: u16) {
        let stimulus = Stimulus { colour: [code; 3], ..Stimulus::peak_white() };
        self.driver.stage().unwrap().show(stimulus, self.clock.now_s());
    }
}

const STEADY: &str = "display = \"self-emitting\"\nunsteadiness = 0\npeak_cd_m2 = 100\n";

#[test]
fn the_same_seed_and_times_give_the_same_readings() {
    let run = |seed: u32| {
        let mut bench = bench(&format!("display = \"backlit\"\nseed = {seed}\n"));
        (0..20).map(|_| bench.measure(None).unwrap()).collect::<Vec<_>>()
    };
    assert_eq!(run(7), run(7));
    assert_ne!(run(7), run(8));
}

#[test]
fn noise_is_what_the_model_says_at_both_ends_of_the_range() {
    let mut bench = bench(STEADY);
    for (code, integration_s) in [(1023, 0.2), (1023, 3.2), (40, 0.2), (40, 3.2)] {
        bench.show(code);
        let truth = bench.driver.stage().unwrap().truth(bench.clock.now_s()).unwrap().y();
        let n = 4000;
        let values: Vec<f64> = (0..n).map(|_| bench.light(integration_s).value()).collect();
        let count = f64::from(n);
        let mean = values.iter().sum::<f64>() / count;
        let deviation = (values.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
        let expected = (0.003 * (truth / integration_s).sqrt()).hypot(0.0002 / integration_s);
        // Five standard errors of a standard deviation: 5/√(2n).
        assert!(
            (deviation / expected - 1.0).abs() < 5.0 / (2.0 * count).sqrt(),
            "{deviation} is not {expected}"
        );
        assert!((mean - truth).abs() < 5.0 * expected / count.sqrt(), "{mean} is not {truth}");
    }
}

#[test]
fn an_exposure_across_a_change_sees_both_sides_of_it() {
    let mut bench = bench(&format!("{STEADY}noise = 0\n"));
    assert!((bench.light(2.0).value() - 100.0).abs() < 1e-9);
    // The next exposure runs from 2 s to 4 s; black comes at 3 s.
    bench.driver.stage().unwrap().show(Stimulus { colour: [0; 3], ..Stimulus::peak_white() }, 3.0);
    assert!((bench.light(2.0).value() - 50.0).abs() < 1e-9);
    assert!(bench.light(2.0).value().abs() < 1e-9);
}

#[test]
fn too_little_light_has_no_colour_and_too_much_no_answer() {
    let mut bench = bench("display = \"self-emitting\"\npeak_cd_m2 = 10000\n");
    // The creep takes it over the top within a minute.
    let fault = (0..400).find_map(|_| bench.measure(Some(0.5)).err()).expect("it gets too bright");
    assert_eq!(fault.kind(), FaultKind::AboveRange);
    bench.show(0);
    let black = bench.measure(None).unwrap();
    assert_eq!((black.light.chromaticity(), black.integration_s), (None, Some(4.0)));
}

#[test]
fn an_integration_time_it_cannot_do_is_refused_and_costs_no_time() {
    let mut bench = bench(STEADY);
    let fault = bench.measure(Some(9.0)).unwrap_err();
    assert_eq!((fault.kind(), bench.clock.now_s()), (FaultKind::Unsupported, 0.0));
    assert!(bench.measure(Some(1.0)).is_ok());
}

#[test]
fn instant_exposures_take_no_time() {
    let mut bench = bench(&format!("{STEADY}instant = true\n"));
    bench.light(1.0);
    assert!(bench.clock.now_s() == 0.0);
}

#[test]
fn reopening_the_meter_does_not_reset_the_display() {
    let mut bench = bench("display = \"backlit\"\nnoise = 0\n");
    let cold = bench.light(0.2).value();
    now(bench.clock.sleep_until(3600.0));
    bench.meter = now(bench.driver.open(&bench.clock)).unwrap();
    assert!(bench.light(0.2).value() > cold * 1.1);
}

#[test]
fn what_it_is_says_simulated() {
    let bench = bench(STEADY);
    let instrument = &bench.meter.describe().instrument;
    assert!(
        instrument.model.contains("simulated") && instrument.serial.as_ref().unwrap().contains("simulated")
    );
}

#[test]
fn a_mistake_in_the_settings_is_reported() {
    let context = Context { folder: PathBuf::new() };
    let text = "display = \"plasma\"\ngain = [1, 1]\nintegration_s = [4, 1]\npeak = 3\n";
    let problems = settings::read("t.toml", text, |table| configure(table, &context)).unwrap_err();
    assert_eq!(problems.0.len(), 4, "{problems}");
}
