use settled_protocol::colorimetry::{Method, Summation};
use settled_protocol::quantity::Xyz;

use super::super::rig::{Rig, grey, luminance, near, open, perfect, still};
use super::*;

const DISPLAY: &str = "display = \"self-emitting\"\nseed = 7\n";

async fn readings(toml: &str, n: usize) -> Vec<Sample> {
    let mut rig = Rig::new(toml).await;
    let mut samples = Vec::new();
    for _ in 0..n {
        samples.push(rig.measure().await);
    }
    samples
}

#[tokio::test]
async fn the_same_seed_and_times_give_the_same_samples() {
    let first = readings(DISPLAY, 20).await;
    assert_eq!(first, readings(DISPLAY, 20).await);
    assert_ne!(first, readings("display = \"self-emitting\"\nseed = 8\n", 20).await);
}

#[tokio::test]
async fn noise_goes_on_after_reopening_and_so_does_the_display() {
    let mut rig = Rig::new(&still(DISPLAY)).await;
    let first = rig.measure().await;
    rig.meter.close().await;
    rig.meter = open(&rig.driver, &rig.clock).await;
    assert_ne!(first.light(), rig.measure().await.light());

    let mut rig = Rig::new(&perfect(DISPLAY)).await;
    let first = rig.measure().await.light().unwrap().value();
    rig.clock.jump_to(3600.0);
    rig.meter = open(&rig.driver, &rig.clock).await;
    assert!(rig.measure().await.light().unwrap().value() < 0.95 * first, "the display was cold again");
}

#[tokio::test]
async fn a_perfect_meter_sees_the_truth_of_a_still_display() {
    let mut rig = Rig::new(&perfect(&still(DISPLAY))).await;
    let light = rig.measure().await.light().unwrap();
    let [x, y, z]: [f64; 3] = light.xyz().unwrap().into();
    let [x0, y0, z0]: [f64; 3] = rig.stage.truth(0.0).unwrap().into();
    for (value, expected) in [(x, x0), (y, y0), (z, z0)] {
        near(value, expected, 1e-12);
    }
    near(y, 800.0, 1e-12);
}

#[tokio::test]
async fn an_exposure_takes_its_time_and_no_more() {
    let mut rig = Rig::new(&perfect(&still(DISPLAY))).await;
    assert_eq!(rig.measure_for(2.5).await.integration_s, Some(2.5));
    near(rig.clock.now_s(), 2.5, 1e-12);
    assert_eq!(rig.measure().await.integration_s, Some(1.0));
    near(rig.clock.now_s(), 3.5, 1e-12);

    let mut instant = Rig::new("display = \"backlit\"\ninstant = true\n").await;
    assert_eq!(instant.measure_for(2.5).await.integration_s, Some(2.5));
    assert!(instant.clock.now_s().abs() < 1e-12);
}

#[tokio::test]
async fn it_exposes_longer_when_it_is_dark() {
    let mut rig = Rig::new(&still("display = \"self-emitting\"\neotf = \"power\"\ngamma = 1\n")).await;
    for (code, seconds) in [(1023, 1.0), (20, 50.0 / (800.0 * 20.0 / 1023.0)), (1, 5.0), (0, 5.0)] {
        rig.stage.show(grey(code, 10.0), rig.clock.now_s());
        near(rig.measure().await.integration_s.unwrap(), seconds, 1e-9);
    }
}

#[tokio::test]
async fn a_change_during_the_exposure_mixes_by_time() {
    let mut rig = Rig::new(&perfect(&still("display = \"self-emitting\""))).await;
    rig.stage.show(grey(0, 10.0), 0.5);
    rig.stage.show(grey(1023, 10.0), 1.25);
    near(rig.measure_for(2.0).await.light().unwrap().value(), 800.0 * (0.5 + 0.75) / 2.0, 1e-12);
}

#[tokio::test]
async fn a_drift_is_averaged_over_the_exposure() {
    let mut rig = Rig::new(&perfect("display = \"self-emitting\"")).await;
    let seen = rig.measure_for(4.0).await.light().unwrap().value();
    let n = 4000;
    let mean = (0..n).map(|i| luminance(&rig.stage, (f64::from(i) + 0.5) * 4.0 / f64::from(n))).sum::<f64>()
        / f64::from(n);
    near(seen, mean, 1e-6);
}

#[tokio::test]
async fn times_that_the_meter_cannot_do_are_refused_at_once() {
    let mut rig = Rig::new("display = \"backlit\"\nintegration_s = [0.1, 2]\n").await;
    for asked in [0.0, 0.09, 2.01, -1.0, f64::NAN, f64::INFINITY] {
        let fault = rig.meter.measure(Exposure { integration_s: Some(asked) }).await.unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Unsupported, "{asked}");
        rig.meter.deadline(Exposure { integration_s: Some(asked) });
    }
    assert!(rig.clock.now_s().abs() < 1e-12);
    rig.measure_for(0.1).await;
    rig.measure_for(2.0).await;
}

#[tokio::test]
async fn too_much_light_is_a_fault_and_too_little_is_a_sample() {
    let toml = still("display = \"self-emitting\"\nrange_cd_m2 = [1, 500]\n");
    let mut rig = Rig::new(&toml).await;
    let fault = rig.meter.measure(Exposure::default()).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::AboveRange);
    rig.stage.show(grey(0, 10.0), rig.clock.now_s());
    let sample = rig.measure().await;
    assert!(sample.light().unwrap().value() < 1.0 && sample.light().unwrap().chromaticity().is_none());
    assert!(sample.light().unwrap().xyz().is_some());
}

#[tokio::test]
async fn the_dark_offset_grows_with_the_meters_warmth_and_a_zero_removes_it() {
    let toml = still("display = \"self-emitting\"\nnoise = 0\ndark_cd_m2 = 0.001\nzero_every = \"1h\"\n");
    let mut rig = Rig::new(&toml).await;
    rig.stage.show(grey(0, 10.0), 0.0);
    rig.clock.jump_to(600.0);
    let sample = rig.measure().await;
    let warm = 6.0 * (1.0 - (-605.0_f64 / 600.0).exp());
    near(sample.temperature_c.unwrap(), 23.0 + warm, 1e-12);
    near(sample.light().unwrap().value(), 0.001 * ((warm / 7.0).exp2() - 1.0), 1e-9);
    rig.clock.jump_to(36_000.0);
    rig.meter.zero().await.unwrap();
    assert!(rig.measure().await.light().unwrap().value().abs() < 1e-12);
}

#[tokio::test]
async fn light_that_was_there_as_it_was_zeroed_is_missing_from_then_on() {
    for kind in ["meter = \"colorimeter\"\nfilter_error = 0\n", "meter = \"spectrometer\"\n"] {
        let toml = format!(
            "display = \"backlit\"\neotf = \"power\"\ngamma = 1\n{kind}noise = 0\ndark_cd_m2 = 0\nzero_every = \"1h\"\n"
        );
        let mut rig = Rig::new(&still(&toml)).await;
        let seen = async |rig: &mut Rig, code| {
            rig.stage.show(grey(code, 10.0), rig.clock.now_s());
            match rig.measure().await.seen {
                Seen::Light(light) => light.value(),
                Seen::Spectrum(_, spectrum) => Summation::new(Method::default()).xyz(&spectrum).unwrap().y(),
            }
        };
        let [white, grey] = [seen(&mut rig, 1023).await, seen(&mut rig, 512).await];
        rig.meter.zero().await.unwrap();
        near(seen(&mut rig, 1023).await, white - grey, 1e-9);
        let black = seen(&mut rig, 0).await;
        assert!(black < -0.9 * grey, "{black}");
        rig.meter.zero().await.unwrap();
        near(seen(&mut rig, 512).await, -black, 1e-9);
    }
}

#[tokio::test]
async fn without_the_setting_there_is_no_zero() {
    let mut rig = Rig::new(DISPLAY).await;
    assert!(rig.meter.describe().zero.is_none());
    assert_eq!(rig.meter.zero().await.unwrap_err().kind(), FaultKind::Unsupported);
}

#[tokio::test]
async fn it_says_that_it_is_simulated() {
    let rig =
        Rig::new("display = \"backlit\"\nseed = 7\nresolution_cd_m2 = 0.01\nwarm_up = \"5min\"\n").await;
    let Description { instrument, warm_up_s, .. } = rig.meter.describe();
    assert_eq!(instrument.model, "simulated colorimeter (backlit display)");
    assert_eq!(instrument.serial.as_deref(), Some("simulated-7"));
    assert_eq!(instrument.resolution, Some(0.01));
    near(*warm_up_s, 300.0, 1e-12);
    assert_eq!(rig.driver.name(), "simulated");
    assert!(rig.driver.claims().is_empty());
}

#[tokio::test]
async fn a_dropped_exposure_leaves_the_meter_ready() {
    let mut rig = Rig::new(DISPLAY).await;
    drop(rig.meter.measure(Exposure::default()));
    rig.meter.recover().await.unwrap();
    rig.measure().await;
}

#[tokio::test]
async fn answers_come_in_steps_of_the_resolution() {
    let mut rig = Rig::new("display = \"backlit\"\nresolution_cd_m2 = 0.5\n").await;
    for _ in 0..20 {
        let xyz: Xyz = rig.measure().await.light().unwrap().xyz().unwrap();
        for value in <[f64; 3]>::from(xyz) {
            assert!((value / 0.5).fract().abs() < 1e-9, "{value}");
        }
    }
}

#[test]
fn the_deadline_covers_the_longest_exposure() {
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let rig = runtime.block_on(Rig::new("display = \"backlit\"\nintegration_s = [0.1, 20]\n"));
    assert_eq!(rig.meter.deadline(Exposure::default()), Duration::from_secs(25));
    assert_eq!(rig.meter.deadline(Exposure { integration_s: Some(2.0) }), Duration::from_secs(7));
}
