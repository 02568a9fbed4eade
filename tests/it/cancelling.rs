//! Requests taken back, clients that vanish, Ctrl-C.

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};

const CONFIG: &str = "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 2]\nautomatic_s = 0.05\n";

/// Whether the meter stands still: two looks with no exposure in between.
pub(crate) fn is_idle(daemon: &Daemon) -> bool {
    let mut client = daemon.client();
    let before = client.exposures("m");
    std::thread::park_timeout(std::time::Duration::from_millis(300));
    client.exposures("m") == before
}

#[test]
fn a_request_that_is_taken_back_answers_cancelled_and_the_meter_goes_on() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let id = client.ask("meter.settle", &json!({"meter": "m", "progress": true}));
    client.notice("settle.progress");
    client.send(
        json!({"jsonrpc": "2.0", "method": "request.cancel", "params": {"id": id}}).to_string().as_bytes(),
    );
    assert_eq!(client.answer(id)["error"]["data"]["kind"], "cancelled");
    assert!(client.call("meter.read", &json!({"meter": "m"}))["luminance_cd_m2"].is_f64());
    assert_eq!(client.refusal("request.cancel", &json!({"id": id})), "invalid_params");
    wait_until("the meter stands still", || is_idle(&daemon));
}

#[test]
fn a_client_that_vanishes_takes_its_requests_with_it() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.ask("meter.settle", &json!({"meter": "m", "progress": true}));
    client.notice("settle.progress");
    drop(client);
    wait_until("the meter stands still", || is_idle(&daemon));
    assert_eq!(daemon.client().call("daemon.status", &json!({}))["clients"], 1);
}

#[test]
fn ctrl_c_takes_the_request_back_and_leaves_with_130() {
    let daemon = Daemon::start(CONFIG);
    let mut child = daemon
        .settle(&["read", "--settled"])
        .stderr(std::process::Stdio::null())
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut client = daemon.client();
    wait_until("it measures", || client.exposures("m") > 3);
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    wait_until("the meter stands still", || is_idle(&daemon));
    assert_eq!(daemon.run_settle(&["read"]).status.code(), Some(0));
}

#[test]
fn ctrl_c_is_one_line_of_json_where_json_is_asked_for() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    for arguments in
        [["--json", "read", "--settled", "--quiet"].as_slice(), &["--json", "observe", "--interval", "0"]]
    {
        let before = client.exposures("m");
        let mut command = daemon.settle(arguments);
        let child =
            command.stdout(std::process::Stdio::null()).stderr(std::process::Stdio::piped()).spawn().unwrap();
        wait_until("it measures", || client.exposures("m") > before + 3);
        kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
        let output = child.wait_with_output().unwrap();
        let error: Value = serde_json::from_slice(&output.stderr).unwrap();
        assert_eq!(
            (output.status.code(), &error["error"]["data"]["kind"]),
            (Some(130), &json!("interrupted"))
        );
    }
}
