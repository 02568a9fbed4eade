//! `settle correct derive`, as a person or a script uses it.

use std::process::{Output, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};

/// Two steady displays that are alike, a colorimeter whose filters are some per cent off, and one that is true.
fn bench(more: &str) -> Daemon {
    let meter = |id: &str, seed: u32, error: f64| {
        format!(
            "[[meter]]\nid = \"{id}\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nseed = {seed}\nfilter_error = {error}\ncold = [0, 0]\n\
             cold_white = [0, 0]\nsag = 0\nretention = 0\ndark_cd_m2 = 0\nnoise = 0.2\n{more}"
        )
    };
    let config = format!(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 200\n{}{}",
        meter("colorimeter", 3, 0.02),
        meter("truth", 4, 0.0)
    );
    let daemon = Daemon::start(&config);
    for id in ["colorimeter", "truth"] {
        daemon.client().wait_for_state(id, "ready");
    }
    daemon
}

fn object(output: &Output) -> Value {
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout.clone()).unwrap();
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// Δu′v′ between the two meters on a colour that no correction was made from.
fn apart(daemon: &Daemon) -> f64 {
    let mut client = daemon.client();
    let uv = ["colorimeter", "truth"].map(|meter| {
        client.call("stage.show", &json!({"meter": meter, "stimulus": {"colour": [700, 850, 400]}}));
        let reading = client.call("meter.read", &json!({"meter": meter}));
        ["u_prime", "v_prime"].map(|member| reading["chromaticity"][member].as_f64().unwrap())
    });
    (uv[0][0] - uv[1][0]).hypot(uv[0][1] - uv[1][1])
}

#[test]
fn the_corrected_meter_agrees_with_its_reference_by_either_method_both_at_once_or_one_after_the_other() {
    for (method, more) in [
        ("four-colour", ["--colours", "grey"].as_slice()),
        ("least-squares", &[]),
        ("four-colour", &["--one-at-a-time", "--colours", "skin=840,600,500"]),
    ] {
        let daemon = bench("");
        let before = apart(&daemon);
        let mut arguments = vec![
            "--json",
            "correct",
            "derive",
            "colorimeter",
            "--reference",
            "truth",
            "--method",
            method,
            "--display",
            "Field monitor 4",
            "--yes",
            "--quiet",
        ];
        arguments.extend(more);
        let result = object(&daemon.run_settle(&arguments));
        assert_eq!((&result["in_force"], &result["durable"]), (&json!(true), &json!(true)));
        let correction = &result["correction"];
        assert_eq!(
            (&correction["simulated"], &correction["display"]),
            (&json!(true), &json!("Field monitor 4"))
        );
        let residuals = &correction["residuals"];
        let mean = |of: &str| residuals[of]["mean"]["duv_prime"].as_f64().unwrap();
        assert!(mean("unseen") < 0.05 * mean("before"), "{method}: {residuals}");
        assert_eq!(residuals["worse"], json!([]));
        assert!(result["white_drift"].as_array().unwrap().iter().all(|drift| drift["too_far"] == false));
        let after = apart(&daemon);
        assert!(before > 0.005 && after < 0.1 * before, "{method}: {before} became {after}");
    }
}

#[test]
fn a_meter_that_has_a_correction_can_be_given_another_without_taking_it_out_of_force() {
    let daemon = bench("");
    let derive = |answer: &str| {
        let arguments = ["correct", "derive", "colorimeter", "--reference", "truth", "--quiet"];
        let output = daemon.run_settle_told(&arguments, answer);
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8([output.stdout, output.stderr].concat()).unwrap()
    };
    let words = derive("y\n");
    assert!(words.contains("Use c1 on colorimeter") && words.contains("largest"), "{words}");
    let words = derive("no\n");
    assert!(words.contains("c2 is kept and not in force"), "{words}");
    let mut client = daemon.client();
    assert_eq!(client.call("meter.read", &json!({"meter": "colorimeter"}))["correction"], "c1");
    let list = client.call("corrections.list", &json!({}))["corrections"].clone();
    let matrix = |index: usize| -> Vec<f64> {
        let rows: [[f64; 3]; 3] = serde_json::from_value(list[index]["matrix"].clone()).unwrap();
        rows.as_flattened().to_vec()
    };
    let apart = matrix(0).iter().zip(matrix(1)).fold(0.0, |far: f64, (a, b)| far.max((a - b).abs()));
    assert!(apart < 0.005, "what went through c1 was taken for what the meter saw: {list}");
    let unseen = list[0]["residuals"].get("unseen");
    assert!(unseen.is_none(), "four colours alone check nothing: {list}");
}

#[test]
fn light_that_does_not_settle_makes_no_correction_and_ends_with_3() {
    // A panel that creeps: far from settled within the longest wait.
    let daemon = bench("creep = [-0.3, 0]\ncreep_s = [3000, 60]\n");
    let output = daemon.run_settle(&[
        "correct",
        "derive",
        "colorimeter",
        "--reference",
        "truth",
        "--yes",
        "--max-wait",
        "120s",
    ]);
    let words = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{words}");
    assert!(words.contains("white did not settle for"), "{words}");
    assert_eq!(daemon.client().call("corrections.list", &json!({}))["corrections"], json!([]));
}

/// The colour that a simulated display shows.
fn shown(daemon: &Daemon, meter: &str) -> Value {
    let params = json!({"meter": meter, "stimulus": {"colour": [0, 0, 0]}});
    daemon.client().call("stage.show", &params)["before"]["colour"].clone()
}

#[test]
fn what_no_sane_pair_of_meters_gives_is_kept_and_not_put_in_force_unasked() {
    // The reference looks at another display, which is far brighter.
    let daemon = on_one_display(
        "[[meter]]\nid = \"elsewhere\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\npeak_cd_m2 = 300\n",
    );
    daemon.client().wait_for_state("elsewhere", "ready");
    let derive = |more: &[&str], answer: &str| {
        let arguments = ["correct", "derive", "colorimeter", "--reference", "elsewhere", "--hold", "2s"];
        let output = daemon.run_settle_told(&[arguments.as_slice(), more].concat(), answer);
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    let mut client = daemon.client();
    let mut in_force = || client.call("meters.list", &json!({}))["meters"][0]["correction"]["id"].clone();
    let (status, words) = derive(&["--yes"], "");
    assert_eq!((status, in_force()), (Some(1), Value::Null), "{words}");
    let warning = words.find("warning: the meters' luminances of white differ by +1").unwrap();
    assert!(words[warning..].contains("c1 is kept and not in force, because of the warning"), "{words}");
    assert!(words[warning..].contains("settle correct use colorimeter c1"), "{words}");
    assert!(words.contains("colour 2 of 5: red; some "), "{words}");
    // Who is asked may know better; so may who says so beforehand.
    let (status, words) = derive(&["--quiet"], "y\n");
    assert_eq!((status, in_force()), (Some(0), json!("c2")), "{words}");
    let warning = words.rfind("warning: ").unwrap();
    assert_eq!(words[warning..].lines().nth(1), Some("Use c2 on colorimeter from now on? [y/N]"), "{words}");
    let (status, words) = derive(&["--quiet", "--yes", "--despite-warnings"], "");
    assert_eq!((status, in_force()), (Some(0), json!("c3")), "{words}");
}

#[test]
fn a_simulated_display_shows_what_it_showed_before_when_all_is_done() {
    let daemon = on_one_display("");
    let stimulus = json!({"colour": [300, 200, 100]});
    daemon.client().call("stage.show", &json!({"meter": "colorimeter", "stimulus": stimulus}));
    let arguments = ["correct", "derive", "colorimeter", "--reference", "spectral", "--yes", "--hold", "2s"];
    let output = daemon.run_settle(&arguments);
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success() && words.contains("shows again what it showed before"), "{words}");
    assert_eq!(shown(&daemon, "spectral"), json!([300, 200, 100]));
}

#[test]
fn ctrl_c_leaves_no_correction_and_no_request() {
    let daemon = bench("");
    let mut child = daemon
        .settle(&[
            "--json",
            "correct",
            "derive",
            "colorimeter",
            "--reference",
            "truth",
            "--yes",
            "--hold",
            "1h",
            "--max-wait",
            "2h",
        ])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut client = daemon.client();
    wait_until("both meters are at it", || {
        client.exposures("colorimeter") > 3 && client.exposures("truth") > 3
    });
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    for meter in ["colorimeter", "truth"] {
        assert_eq!(shown(&daemon, meter), json!([1023, 1023, 1023]), "as at first");
    }
    assert_eq!(client.call("corrections.list", &json!({}))["corrections"], json!([]));
    client.wait_for_state("colorimeter", "ready");
    client.wait_for_state("truth", "ready");
}

#[test]
fn what_can_not_be_derived_is_refused_before_anything_is_shown() {
    let daemon = bench("");
    let cases: [(&[&str], i32, &str); 6] = [
        (
            &["colorimeter", "--reference", "truth", "--method", "least-squares", "--colours", "grey", "red"],
            2,
            "three independent colours are needed",
        ),
        (&["colorimeter", "--reference", "colorimeter"], 2, "its own reference"),
        (&["colorimeter", "--reference", "nope"], 2, "there are: colorimeter, truth"),
        (&["colorimeter", "--reference", "truth", "--colours", "puce"], 2, "white, red, green"),
        (
            &["colorimeter", "--reference", "truth", "--method", "least-squares", "--colours", "red"],
            2,
            "not 2",
        ),
        (&["colorimeter", "--reference", "truth", "--hold", "2h"], 2, "--max-wait"),
    ];
    for (arguments, status, expected) in cases {
        let output = daemon.run_settle(&[&["correct", "derive"], arguments].concat());
        let words = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(status), "{arguments:?}: {words}");
        assert!(words.contains(expected), "{arguments:?}: {words}");
    }
    assert!(!daemon.client().events("colorimeter").contains(&"stage_shown".to_owned()));
}

#[test]
fn a_correction_goes_from_one_daemon_to_another_and_knows_its_meter_again() {
    let (one, other) = (bench(""), bench(""));
    let derive = ["--json", "correct", "derive", "colorimeter", "--reference", "truth", "--yes", "--quiet"];
    let made = object(&one.run_settle(&derive))["correction"].clone();
    let exported = one.run_settle(&["correct", "export", "c1"]).stdout;
    std::fs::write(other.path("correction.json"), &exported).unwrap();
    let file = other.path("correction.json");
    let imported = object(&other.run_settle(&["--json", "correct", "import", file.to_str().unwrap()]));
    for member in ["name", "method", "meter", "reference", "at", "simulated"] {
        assert_eq!(imported["correction"][member], made[member], "{member}");
    }
    let imported = other.run_settle(&["correct", "import", file.to_str().unwrap()]);
    let words = String::from_utf8(imported.stderr).unwrap();
    assert!(words.contains("settle correct use colorimeter c2"), "{words}");
    let used = object(&other.run_settle(&["--json", "correct", "use", "colorimeter", "c1"]));
    assert_eq!((&used["correction"]["applied"], &used["correction"]["warnings"]), (&json!(true), &json!([])));
    // It is for the colorimeter alone.
    let output = other.run_settle(&["correct", "use", "truth", "c1"]);
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.code() == Some(1) && words.contains("not the meter that is attached"), "{words}");
    let removed = other.run_settle(&["correct", "remove", "c1"]);
    assert_eq!(removed.status.code(), Some(1));
    assert!(other.run_settle(&["correct", "use", "colorimeter", "none"]).status.success());
    assert!(other.run_settle(&["correct", "remove", "c1"]).status.success());
    std::fs::write(&file, "{}").unwrap();
    let output = other.run_settle(&["--json", "correct", "import", file.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
}

/// A colorimeter with a large filter error and a spectrometer that is true, in front of one display that is steady and without noise.
fn on_one_display(more: &str) -> Daemon {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 200\n[[meter]]\nid = \"colorimeter\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\n\
         seed = 3\nfilter_error = 0.02\ncold = [0, 0]\ncold_white = [0, 0]\ncreep = [0, 0]\nsag = 0\nretention = 0\ndark_cd_m2 = 0\nnoise = 0\n\
         [[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\nlooks_at = \"colorimeter\"\nnoise = 0\ndark_cd_m2 = 0\n{more}"
    ));
    for id in ["colorimeter", "spectral"] {
        daemon.client().wait_for_state(id, "ready");
    }
    daemon
}

#[test]
fn a_colorimeter_that_is_corrected_by_a_spectrometer_on_one_display_tells_the_truth_a_thousand_times_better()
{
    let daemon = on_one_display("");
    let mut client = daemon.client();
    let mut far = || -> Vec<f64> {
        let colours = [[1023, 1023, 1023], [700, 850, 400], [300, 300, 300], [1023, 200, 200]];
        let read = |client: &mut crate::support::client::Client, meter: &str| -> [f64; 3] {
            let reading = client.call("meter.read", &json!({"meter": meter}));
            serde_json::from_value(reading["xyz"].clone()).unwrap()
        };
        let apart = |colour: [u16; 3]| {
            client.call("stage.show", &json!({"meter": "spectral", "stimulus": {"colour": colour}}));
            let (seen, truth) = (read(&mut client, "colorimeter"), read(&mut client, "spectral"));
            seen.iter().zip(truth).fold(0.0, |far: f64, (a, b)| far.max((a / b - 1.0).abs()))
        };
        colours.map(apart).into()
    };
    let before = far();
    let arguments =
        ["--json", "correct", "derive", "colorimeter", "--reference", "spectral", "--yes", "--quiet"];
    let result = object(&daemon.run_settle(&arguments));
    let after = far();
    for (before, after) in before.iter().zip(&after) {
        assert!(*before > 0.005 && after * 1000.0 < *before, "{before} became {after}: {result}");
    }
    assert_eq!(result["correction"]["reference"]["id"], "spectral");
    let mut client = daemon.client();
    assert_eq!(client.call("meter.read", &json!({"meter": "spectral"})).get("correction"), None);
}

#[test]
fn a_spectrometer_is_not_corrected_and_one_of_another_observer_is_no_reference() {
    let daemon = on_one_display("observer = \"1964-10\"\n");
    let arguments = ["correct", "derive", "colorimeter", "--reference", "spectral", "--yes", "--quiet"];
    let output = daemon.run_settle(&arguments);
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.code() == Some(2) && words.contains("1964-10"), "{words}");
    let mut client = daemon.client();
    let matrix = [[1, 0, 0], [0, 1, 0], [0, 0, 1]];
    let mut new = json!({"name": "none", "method": "given", "matrix": matrix, "meter": {"id": "spectral"}});
    assert_eq!(client.refusal("corrections.add", &new), "unsupported");
    new["meter"]["id"] = json!("colorimeter");
    let id = client.call("corrections.add", &new)["correction"]["id"].clone();
    let params = json!({"meter": "spectral", "correction": id});
    assert_eq!(client.refusal("meter.correct", &params), "unsupported");
    let output = daemon.run_settle(&["correct", "derive", "spectral", "--reference", "colorimeter"]);
    assert_eq!(output.status.code(), Some(2));
}
