use settled_protocol::colorimetry::{Method, Summation};
use settled_protocol::meter::{Kind, Quantity};
use settled_protocol::quantity::{Photometric, Xyz};

use super::super::rig::{Rig, configured, grey, near, still};
use crate::clock::Clock;
use crate::sample::{Sample, Seen};

const METER: &str = "meter = \"spectrometer\"\nseed = 7\n";

fn display(more: &str) -> String {
    still(&format!("display = \"backlit\"\n{METER}{more}"))
}

fn summed(sample: &Sample, bandwidth_nm: Option<f64>) -> Xyz {
    let Seen::Spectrum(Photometric::Luminance, spectrum) = &sample.seen else { panic!("{sample:?}") };
    Summation::new(Method { bandwidth_nm, ..Method::default() }).xyz(spectrum).unwrap()
}

/// How far a perfect meter's sums are from the display's true X, Y and Z, at worst, relative to Y.
async fn error(more: &str, bandwidth_nm: Option<f64>) -> f64 {
    let mut rig = Rig::new(&display(&format!("noise = 0\ndark_cd_m2 = 0\n{more}"))).await;
    let found: [f64; 3] = summed(&rig.measure().await, bandwidth_nm).into();
    let truth: [f64; 3] = rig.stage.truth(rig.clock.now_s()).unwrap().into();
    found.iter().zip(truth).map(|(found, value)| (found - value).abs() / truth[1]).fold(0.0, f64::max)
}

#[tokio::test]
async fn a_perfect_one_sees_the_truth_whatever_the_primaries() {
    for primaries in ["bt709", "p3-d65", "bt2020"] {
        let found =
            error(&format!("primaries = \"{primaries}\"\nwhite_error = [0.01, -0.005]\n"), None).await;
        assert!(found < 1e-11, "{primaries}: {found}");
    }
    let half = error("step_nm = 0.5\n", None).await;
    assert!(half < 1e-4, "{half}");
}

#[tokio::test]
async fn a_slit_misplaces_the_primaries_and_the_correction_mends_most_of_it() {
    let (blurred, corrected) = (error("slit_nm = 5\n", None).await, error("slit_nm = 5\n", Some(5.0)).await);
    assert!(blurred > 1e-3 && corrected < blurred / 5.0, "{blurred} {corrected}");
}

#[tokio::test]
async fn coarse_steps_come_with_a_slit_so_that_no_peak_falls_between_them() {
    for primaries in ["bt709", "p3-d65", "bt2020"] {
        for (step_nm, most) in [("3", 0.01), ("4", 0.01), ("5", 0.01), ("10", 0.03), ("20", 0.05)] {
            let keys = format!("primaries = \"{primaries}\"\nstep_nm = {step_nm}\n");
            let found = error(&keys, None).await;
            assert!(found < most, "{primaries} {step_nm}: {found}");
        }
    }
    assert!(error("step_nm = 20\nslit_nm = 0\n", None).await > 0.3, "who wants none gets none");
    let problems =
        configured(&format!("display = \"backlit\"\n{METER}step_nm = 4\nbandwidth_nm = 6\n")).unwrap_err();
    assert!(
        problems.contains("bandwidth_nm: a bandwidth of 6 nm") && problems.contains("a step of 4 nm"),
        "{problems}"
    );
}

#[tokio::test]
async fn its_luminance_is_as_noisy_as_a_colorimeters() {
    for (code, expected) in
        [(1023, 0.015 * (300.0_f64).sqrt()), (0, 0.0005_f64.hypot(0.015 * (0.2_f64).sqrt()))]
    {
        let mut rig = Rig::new(&display("dark_cd_m2 = 0\nautomatic_s = 1\nintegration_s = [0.5, 1]\n")).await;
        rig.stage.show(grey(code, 10.0), 0.0);
        let mut values = Vec::new();
        for _ in 0..400 {
            values.push(summed(&rig.measure().await, None).y());
        }
        let mean = values.iter().sum::<f64>() / 400.0;
        let deviation = (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / 399.0).sqrt();
        near(mean, rig.stage.truth(1e6).unwrap().y(), 4.0 * expected / 20.0 / mean);
        // The deviation of 400 is known to 3.5 %: three times that, and what the shape of white makes of it.
        near(deviation, expected, 0.12);
    }
}

#[tokio::test]
async fn its_dark_signal_grows_as_it_warms_and_counts_as_luminance() {
    let mut rig = Rig::new(&display("noise = 0\ndark_cd_m2 = 0.5\nblack_cd_m2 = 0\ninstant = true\n")).await;
    rig.stage.show(grey(0, 10.0), 0.0);
    assert!(summed(&rig.measure().await, None).y().abs() < 1e-9);
    rig.clock.jump_to(36_000.0);
    near(summed(&rig.measure().await, None).y(), 0.5 * ((6.0_f64 / 7.0).exp2() - 1.0), 1e-3);
}

#[tokio::test]
async fn it_says_what_it_is_and_counts_from_380_to_780_nm() {
    let mut rig = Rig::new(&display("step_nm = 4\n")).await;
    let instrument = rig.meter.describe().instrument.clone();
    assert_eq!(instrument.model, "simulated spectrometer (backlit display)");
    assert_eq!(instrument.kind, Kind::Spectrometer);
    assert!(instrument.quantities.contains(&Quantity::Spectrum));
    let Seen::Spectrum(_, spectrum) = rig.measure().await.seen else { panic!("no spectrum") };
    assert_eq!((spectrum.start_nm(), spectrum.end_nm(), spectrum.values().len()), (380.0, 780.0, 101));
}

#[tokio::test]
async fn too_much_light_is_a_fault() {
    let mut rig = Rig::new(&display("range_cd_m2 = [0.01, 100]\n")).await;
    let fault = rig.meter.measure(crate::sample::Exposure::default()).await.unwrap_err();
    assert_eq!(fault.kind(), crate::fault::FaultKind::AboveRange);
}

#[test]
fn keys_of_the_other_kind_are_refused() {
    let problems = configured(&format!("display = \"backlit\"\n{METER}filter_error = 0.1\n")).unwrap_err();
    assert!(problems.contains("filter_error: only goes with meter = \"colorimeter\""), "{problems}");
    let problems = configured("display = \"backlit\"\nslit_nm = 4\n").unwrap_err();
    assert!(problems.contains("slit_nm: only goes with meter = \"spectrometer\""), "{problems}");
}
