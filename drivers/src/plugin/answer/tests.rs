use proptest::prelude::*;
use serde_json::{Value, json};
use settled_protocol::plugin::{MeterMeasure, MeterOpen};

use super::*;

/// A colorimeter's own words, with `changes` in place of some members; `null` takes one out.
fn introduced(changes: &Value) -> Result<Introduced, Fault> {
    let mut words = json!({"model": "Made up", "kind": "colorimeter", "quantities": ["luminance", "xyz"]});
    for (name, value) in changes.as_object().unwrap() {
        words[name] = value.clone();
    }
    read::<MeterOpen>(&words.to_string()).and_then(Introduced::check)
}

fn complaint(changes: &Value) -> String {
    let fault = introduced(changes).expect_err("it is out of bounds");
    assert_eq!(fault.kind(), FaultKind::Garbled);
    fault.to_string()
}

fn sample(words: &Value) -> Result<Sample, Fault> {
    let colorimeter = introduced(&json!({})).unwrap();
    read::<MeterMeasure>(&words.to_string()).and_then(|measured| colorimeter.sample(measured, Some(0.5)))
}

#[test]
fn what_an_instrument_is_may_be_said_in_three_members() {
    let Introduced { description, photometric, zero_deadline, .. } = introduced(&json!({})).unwrap();
    assert_eq!(description.instrument.model, "Made up");
    assert_eq!((description.warm_up_s, description.zero), (0.0, None));
    assert_eq!((photometric, zero_deadline), (Photometric::Luminance, Duration::from_secs(1)));
}

#[test]
fn deadlines_grow_with_the_integration_time_and_have_an_end() {
    let introduced = introduced(&json!({"deadline_s": 2, "deadline_factor": 1.5})).unwrap();
    assert_eq!(introduced.deadline(None), Duration::from_secs(2));
    assert_eq!(introduced.deadline(Some(4.0)), Duration::from_secs(8));
    assert_eq!(introduced.deadline(Some(3600.0)), Duration::from_secs(3600));
    for strange in [f64::NAN, f64::INFINITY, -1.0, 1e300] {
        assert_eq!(introduced.deadline(Some(strange)), Duration::from_secs(2));
    }
}

#[test]
fn a_member_out_of_its_bounds_is_named() {
    for (changes, words) in [
        (json!({"model": null}), "result.model: invalid type: null"),
        (json!({"model": " "}), "model is not 1 to 200"),
        (json!({"model": "a\u{1b}b"}), "model is not"),
        (json!({"serial": "x".repeat(300)}), "serial is not"),
        (json!({"kind": "crystal_ball"}), "unknown variant `crystal_ball`"),
        (json!({"quantities": []}), "neither or both"),
        (json!({"quantities": ["luminance", "illuminance"]}), "neither or both"),
        (json!({"quantities": ["luminance", "xyz", "xyz", "xyz", "xyz"]}), "twice"),
        (json!({"integration_s": {"min": 0, "max": 1}}), "integration_s is 0"),
        (json!({"integration_s": {"min": 2, "max": 1}}), "integration_s does not rise"),
        (json!({"range": {"min": -1, "max": 1}}), "range is -1"),
        (json!({"resolution": 0}), "resolution is 0"),
        (json!({"warm_up_s": -1}), "warm_up_s is -1"),
        (json!({"warm_up_s": 1e9}), "warm_up_s is 1000000000"),
        (json!({"deadline_s": 601}), "deadline_s is 601, which must be 0.1 to 600"),
        (json!({"deadline_factor": 101}), "deadline_factor is 101"),
        (json!({"zero": {"every_s": 0}}), "zero.every_s is 0"),
        (json!({"zero": {"within_k": 0}}), "zero.within_k is 0"),
        (json!({"zero": {"deadline_s": 0}}), "zero.deadline_s is 0"),
    ] {
        let found = complaint(&changes);
        assert!(found.contains(words), "{changes}: {found}");
    }
}

#[test]
fn light_comes_in_four_shapes() {
    let Seen::Light(light) = sample(&json!({"luminance_cd_m2": 100.5})).unwrap().seen else { panic!() };
    assert_eq!((light.value(), light.xyz()), (100.5, None));
    let Seen::Light(light) = sample(&json!({"luminance_cd_m2": 100, "xy": [0.25, 0.5]})).unwrap().seen else {
        panic!()
    };
    // X = xY/y, Z = (1−x−y)Y/y (CIE 15, from the definition of x and y).
    assert_eq!(<[f64; 3]>::from(light.xyz().unwrap()), [50.0, 100.0, 50.0]);
    let Seen::Light(light) = sample(&json!({"xyz": [1, 2, 3]})).unwrap().seen else { panic!() };
    assert_eq!((light.photometric(), light.value()), (Photometric::Luminance, 2.0));
    let spectrometer = introduced(&json!({"quantities": ["illuminance", "spectrum"]})).unwrap();
    let spectrum = json!({"spectrum": {"start_nm": 380, "step_nm": 5, "values": vec![0.5; 81]}});
    let measured = read::<MeterMeasure>(&spectrum.to_string()).unwrap();
    match spectrometer.sample(measured, None).unwrap().seen {
        Seen::Spectrum(Photometric::Illuminance, spectrum) => {
            assert!((spectrum.end_nm() - 780.0).abs() < 1e-9)
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_integration_time_is_what_was_used_else_what_was_asked_for() {
    let used = |words: &Value| sample(words).unwrap().integration_s;
    assert_eq!(used(&json!({"xyz": [1, 2, 3]})), Some(0.5));
    assert_eq!(used(&json!({"xyz": [1, 2, 3], "integration_s": 0.4})), Some(0.4));
}

#[test]
fn an_answer_that_is_no_light_is_named() {
    for (words, expected) in [
        (json!({}), "exactly one of"),
        (json!({"luminance_cd_m2": null}), "exactly one of"),
        (json!({"luminance_cd_m2": 1, "xyz": [1, 1, 1]}), "exactly one of"),
        (json!({"luminance_cd_m2": 1, "illuminance_lx": 1}), "exactly one of"),
        (json!({"illuminance_lx": 1}), "illuminance_lx, which its quantities have not"),
        (json!({"spectrum": {"start_nm": 380, "step_nm": 5, "values": [1, 2]}}), "spectrum, which"),
        (json!({"xyz": [1, 2, 3], "xy": [0.3, 0.3]}), "xy beside"),
        (json!({"luminance_cd_m2": 1, "xy": [0, 0]}), "no light"),
        (json!({"luminance_cd_m2": "1"}), "result.luminance_cd_m2: invalid type: string"),
        (json!({"xyz": [1, 2]}), "result.xyz: invalid length"),
        (json!({"luminance_cd_m2": 1, "integration_s": 0}), "integration_s is 0"),
        (json!({"luminance_cd_m2": 1, "temperature_c": 900}), "temperature_c is 900"),
    ] {
        let fault = sample(&words).expect_err("it is no light");
        assert_eq!(fault.kind(), FaultKind::Garbled, "{words}");
        let found = crate::fault::chain(&fault);
        assert!(found.contains(expected), "{words}: {found}");
    }
}

#[test]
fn every_kind_of_error_is_a_fault_of_its_own() {
    let mut kinds = Vec::new();
    for kind in PluginFault::ALL {
        let fault = fault(&PluginError::new(kind, "so\nit was"));
        assert_eq!(fault.to_string(), "so\u{fffd}it was");
        assert!(!kinds.contains(&fault.kind()));
        kinds.push(fault.kind());
    }
    assert_eq!(kinds.len(), FaultKind::ALL.len());
}

/// Numbers as JSON may write them, sane or not.
fn number() -> impl Strategy<Value = String> {
    prop_oneof![
        any::<f64>().prop_map(|number| format!("{number:?}")),
        any::<i64>().prop_map(|number| number.to_string()),
        Just("1e999".to_owned()),
        Just("-0.0".to_owned()),
        Just("null".to_owned()),
    ]
}

proptest! {
    #[test]
    fn whatever_numbers_come_what_leaves_is_finite(y in number(), x in number(), s in number(), t in number()) {
        let colorimeter = introduced(&json!({})).unwrap();
        for text in [
            format!(r#"{{"luminance_cd_m2":{y},"xy":[{x},{s}],"integration_s":{s},"temperature_c":{t}}}"#),
            format!(r#"{{"luminance_cd_m2":{y},"integration_s":{s}}}"#),
            format!(r#"{{"xyz":[{x},{y},{s}],"temperature_c":{t}}}"#),
        ] {
            let outcome = read::<MeterMeasure>(&text).and_then(|measured| colorimeter.sample(measured, None));
            let Ok(sample) = outcome else { continue };
            let light = sample.light().unwrap();
            prop_assert!(light.value().is_finite());
            if let Some(xyz) = light.xyz() {
                prop_assert!(<[f64; 3]>::from(xyz).iter().all(|value| value.is_finite()));
            }
            prop_assert!(sample.integration_s.is_none_or(|s| s.is_finite() && s > 0.0));
            prop_assert!(sample.temperature_c.is_none_or(f64::is_finite));
        }
    }

    #[test]
    fn whatever_an_instrument_says_of_itself_its_deadline_has_an_end(a in number(), b in number(), c in number()) {
        let text = format!(
            r#"{{"model":"m","kind":"photometer","quantities":["luminance"],"range":{{"min":{a},"max":{b}}},"warm_up_s":{c},"deadline_s":{b},"deadline_factor":{a},"zero":{{"every_s":{c},"deadline_s":{a}}}}}"#
        );
        if let Ok(introduced) = read::<MeterOpen>(&text).and_then(Introduced::check) {
            prop_assert!(introduced.deadline(Some(3600.0)) <= Duration::from_secs(3600));
            prop_assert!(introduced.zero_deadline <= Duration::from_secs(600));
            prop_assert!(introduced.description.warm_up_s.is_finite());
        }
    }
}
