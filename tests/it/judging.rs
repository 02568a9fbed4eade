//! Who decides, who moves, and how long to expose: the sides of a settled reading beside the trend itself.

use serde_json::{Value, json};

use crate::settled::on_the_bench;
use crate::support::daemon::Daemon;

/// An hour in six seconds.
const QUICK: &str = "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 600\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n\
    display = \"self-emitting\"\nautomatic_s = 2\nintegration_s = [0.1, 5]\n";

fn settle(daemon: &Daemon, arguments: &[&str]) -> (Option<i32>, Value) {
    let arguments = [&["--json", "read", "--settled", "--quiet"], arguments].concat();
    let output = daemon.run_settle(&arguments);
    let text = if output.stdout.is_empty() { &output.stderr } else { &output.stdout };
    (output.status.code(), serde_json::from_slice(text).unwrap_or_default())
}

#[test]
fn a_published_rule_decides_and_the_trend_stands_beside_it() {
    let daemon = Daemon::start(&format!("{QUICK}warm_up = \"1s\"\n"));
    let (status, settled) = settle(&daemon, &["--preset", "cie-s-025", "--max-wait", "2h"]);
    assert_eq!((status, settled["verdict"].as_str()), (Some(0), Some("settled")), "{settled}");
    let compared = &settled["evidence"]["compared"];
    assert_eq!(settled["evidence"]["rule"], "cie_s_025");
    assert!(settled["waited_s"].as_f64().unwrap() >= 1800.0);
    assert!(compared["variation"].as_f64().unwrap() < 0.005 && compared["over_s"].as_f64().unwrap() >= 900.0);
    assert!(compared["trend_settled_s"].as_f64().unwrap() < 1800.0, "{settled}");
    let message = settled["message"].as_str().unwrap();
    assert!(message.starts_with("Settled by CIE S 025") && message.contains("By its trend"), "{message}");
}

#[test]
fn a_rule_that_is_not_met_ends_in_time_and_one_that_cannot_be_met_is_refused() {
    // A display that takes hours to warm up.
    let daemon = Daemon::start(&format!("{QUICK}cold = [-0.1, -0.2]\ncold_s = [900, 3600]\n"));
    let (status, settled) = settle(&daemon, &["--preset", "cie_s_025", "--max-wait", "31min"]);
    assert_eq!(status, Some(3), "{settled}");
    assert_eq!(settled["evidence"]["failing"], json!(["variation"]));
    let (status, error) = settle(&daemon, &["--preset", "ies_lm_79", "--max-wait", "10min"]);
    assert_eq!(status, Some(2));
    assert!(error.to_string().contains("IES LM-79 takes 31 min"), "{error}");
    let (status, error) = settle(&daemon, &["--preset", "nonsense"]);
    assert_eq!(status, Some(2));
    assert!(error.to_string().contains("cie_s_025"), "{error}");
    let params = json!({"meter": "m", "criteria": {"preset": "cie_s_025", "max_wait_s": 600}});
    assert_eq!(daemon.client().refusal("meter.settle", &params), "invalid_params");
}

#[test]
fn dark_readings_tell_that_it_is_the_meter_that_moves() {
    // A display that stands still, and a meter whose zero drifts as it warms up: by bands within a minute.
    let still = "cold = [0, 0]\ncold_white = [0, 0]\ncreep = [0, 0]\nsag = 0\nretention = 0\npeak_cd_m2 = 100\ndark_cd_m2 = 10\nnoise = 0.1\n";
    let daemon = Daemon::start(
        &QUICK
            .replace("speed = 600", "speed = 60")
            .replace("automatic_s = 2", &format!("automatic_s = 2\n{still}")),
    );
    let mut client = daemon.client();
    // What a covered aperture sees: nothing.
    client.call("stage.show", &json!({"stimulus": {"colour": [0, 0, 0]}}));
    for _ in 0..4 {
        let dark = client.call("meter.read", &json!({"meter": "m", "covered": true, "integration_s": 5}));
        assert!(dark["flags"].as_array().unwrap().contains(&json!("dark")), "{dark}");
        let t_s = dark["t_s"].as_f64().unwrap();
        // The next is half a minute later, on the daemon's clock.
        while client.call("meter.read", &json!({"meter": "m"}))["t_s"].as_f64().unwrap() < t_s + 30.0 {}
    }
    client.call("stage.show", &json!({"stimulus": {"colour": [1023, 1023, 1023]}}));
    let (status, settled) = settle(&daemon, &["--max-wait", "70s", "--luminance", "0.2%"]);
    assert_eq!(status, Some(3), "{settled}");
    assert_eq!(settled["evidence"]["moves"]["who"], "meter", "{settled}");
    assert!(settled["message"].as_str().unwrap().contains("It is the meter that moves"), "{settled}");
    // They are in the log, as what they are.
    let output = daemon.run_settle(&["--json", "log", "readings"]);
    let darks =
        String::from_utf8(output.stdout).unwrap().lines().filter(|line| line.contains("\"dark\"")).count();
    assert_eq!(darks, 4);
}

#[test]
fn a_dark_reading_is_never_served_as_light() {
    let daemon = Daemon::start(QUICK);
    let mut client = daemon.client();
    let dark = client.call("meter.read", &json!({"meter": "m", "covered": true}));
    let light = client.call("meter.read", &json!({"meter": "m", "max_age_s": 3600}));
    assert_ne!(dark["sequence"], light["sequence"]);
    assert!(!light["flags"].as_array().unwrap().contains(&json!("dark")), "{light}");
    let both = json!({"meter": "m", "covered": true, "max_age_s": 1});
    assert_eq!(client.refusal("meter.read", &both), "invalid_params");
}

#[test]
fn exposures_get_longer_while_noise_is_in_the_way_unless_the_client_chose() {
    let (daemon, mut instrument) = on_the_bench();
    instrument.light(0.05, 0.0, 1.0, 0.0025, 3);
    let near_black = ["bench", "--hold", "4s", "--max-wait", "60s"];
    let (status, settled) = settle(&daemon, &near_black);
    assert_eq!(status, Some(0), "{settled}");
    assert!(settled["message"].as_str().unwrap().contains("lengthened to 0.25 s"), "{settled}");
    let (y, u95) = (settled["value"]["y"].as_f64().unwrap(), settled["value"]["y_u95"].as_f64().unwrap());
    assert!((y - 0.05).abs() <= 1.5 * u95 && u95 <= 0.0005, "{y} ± {u95}");
    let last = settled["readings"]["last"].as_u64().unwrap();
    let page = daemon.client().call("log.readings", &json!({"after": last - 1, "limit": 1}));
    assert_eq!(page["readings"][0]["integration_s"], 0.25);
    let (_, chosen) = settle(&daemon, &[&near_black[..], &["--integration", "0.1s"]].concat());
    assert!(!chosen["message"].as_str().unwrap().contains("lengthened"), "{chosen}");
}

#[test]
fn a_longer_exposure_that_saturates_the_meter_is_taken_back() {
    let (daemon, mut instrument) = on_the_bench();
    instrument.light(0.05, 0.0, 1.0, 0.002, 5);
    instrument.order("saturate 0.15");
    let (status, settled) = settle(&daemon, &["bench", "--hold", "4s", "--max-wait", "60s"]);
    assert_eq!(status, Some(0), "{settled}");
    assert!(!settled["message"].as_str().unwrap().contains("lengthened"), "{settled}");
    // It was tried, and refused.
    assert!(daemon.client().events("bench").contains(&"exposure_failed".to_owned()));
    let last = settled["readings"]["last"].as_u64().unwrap();
    let page = daemon.client().call("log.readings", &json!({"after": last - 1, "limit": 1}));
    assert_eq!(page["readings"][0]["integration_s"], 0.1);
}
