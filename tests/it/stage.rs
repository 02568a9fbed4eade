//! What a simulated display shows, and that no reading shows light from before it was asked for.

use serde_json::json;
use settle::connection::Connection;
use settle::review::patch::{Coding, Patch};
use settle::stimulus::Screen;
use settle::stimulus::stage::Stage;
use settled_protocol::stage::Range;

use crate::support::daemon::Daemon;

const STEADY: &str = "display = \"self-emitting\"\nintegration_s = [0.02, 0.05]\nautomatic_s = 0.05\ncold = [0, 0]\n\
    cold_white = [0, 0]\ncreep = [0, 0]\nsag = 0\nretention = 0\nnoise = 0\nfilter_error = 0\ndark_cd_m2 = 0\n";

#[test]
fn a_reading_after_a_change_of_stimulus_is_never_light_from_before() {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n{STEADY}"
    ));
    let (mut client, mut other) = (daemon.client(), daemon.client());
    // Somebody else keeps the meter busy all the time, so that an exposure is always going on.
    other.call("meter.observe", &json!({"meter": "m", "interval_s": 0}));
    let mut levels = std::collections::BTreeSet::new();
    for round in 0..30_u16 {
        let code = 300 + 20 * (round % 7);
        let shown = client.call("stage.show", &json!({"stimulus": {"colour": [code, code, code]}}));
        let reading = client.call("meter.read", &json!({"meter": "m"}));
        assert!(
            reading["began_s"].as_f64().unwrap() >= shown["t_s"].as_f64().unwrap(),
            "{reading} after {shown}"
        );
        // ITU-R BT.1886 with a black of 0: L = 800·V^2.4.
        let expected = 800.0 * (f64::from(code) / 1023.0).powf(2.4);
        let found = reading["luminance_cd_m2"].as_f64().unwrap();
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} is not {expected}");
        levels.insert(code);
    }
    assert_eq!(levels.len(), 7);
}

#[test]
fn a_stage_must_be_there_and_meant() {
    let two = format!(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"a\"\ndriver = \"simulated\"\n{STEADY}[[meter]]\nid = \"b\"\ndriver = \"simulated\"\n{STEADY}\
        [[meter]]\nid = \"real\"\ndriver = \"profile\"\nprofile = \"bench-luminance\"\nport = \"/nonexistent\"\n"
    );
    let daemon = Daemon::start(&two);
    let mut client = daemon.client();
    let stimulus = json!({"colour": [512, 512, 512]});
    assert_eq!(client.refusal("stage.show", &json!({"stimulus": stimulus})), "invalid_params");
    assert_eq!(client.refusal("stage.show", &json!({"meter": "real", "stimulus": stimulus})), "unsupported");
    assert_eq!(
        client.refusal("stage.show", &json!({"meter": "nope", "stimulus": stimulus})),
        "no_such_meter"
    );
    let before = client.call("meter.read", &json!({"meter": "b"}));
    assert_eq!(client.call("stage.show", &json!({"meter": "a", "stimulus": stimulus}))["meter"], "a");
    let after = client.call("meter.read", &json!({"meter": "b"}));
    assert_eq!(before["luminance_cd_m2"], after["luminance_cd_m2"]);
}

#[test]
fn what_is_simulated_says_so_everywhere() {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n{STEADY}"
    ));
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let meter = client.call("meters.list", &json!({}))["meters"][0].clone();
    assert_eq!(meter["simulated"], true);
    assert!(meter["instrument"]["model"].as_str().unwrap().contains("simulated"));
    for arguments in [
        ["read", "m"].as_slice(),
        &["meters"],
        &["observe", "m", "--interval", "0", "--count", "1"],
        &["log", "readings"],
    ] {
        let output = daemon.run_settle(arguments);
        let words = String::from_utf8(output.stdout).unwrap();
        assert!(words.contains("SIMULATED"), "{arguments:?}: {words}");
    }
    let settled = daemon.run_settle(&["read", "--settled", "--hold", "1s"]);
    assert!(String::from_utf8(settled.stdout).unwrap().contains("SIMULATED"));
}

#[test]
fn a_stage_is_shown_stimuli_under_its_lease_and_shows_again_what_it_showed_before() {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n{STEADY}"
    ));
    let mut client = daemon.client();
    let before =
        json!({"colour": [100, 200, 300], "background": [7, 8, 9], "bits": 10, "window_percent": 3.0});
    client.call("stage.show", &json!({"stimulus": before}));
    let lease = client.call("meter.lease", &json!({"meter": "m"}))["lease"].as_str().unwrap().to_owned();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let connection = runtime.block_on(Connection::open(&daemon.socket())).unwrap();
    let (coding, name) = (Coding { bits: 10, range: Range::Full }, "grey 50 %".to_owned());
    let patch = Patch { name, codes: [512; 3], background: [0; 3], window_percent: 10.0 };
    let refused =
        runtime.block_on(Stage::new(&connection, "m", None).show(&patch, coding)).unwrap_err().to_string();
    assert!(refused.contains("of m does not show grey 50 %"), "{refused}");
    let mut stage = Stage::new(&connection, "m", Some(lease.clone()));
    for code in [1023, 512] {
        let patch = Patch { codes: [code; 3], ..patch.clone() };
        runtime.block_on(stage.show(&patch, coding)).unwrap();
        let reading = client.call("meter.read", &json!({"meter": "m", "lease": lease}));
        // ITU-R BT.1886 with a black of 0: L = 800·V^2.4.
        let expected = 800.0 * (f64::from(code) / 1023.0).powf(2.4);
        let found = reading["luminance_cd_m2"].as_f64().unwrap();
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} is not {expected}");
    }
    runtime.block_on(stage.end());
    let shown = client.call("stage.show", &json!({"stimulus": {"colour": [0, 0, 0]}, "lease": lease}));
    assert_eq!(shown["before"], before);
}
