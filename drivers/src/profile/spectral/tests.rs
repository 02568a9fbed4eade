//! Spectra in answers, against an instrument that follows a script.

use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;
use settled_protocol::meter::{Kind, Quantity};
use settled_protocol::quantity::Photometric;

use super::super::{Profiled, load, shipped};
use super::*;
use crate::clock::still as clock;
use crate::conformance::{self, Zero};
use crate::driver::Driver;
use crate::link::Link;
use crate::link::script::{Script, Step};
use crate::sample::{Exposure, Sample, Seen};

/// An instrument of this profile, which gives `answer` when it is asked with READ:SPEC? or M.
fn instrument(profile: &str, answer: impl Into<Vec<u8>>) -> Arc<dyn Driver> {
    let answer = answer.into();
    let open = move || -> Result<Box<dyn Link>, Fault> {
        let answer = answer.clone();
        Ok(Box::new(Script::new(move |command| match command {
            b"*IDN?\n" => vec![Step::say("Made Up,LS-9,0815,1.0\n")],
            b"READ:SPEC?\n" | b"M\n" => vec![Step::Say(answer.clone())],
            b"SYST:ERR?\n" => vec![Step::say("+0,\"No error\"\n")],
            b"*OPC?\n" => vec![Step::say("1\n")],
            _ => Vec::new(),
        })))
    };
    let profile = load("p.toml", profile).unwrap_or_else(|problems| panic!("{problems}"));
    Arc::new(Profiled::new(profile, "script".to_owned(), open))
}

fn shipped_text() -> &'static str {
    shipped::text(Path::new("lab-spectroradiometer")).unwrap()
}

/// A profile with this table `[measure]`.
fn plain(measure: &str) -> String {
    format!(
        "[instrument]\nmodel = \"m\"\nunit = \"lx\"\n[line]\nsend_end = \"lf\"\nanswer_end = \"lf\"\n[measure]\nsend = \"M\"\n{measure}\n"
    )
}

async fn measured(driver: &Arc<dyn Driver>) -> Result<Sample, Fault> {
    driver.open(&clock()).await?.measure(Exposure::default()).await
}

async fn spectrum(driver: &Arc<dyn Driver>) -> Result<Spectrum, Fault> {
    match measured(driver).await?.seen {
        Seen::Spectrum(_, spectrum) => Ok(spectrum),
        Seen::Light(light) => panic!("{light:?}"),
    }
}

fn problems(measure: &str) -> String {
    load("p.toml", &plain(measure)).unwrap_err().to_string()
}

const GOOD: &str = "380 nm BY 4.0 nm AT 31.5 C\n1.0E+00,2.5E+00,-1.0E-03,0,7\n";

#[tokio::test(start_paused = true)]
async fn the_shipped_spectroradiometer_conforms_and_tells_its_wavelengths() {
    let driver = instrument(shipped_text(), GOOD);
    let report = conformance::check(&driver, &clock(), Zero::Covered).await;
    assert!(report.is_kept(), "{report}");
    let about = driver.open(&clock()).await.unwrap().describe().instrument.clone();
    assert_eq!((about.model.as_str(), about.kind), ("LS-9", Kind::Spectrometer));
    assert_eq!(about.quantities, [Quantity::Luminance, Quantity::Xyz, Quantity::Spectrum]);
    let sample = measured(&driver).await.unwrap();
    assert_eq!((sample.temperature_c, sample.integration_s), (Some(31.5), Some(0.5)));
    let Seen::Spectrum(Photometric::Luminance, spectrum) = sample.seen else { panic!("{sample:?}") };
    assert_eq!((spectrum.start_nm(), spectrum.step_nm()), (380.0, 4.0));
    assert_eq!(spectrum.values(), [1e-3, 2.5e-3, -1e-6, 0.0, 7e-3], "mW have become W");
}

#[tokio::test(start_paused = true)]
async fn values_come_a_line_each_or_several_lines_of_them_with_any_separator() {
    let one_a_line = "answer = ['^OK$', '^\\d+ nm\\s+(?<spectrum>\\S+)$', '^END$']\nspectrum = { start_nm = 400, step_nm = 10, lines = 4 }";
    let driver =
        instrument(&plain(one_a_line), "OK\n400 nm  0.5\n410 nm  1e-3\n420 nm  -0.25\n430 nm  4\nEND\n");
    let found = spectrum(&driver).await.unwrap();
    assert_eq!((found.start_nm(), found.end_nm()), (400.0, 430.0));
    assert_eq!(found.values(), [0.5, 1e-3, -0.25, 4.0]);
    let blanks = "answer = ['^(?<spectrum>.*)$', '^(?<spectrum>.*)$']\nspectrum = { start_nm = 400, step_nm = 10, separator = \" \" }";
    let driver = instrument(&plain(blanks), " 1  2\t3 \n4 5\n");
    assert_eq!(spectrum(&driver).await.unwrap().values(), [1.0, 2.0, 3.0, 4.0, 5.0]);
    let semicolons =
        "answer = '^S(?<spectrum>[^E]*)E$'\nspectrum = { start_nm = 400, step_nm = 10, separator = \";\" }";
    let driver = instrument(&plain(semicolons), "S1; 2 ;3E\n");
    assert_eq!(spectrum(&driver).await.unwrap().values(), [1.0, 2.0, 3.0]);
}

#[tokio::test(start_paused = true)]
async fn an_answer_that_is_no_whole_spectrum_is_garbled() {
    let measure = |more: &str| {
        plain(&format!("answer = '^(?<spectrum>.*)$'\nspectrum = {{ start_nm = 400, step_nm = 10{more} }}"))
    };
    let too_many = vec!["1"; MOST_VALUES + 1].join(",");
    let cases = [
        ("", "1,,2", "a value of the spectrum is no number"),
        ("", "1,nan,2", "a value of the spectrum is no number"),
        ("", "1,1e999,2", "a value of the spectrum is no number"),
        ("", "1", "no spectrum"),
        (", values = 3", "1,2", "has 2 values where 3 are expected"),
        (", scale = 1e12", "1e300,2", "no spectrum"),
        ("", too_many.as_str(), "more than 4096 values"),
    ];
    for (more, answer, expected) in cases {
        let fault = spectrum(&instrument(&measure(more), format!("{answer}\n"))).await.unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Garbled, "{fault}");
        assert!(fault.to_string().contains(expected), "{fault}");
    }
}

#[tokio::test(start_paused = true)]
async fn the_longest_line_is_as_long_as_its_profile_allows() {
    let measure = "answer = '^(?<spectrum>.*)$'\nspectrum = { start_nm = 400, step_nm = 0.25 }";
    let longest = vec!["-1.234567890123456E-003"; MOST_VALUES].join(",") + "\n";
    assert!(longest.len() > 90_000);
    assert_eq!(
        spectrum(&instrument(&plain(measure), longest.clone())).await.unwrap().values().len(),
        MOST_VALUES
    );
    let few = "answer = '^(?<spectrum>.*)$'\nspectrum = { start_nm = 400, step_nm = 10, values = 41 }";
    let fault = spectrum(&instrument(&plain(few), longest.trim_end())).await.unwrap_err();
    assert!(fault.to_string().contains(&format!("longer than {} bytes", 4096 + 41 * 32)), "{fault}");
    let none = instrument(&plain("answer = '^(?<Y>.*)$'"), longest.trim_end());
    let fault = measured(&none).await.unwrap_err();
    assert!(fault.to_string().contains("longer than 4096 bytes"), "{fault}");
}

#[test]
fn mistakes_are_told_with_what_is_expected() {
    let cases = [
        ("answer = '^(?<spectrum>.*)$'", "measure.spectrum: needs the key start_nm"),
        (
            "answer = '^(?<start_nm>.)(?<spectrum>.*)$'\nspectrum = { start_nm = 1000, step_nm = 1 }",
            "start_nm is both a key and a group",
        ),
        (
            "answer = '^(?<Y>.)$'\nspectrum = { start_nm = 380, step_nm = 1 }",
            "needs an answer with the named group spectrum",
        ),
        ("answer = '^(?<Y>.)(?<step_nm>.)$'", "the group \"step_nm\" needs the group spectrum"),
        ("answer = '^(?<Y>.)(?<spectrum>.)$'", "the group Y must not be there beside it"),
        (
            "answer = '^(?<spectrum>.)$'\nspectrum = { start_nm = 380, step_nm = 1, separator = \"0\", lines = 0, values = 5000, wide = 1 }",
            "separator: expected what stands between two values",
        ),
    ];
    for (measure, expected) in cases {
        assert!(problems(measure).contains(expected), "{expected}: {}", problems(measure));
    }
    let all = problems(cases[5].0);
    for expected in
        ["spectrum.lines: expected a whole number from 1 to 4096", "values: expected", "wide: unknown key"]
    {
        assert!(all.contains(expected), "{all}");
    }
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn whatever_an_instrument_says_no_value_is_made_up(bytes in proptest::collection::vec(prop_oneof![
        Just(b','), Just(b'\n'), Just(b'.'), Just(b'-'), Just(b'E'), b'0'..=b'9', any::<u8>(),
    ], 0..200)) {
        runtime().block_on(async {
            let measure = "answer = '(?<spectrum>.*)'\nspectrum = { start_nm = 400, step_nm = 10 }";
            if let Ok(spectrum) = spectrum(&instrument(&plain(measure), bytes.clone())).await {
                prop_assert!(spectrum.values().iter().all(|value| value.is_finite()));
                let commas = bytes.split(|byte| *byte == b'\n').next().unwrap().iter().filter(|byte| **byte == b',').count();
                prop_assert_eq!(spectrum.values().len(), commas + 1);
            }
            Ok(())
        })?;
    }

    #[test]
    fn what_is_said_is_what_is_read(
        values in proptest::collection::vec(proptest::num::f64::NORMAL | proptest::num::f64::ZERO, 2..80), per_line in 1_usize..9,
    ) {
        runtime().block_on(async {
            let lines: Vec<String> = values
                .chunks(per_line)
                .map(|chunk| chunk.iter().map(|value| format!("{value:e}")).collect::<Vec<_>>().join(","))
                .collect();
            let measure = format!(
                "answer = '^(?<spectrum>.*)$'\nspectrum = {{ start_nm = 400, step_nm = 2.5, lines = {}, values = {} }}",
                lines.len(), values.len(),
            );
            let driver = instrument(&plain(&measure), lines.join("\n") + "\n");
            let found = spectrum(&driver).await.unwrap();
            prop_assert_eq!(found.values(), &values);
            Ok(())
        })?;
    }
}
