use proptest::prelude::*;
use serde_json::json;
use settled_protocol::quantity::{Light, Xyz};
use settled_protocol::spectrum::Spectrum;

use super::*;
use crate::exchange::csv;

fn written(readings: &[Reading], spectra: bool) -> String {
    let mut writer = Writer::new(spectra, Some(Timestamp::from_unix_ns(1_795_716_000_000_000_000)));
    for reading in readings {
        writer.push(reading).unwrap();
    }
    let mut file = Vec::new();
    writer.finish(&mut file).unwrap();
    String::from_utf8(file).unwrap()
}

fn back(text: &str) -> Vec<Reading> {
    read(text.as_bytes()).collect::<Result<_, _>>().unwrap()
}

/// Any reading that a daemon may have logged.
fn any_reading() -> impl Strategy<Value = Reading> {
    let number = || prop_oneof![-1e3..1e3, -1e-9..1e-9, 0.0..1e6];
    let spectrum = (380.0..400.0_f64, 0.1..5.0_f64, prop::collection::vec(number(), 2..20)).prop_map(
        |(start, step, values)| {
            Spectrum::new((start * 1e3).round() / 1e3, (step * 1e3).round() / 1e3, values).unwrap()
        },
    );
    let light = (any::<bool>(), any::<bool>(), any::<bool>(), number(), number(), number());
    let rest = (
        prop::option::of(0.0..10.0),
        prop::option::of(-20.0..60.0),
        prop::option::of(0.5..20.0),
        prop::option::of("[a-z]{1,8}"),
        prop::collection::vec(1_u64..1000, 0..3),
        prop::option::of(spectrum),
    );
    let flags = prop::collection::vec(prop::sample::select(Flag::ALL.to_vec()), 0..3);
    let observer =
        prop::sample::select(vec![None, Some(Observer::Cie1964Deg10), Some(Observer::Cie2015Deg2)]);
    (
        (1_u64..u64::MAX, 0_u64..9_000_000_000_000_000_000, number(), number(), "[a-z \"#;,é]{1,12}"),
        light,
        rest,
        flags,
        observer,
    )
        .prop_map(|((sequence, at, t_s, began_s, meter), light, rest, flags, observer)| {
            let (of_lux, colour, dark, x, y, z) = light;
            let photometric = if of_lux { Photometric::Illuminance } else { Photometric::Luminance };
            let light = if colour {
                Light::colour(photometric, Xyz::new(x, y, z).unwrap())
            } else {
                Light::amount(photometric, y).unwrap()
            };
            let light = if dark { light.without_chromaticity() } else { light };
            let (integration_s, temperature_c, bandwidth_nm, correction, runs, spectrum) = rest;
            let at = Timestamp::from_unix_ns(at);
            let boot = "4c1f".to_owned();
            Reading {
                sequence,
                meter,
                at,
                t_s,
                began_s,
                boot,
                integration_s,
                light,
                spectrum,
                observer,
                bandwidth_nm,
                correction,
                temperature_c,
                runs,
                flags,
            }
        })
}

proptest! {
    #[test]
    fn what_is_read_of_an_exchange_text_is_what_was_written_to_the_last_digit(
        mut readings in prop::collection::vec(any_reading(), 0..12),
    ) {
        let mut found = back(&written(&readings, true));
        readings.sort_by_key(|reading| reading.sequence);
        found.sort_by_key(|reading| reading.sequence);
        prop_assert_eq!(&found, &readings);
        for reading in &mut readings {
            reading.spectrum = None;
        }
        let mut found = back(&written(&readings, false));
        found.sort_by_key(|reading| reading.sequence);
        prop_assert_eq!(found, readings);
    }

    #[test]
    fn what_is_read_of_a_table_of_csv_is_what_was_written_to_the_last_digit(reading in any_reading()) {
        let has_spectrum = reading.spectrum.is_some();
        let lines = csv::Table::new(has_spectrum).lines(std::slice::from_ref(&reading)).unwrap();
        let found: Vec<Reading> = csv::read(lines.as_slice()).collect::<Result<_, _>>().unwrap();
        let mut found = found.into_iter().next().unwrap();
        // The header has wavelengths to a millionth of a nm; these are of whole thousandths.
        prop_assert_eq!(found.spectrum.take(), reading.spectrum.clone());
        prop_assert_eq!(found, Reading { spectrum: None, ..reading });
    }

    #[test]
    fn whatever_comes_is_read_or_refused_in_words(lines in prop::collection::vec("[A-Z_\"# 0-9.\t]{0,24}", 0..20)) {
        let text = format!("CGATS.17\n{}", lines.join("\n"));
        let last = read(text.as_bytes()).last();
        if let Some(Err(mistake)) = last {
            prop_assert!(mistake.line > 0 && !mistake.words.is_empty());
        }
    }
}

#[test]
fn readings_that_know_other_things_are_in_tables_of_their_own() {
    let reading = |more: serde_json::Value| -> Reading {
        let mut object = json!({"sequence": 1, "meter": "m", "at": "2026-11-25T18:00:00Z", "t_s": 1.5, "began_s": 0.5, "boot": "b", "flags": ["simulated"]});
        object.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        serde_json::from_value(object).unwrap()
    };
    let lux = reading(json!({"illuminance_lx": 120.5}));
    let luminance = reading(json!({"luminance_cd_m2": 2.0, "xyz": [1.0, 2.0, 3.0], "temperature_c": 30.0}));
    let text = written(&[lux.clone(), luminance.clone(), lux.clone()], false);
    assert_eq!(text.matches("BEGIN_DATA\n").count(), 2, "{text}");
    assert!(text.starts_with("CGATS.17\nORIGINATOR \"settle "), "{text}");
    assert!(
        text.contains("FILE_DESCRIPTOR \"SIMULATED, readings of light")
            && text.contains("CREATED \"2026-11-26T"),
        "{text}"
    );
    assert!(
        text.contains("KEYWORD \"LIGHT_UNIT\"\nLIGHT_UNIT \"lx\"") && text.contains("NUMBER_OF_SETS 2\n"),
        "{text}"
    );
    assert_eq!(back(&text), [lux.clone(), lux, luminance]);
    assert_eq!(written(&[], false), "CGATS.17\n");
}

/// An example of the grammar that was written for this project, with what files of other programs have: fields over lines,
/// comments, quotes, numbers in powers of ten.
#[test]
fn the_example_of_the_grammar_is_read_as_it_is_meant() {
    let text = include_str!("../../../../tests/reference/example_cgats.txt");
    let mut reader = Reader::default();
    let mut sets: Vec<(String, f64, f64)> = Vec::new();
    for line in text.lines() {
        if let Some(set) = reader.line(line).unwrap() {
            assert_eq!(set.keyword("AMBIENT_LUX"), Some("0.2"));
            assert_eq!(set.keyword("FILE_DESCRIPTOR"), Some("Grey ramp, 5 steps, \"office\" preset"));
            let number = |name: &str| set.number(name).unwrap().unwrap();
            sets.push((set.field("SAMPLE_NAME").unwrap().to_owned(), number("XYZ_X"), number("XYZ_Y")));
        }
    }
    reader.end().unwrap();
    assert_eq!(sets.len(), 5);
    assert_eq!(sets[2], ("grey # 50".to_owned(), 20.53, 21.6));
    assert_eq!(sets[3], ("grey75".to_owned(), 56.12, 59.05));
}

#[test]
fn a_file_that_is_not_whole_is_refused_with_the_line_and_the_reason() {
    let whole = "CGATS.17\nNUMBER_OF_FIELDS 2\nBEGIN_DATA_FORMAT\nSAMPLE_ID T_S\nEND_DATA_FORMAT\nNUMBER_OF_SETS 2\nBEGIN_DATA\n1 0.5\n2 1.5\nEND_DATA\n";
    let mistake = |text: &str| {
        let mut reader = Reader::default();
        for (index, line) in text.lines().enumerate() {
            if let Err(words) = reader.line(line) {
                return format!("{}: {words}", index + 1);
            }
        }
        reader.end().err().unwrap_or_default()
    };
    assert_eq!(mistake(whole), "");
    for (from, to, expected) in [
        ("END_DATA\n", "", "END_DATA is missing"),
        ("SETS 2", "SETS 3", "10: 2 sets, where NUMBER_OF_SETS says 3"),
        ("SETS 2", "SETS 1", "9: there are more sets than NUMBER_OF_SETS says, 1"),
        ("2 1.5", "2 1.5 7", "9: a set of 3 values, where there are 2 fields"),
        ("2 1.5", "2", "9: a set of 1 values, where there are 2 fields"),
        ("2 1.5", "2 \"1.5", "9: a quote is not closed"),
        ("SAMPLE_ID T_S", "T_S T_S", "4: the field T_S is there twice"),
        ("FIELDS 2", "FIELDS 3", "5: 2 fields, where NUMBER_OF_FIELDS says 3"),
        ("SETS 2", "SETS two", "6: NUMBER_OF_SETS must be a whole number"),
    ] {
        let found = mistake(&whole.replace(from, to));
        assert!(found.starts_with(expected), "{expected:?}: {found:?}");
    }
    let text = written(&[], false)
        + "NUMBER_OF_FIELDS 2\nBEGIN_DATA_FORMAT\nT_S XYY_CAPY\nEND_DATA_FORMAT\nBEGIN_DATA\n1 1,5\nEND_DATA\n";
    let found = read(text.as_bytes()).next().unwrap().unwrap_err();
    assert_eq!(found.to_string(), "line 7: Y must be a number, not \"1,5\"");
}
