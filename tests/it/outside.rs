//! A profile against an instrument that runs on an engine that isn't ours: over TCP and over a pseudo-terminal, at once.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

use crate::support::daemon::Daemon;

/// For the instrument of tests/simulator/simulator.py, as its manual would have it.
const PROFILE: &str = r#"
[instrument]
model = "TC-5"
unit = "cd/m2"
[line]
baud = 57600
send_end = "lf"
answer_end = "lf"
[identify]
send = "*IDN?"
answer = '^Made Up Works,(?<model>[^,]+),(?<serial>[^,]+),'
[start]
send = ["*RST", "*CLS", "*OPC?"]
answer = '^1$'
[integration]
range_s = [0.001, 20]
default_s = 0.05
[measure]
send = ["SENS:APER {integration_s}", "MEAS:XYZ?"]
answer = '^(?<X>[-+.\dE]+),(?<Y>[-+.\dE]+),(?<Z>[-+.\dE]+)$'
[error]
query = "SYST:ERR?"
no_error = '^0,'
"#;

/// The Python that tests/run has put the engine into, beside the build.
pub(crate) fn python() -> PathBuf {
    let test = std::env::current_exe().unwrap();
    let found =
        test.ancestors().map(|folder| folder.join("simulator/bin/python")).find(|python| python.exists());
    found.expect("no folder above the test has simulator/bin/python: run tests/run, which installs it")
}

/// The instrument, until this is dropped.
struct Simulator(Child);

impl Simulator {
    fn start(link: &Path) -> (Self, String) {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("simulator/simulator.py");
        let mut child = Command::new(python())
            .arg("-B")
            .arg(script)
            .arg(link)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut address = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut address).unwrap();
        assert!(!address.is_empty(), "the simulator did not start");
        (Self(child), address.trim().to_owned())
    }
}

impl Drop for Simulator {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        let _gone = self.0.wait().is_ok();
    }
}

#[test]
fn an_instrument_on_somebody_elses_engine_is_read_over_both_links() {
    let mut daemon = Daemon::configured("");
    let (simulator, address) = Simulator::start(&daemon.path("port"));
    let meter = |id: &str, place: String| {
        format!(
            "[[meter]]\nid = \"{id}\"\ndriver = \"profile\"\nprofile = \"made-up.toml\"\nserial = \"A-117\"\n{place}\n"
        )
    };
    let config = format!(
        "[log]\npath = \"log.sqlite\"\n{}{}",
        meter("net", format!("tcp = \"{address}\"")),
        meter("line", "port = \"port\"\nbaud = 115200".to_owned())
    );
    std::fs::write(daemon.path("settled.toml"), config).unwrap();
    std::fs::write(daemon.path("made-up.toml"), PROFILE).unwrap();
    daemon.launch();
    let mut client = daemon.client();
    for meter in ["net", "line"] {
        client.wait_for_state(meter, "ready");
        for integration_s in [None, Some(0.1), Some(0.01)] {
            let reading = client.call("meter.read", &json!({"meter": meter, "integration_s": integration_s}));
            assert_eq!(reading["xyz"], json!([76.04, 80.0, 87.1]), "{reading}");
            let used = integration_s.unwrap_or(0.05);
            assert_eq!(reading["integration_s"], json!(used), "{reading}");
        }
        // What it refuses, it says in its own words.
        let id = client.ask("meter.read", &json!({"meter": meter, "integration_s": 15.0}));
        let refused: Value = client.answer(id);
        assert_eq!(refused["error"]["data"]["kind"], "meter_refused", "{refused}");
        assert!(refused["error"]["message"].as_str().unwrap().contains("Data out of range"), "{refused}");
    }
    // It goes: both are gone.
    drop(simulator);
    for meter in ["net", "line"] {
        client.wait_for_state(meter, "absent");
    }
}
