//! Spectrometers from end to end: what is asked for is given, to whom it is given, and how it is labelled.

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};

/// A colorimeter with filter errors, and spectrometers at the same display: as usual, and by another observer.
const BENCH: &str = "[log]\npath = \"log.sqlite\"\n\
    [[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\nfilter_error = 0.02\n\
    cold = [0, 0]\ncold_white = [0, 0]\nsag = 0\nretention = 0\n\
    [[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\nlooks_at = \"bench\"\ninstant = true\nnoise = 0\n\
    dark_cd_m2 = 0\n\
    [[meter]]\nid = \"wide\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\nlooks_at = \"bench\"\ninstant = true\nstep_nm = 4\n\
    slit_nm = 4\nobserver = \"1964-10\"\nbandwidth_nm = 4\n";

fn bench() -> Daemon {
    let daemon = Daemon::start(BENCH);
    for meter in ["bench", "spectral", "wide"] {
        daemon.client().wait_for_state(meter, "ready");
    }
    daemon
}

fn said(daemon: &Daemon, arguments: &[&str]) -> String {
    let output = daemon.run_settle(arguments);
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn refused(daemon: &Daemon, arguments: &[&str]) -> String {
    let output = daemon.run_settle(arguments);
    assert!(!output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stdout));
    String::from_utf8(output.stderr).unwrap()
}

fn count(reading: &Value) -> usize {
    reading["spectrum"]["values"].as_array().map_or(0, Vec::len)
}

#[test]
fn a_spectrometer_and_a_colorimeter_look_at_one_display() {
    let daemon = bench();
    let mut client = daemon.client();
    // All three look at one display: nobody has to say which is meant.
    client.call("stage.show", &json!({"stimulus": {"colour": [1023, 1023, 1023]}}));
    said(&daemon, &["stage", "show", "--colour", "1023"]);
    let [filtered, spectral] =
        ["bench", "spectral"].map(|meter| client.call("meter.read", &json!({"meter": meter})));
    let luminance = |reading: &Value| reading["luminance_cd_m2"].as_f64().unwrap();
    // 300 cd/m² of D65: the spectrometer sees the truth, the colorimeter what its filters make of it.
    assert!((luminance(&spectral) / 300.0 - 1.0).abs() < 1e-9, "{spectral}");
    assert!((spectral["chromaticity"]["x"].as_f64().unwrap() - 0.3127).abs() < 1e-9);
    assert!((luminance(&filtered) / 300.0 - 1.0).abs() > 2e-3, "{filtered}");
    assert_eq!((count(&filtered), count(&spectral)), (0, 401));
    said(&daemon, &["stage", "show", "--meter", "wide", "--colour", "0,1023,0"]);
    let green = client.call("meter.read", &json!({"meter": "spectral"}));
    let colour = |member: &str| green["chromaticity"][member].as_f64().unwrap();
    assert!((colour("x") - 0.30).abs() < 0.001 && (colour("y") - 0.60).abs() < 0.001, "{green}");
    assert_eq!(green["flags"], json!(["simulated"]));
}

#[test]
fn spectra_go_to_those_who_ask_for_them() {
    let daemon = bench();
    let (mut client, mut lean, mut whole) = (daemon.client(), daemon.client(), daemon.client());
    lean.call("meter.observe", &json!({"meter": "spectral"}));
    whole.call("meter.observe", &json!({"meter": "spectral", "spectra": true}));
    let read = client.call("meter.read", &json!({"meter": "spectral"}));
    let with = whole.notice("reading")["reading"].clone();
    assert_eq!(with, read);
    let mut without = lean.notice("reading")["reading"].clone();
    assert_eq!(count(&without), 0);
    without["spectrum"] = read["spectrum"].clone();
    assert_eq!(without, read, "all else is the same");
    for (spectra, expected) in [(true, 401), (false, 0)] {
        let page = client.call("log.readings", &json!({"meter": "spectral", "spectra": spectra}));
        assert_eq!(count(&page["readings"][0]), expected);
        let mut later = daemon.client();
        later.call("meter.observe", &json!({"meter": "spectral", "after": 0, "spectra": spectra}));
        assert_eq!(count(&later.notice("reading")["reading"]), expected);
    }
    let page = client.call("log.readings", &json!({"meter": "spectral", "spectra": true}));
    assert_eq!(page["readings"][0], read, "the log has it to the last digit");
}

#[test]
fn a_page_of_spectra_is_a_line_that_a_client_may_take() {
    let daemon = bench();
    let mut client = daemon.client();
    client.call("meter.observe", &json!({"meter": "spectral", "interval_s": 0}));
    for _ in 0..120 {
        client.notice("reading");
    }
    let page = client.call("log.readings", &json!({"meter": "spectral", "spectra": true}));
    let found = page["readings"].as_array().unwrap().len();
    assert!((80..120).contains(&found) && page.to_string().len() < 1 << 20, "{found}");
    assert_eq!(page["next"], page["readings"][found - 1]["sequence"]);
    let exported = said(&daemon, &["--json", "log", "readings", "--meter", "spectral", "--limit", "110"]);
    let sequences: Vec<u64> = exported
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap()["sequence"].as_u64().unwrap())
        .collect();
    assert!(
        sequences.len() == 110 && sequences.windows(2).all(|pair| pair[0] + 1 == pair[1]),
        "{sequences:?}"
    );
}

#[test]
fn readings_by_another_observer_say_so_wherever_they_go() {
    let daemon = bench();
    let mut client = daemon.client();
    let read = client.call("meter.read", &json!({"meter": "wide"}));
    assert_eq!((&read["observer"], &read["bandwidth_nm"]), (&json!("1964-10"), &json!(4.0)));
    assert!(client.call("meter.read", &json!({"meter": "spectral"})).get("observer").is_none());
    let logged = client.call("log.readings", &json!({"meter": "wide"}))["readings"][0].clone();
    assert_eq!((&logged["observer"], &logged["bandwidth_nm"]), (&json!("1964-10"), &json!(4.0)));
    let criteria = json!({"luminance": 0.2, "chromaticity": 0.02, "hold_s": 1});
    let settled = client.call("meter.settle", &json!({"meter": "wide", "criteria": criteria}));
    assert_eq!((&settled["observer"], &settled["bandwidth_nm"]), (&json!("1964-10"), &json!(4.0)));
    assert!(
        said(&daemon, &["log", "readings", "--csv", "--meter", "wide"])
            .lines()
            .nth(1)
            .unwrap()
            .ends_with(",1964-10,4,,")
    );
    for arguments in [
        ["read", "wide"].as_slice(),
        &["log", "readings", "--meter", "wide", "--limit", "1"],
        &["observe", "wide", "--interval", "0", "--count", "1"],
        &["read", "wide", "--settled", "--hold", "1s", "--luminance", "20%", "--chromaticity", "0.02"],
    ] {
        let words = said(&daemon, arguments);
        assert!(words.contains("CIE 1964, 10°"), "{arguments:?}: {words}");
    }
}

#[test]
fn settle_shows_a_spectrum_and_writes_it() {
    let daemon = bench();
    let meters = said(&daemon, &["meters"]);
    assert!(meters.contains("spectrometer, serial"), "{meters}");
    assert_eq!(
        (meters.matches("CIE 1964, 10°").count(), meters.matches("corrected for 4 nm").count()),
        (1, 1),
        "{meters}"
    );
    let words = said(&daemon, &["read", "spectral"]);
    for expected in
        ["380 to 780 nm by 1 nm", "631.0 nm (6.0 nm wide)", "459.0 nm (18.0 nm wide)", "W/(m²·sr)"]
    {
        assert!(words.contains(expected), "{expected}: {words}");
    }
    assert!(!words.contains('│'), "a pipe gets no curve: {words}");
    let columns = said(&daemon, &["read", "spectral", "--spectrum"]);
    let lines: Vec<&str> = columns.lines().collect();
    assert_eq!((lines.len(), lines[0]), (402, "wavelength_nm,radiance_W_sr-1_m-2_nm-1"));
    let read: Value = serde_json::from_str(&said(&daemon, &["--json", "read", "spectral"])).unwrap();
    let value = |line: &str| line.split(',').nth(1).unwrap().parse::<f64>().unwrap();
    // Nothing moves and nothing is noise: two readings have one spectrum.
    assert_eq!(value(lines[252]), read["spectrum"]["values"][251].as_f64().unwrap());
    assert!(refused(&daemon, &["read", "bench", "--spectrum"]).contains("bench gives no spectra"));
    said(&daemon, &["read", "wide"]);
    let table = said(&daemon, &["log", "readings", "--csv", "--spectra", "--meter", "spectral"]);
    assert!(table.lines().next().unwrap().ends_with(",779 nm,780 nm"));
    assert_eq!(table.lines().nth(1).unwrap().split(',').count(), 21 + 401);
    assert!(
        refused(&daemon, &["log", "readings", "--csv", "--spectra"])
            .contains("one table has one set of wavelengths")
    );
    assert!(
        refused(&daemon, &["log", "readings", "--csv", "--spectra", "--meter", "bench"]).contains("--meter")
    );
}

#[test]
fn the_spectrum_of_settled_light_is_the_mean_of_those_that_were_judged() {
    let config = "[[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\ndisplay = \"backlit\"\ncold = [0, 0]\n\
        cold_white = [0, 0]\nsag = 0\nretention = 0\nintegration_s = [0.02, 1]\nautomatic_s = 0.02\n";
    let arguments = [
        "read",
        "spectral",
        "--settled",
        "--spectrum",
        "--hold",
        "1s",
        "--luminance",
        "20%",
        "--chromaticity",
        "0.02",
    ];
    let daemon = Daemon::start(&format!("[log]\npath = \"log.sqlite\"\n{config}"));
    daemon.client().wait_for_state("spectral", "ready");
    let words = said(&daemon, &arguments);
    let (comment, columns) = words.split_once('\n').unwrap();
    let numbers: Vec<u64> =
        comment.split(|c: char| !c.is_ascii_digit()).filter_map(|n| n.parse().ok()).collect();
    let &[count, first, last, ..] = numbers.as_slice() else { panic!("{comment}") };
    assert!(
        comment.starts_with("# spectral: settled; the mean of the spectra of ") && count > 4,
        "{comment}"
    );
    // Nobody else read: those that were averaged are a stretch of the log.
    assert_eq!(count, last - first + 1, "{comment}");
    let page =
        daemon.client().call("log.readings", &json!({"after": first - 1, "limit": count, "spectra": true}));
    let readings = page["readings"].as_array().unwrap();
    let mean = readings.iter().map(|it| it["spectrum"]["values"][251].as_f64().unwrap()).sum::<f64>()
        / readings.len() as f64;
    let written: f64 = columns.lines().nth(252).unwrap().strip_prefix("631,").unwrap().parse().unwrap();
    assert!(readings.len() as u64 == count && (written / mean - 1.0).abs() < 1e-12, "{written} {mean}");
    let exported = said(&daemon, &["log", "readings", "--json", "--spectra", "--limit", "1"]);
    assert!(exported.contains("\"spectrum\""), "{exported}");
    assert!(refused(&daemon, &["log", "readings", "--spectra"]).contains("--csv or --json"));
    let unlogged = Daemon::start(&format!("[log]\npath = \"off\"\n{config}"));
    unlogged.client().wait_for_state("spectral", "ready");
    let words = refused(&unlogged, &arguments);
    assert!(words.contains("a settled spectrum is made from the log: the log is off"), "{words}");
}

#[test]
fn settle_assess_reads_what_was_exported_with_spectra() {
    let daemon = bench();
    for _ in 0..5 {
        daemon.client().call("meter.read", &json!({"meter": "spectral"}));
    }
    let json = said(&daemon, &["--json", "log", "readings", "--meter", "spectral"]);
    assert!(json.contains("\"spectrum\""));
    let csv = said(&daemon, &["log", "readings", "--csv", "--spectra", "--meter", "spectral"]);
    for (name, text) in [("night.json", json), ("night.csv", csv)] {
        std::fs::write(daemon.path(name), text).unwrap();
        let output = daemon.run_settle(&["--json", "assess", daemon.path(name).to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(3), "{name}: {}", String::from_utf8_lossy(&output.stderr));
        let decided: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!((&decided["id"], &decided["n"]), (&json!("spectral"), &json!(5)), "{name}: {decided}");
    }
}

#[test]
fn a_bandwidth_that_does_not_suit_is_refused_and_a_colorimeter_is_told_that_it_means_nothing() {
    let unsuited = Daemon::configured(
        "[[meter]]\nid = \"a\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\ndisplay = \"backlit\"\nstep_nm = 4\nbandwidth_nm = 5\n",
    );
    let output = unsuited.command().arg("--check").output().unwrap();
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(
        !output.status.success()
            && words.contains("a bandwidth of 5 nm can't be corrected for in a spectrum with a step of 4 nm"),
        "{words}"
    );
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"b\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nobserver = \"2015-2\"\n",
    );
    let mut client = daemon.client();
    client.wait_for_state("b", "ready");
    wait_until("the event is in the log", || {
        let page = client.call("log.events", &json!({"meter": "b"}));
        page.to_string().contains("observer and bandwidth_nm of its config mean nothing")
    });
    assert_eq!(client.call("meters.list", &json!({}))["meters"][0]["faults"], 0);
}

/// Near black a spectrum is noise: it has an amount, and neither a colour nor peaks.
#[test]
fn near_black_a_spectrometer_gives_neither_a_colour_nor_peaks() {
    let daemon = Daemon::start(
        "[[meter]]\nid = \"s\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\ndisplay = \"self-emitting\"\ninstant = true\n",
    );
    daemon.client().wait_for_state("s", "ready");
    let white = said(&daemon, &["read", "s"]);
    assert!(white.contains("colour") && white.contains("peaks"), "{white}");
    said(&daemon, &["stage", "show", "--colour", "0"]);
    let black = said(&daemon, &["read", "s"]);
    assert!(!black.contains("colour") && !black.contains("peak") && black.contains("radiance"), "{black}");
}
