//! PROTOCOL.md is executed, and complete.

use std::io::Write;
use std::process::{Command, Stdio};

use serde_json::{Value, json};
use settled_protocol::error::ErrorKind;
use settled_protocol::method::NAMES;
use settled_protocol::reading::Reading;

use crate::support::daemon::{Daemon, wait_until};

const PAGE: &str = include_str!("../../protocol/PROTOCOL.md");

/// The daemon that the page's exchanges talk to.
const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 2]\nautomatic_s = 0.05\nzero_at_start = false\n";

/// Takes note of what stands for `"$name"` in what was found, from now on.
fn bind(expected: &Value, found: &Value, bound: &mut Vec<(String, String)>) {
    match (expected, found) {
        (Value::String(name), found) if name.starts_with('$') => {
            bound.push((format!("\"{name}\""), found.to_string()));
        }
        (Value::Object(expected), Value::Object(found)) => {
            for (name, value) in expected {
                bind(value, &found[name], bound);
            }
        }
        (Value::Array(expected), Value::Array(found)) => {
            expected.iter().zip(found).for_each(|(value, found)| bind(value, found, bound));
        }
        _ => {}
    }
}

/// The line with everything that is known to stand for something else.
fn told(line: &str, bound: &[(String, String)]) -> String {
    bound.iter().fold(line.to_owned(), |line, (name, value)| line.replace(name, value))
}

/// Whether `found` has all that `expected` names; `"*"` stands for anything.
pub(crate) fn fits(expected: &Value, found: &Value) -> bool {
    match (expected, found) {
        (Value::String(any), _) if any == "*" || any.starts_with('$') => true,
        (Value::Object(expected), Value::Object(found)) => {
            expected.iter().all(|(name, value)| found.get(name).is_some_and(|found| fits(value, found)))
        }
        (Value::Array(expected), Value::Array(found)) => {
            expected.len() == found.len()
                && expected.iter().zip(found).all(|(expected, found)| fits(expected, found))
        }
        _ => expected == found,
    }
}

/// The blocks of a kind, in order.
fn blocks<'a>(kind: &str) -> Vec<&'a str> {
    PAGE.split(&format!("```{kind}\n")).skip(1).filter_map(|rest| rest.split("```").next()).collect()
}

#[test]
fn the_pages_exchanges_happen_as_written() {
    let daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("bench", "ready");
    let exchanges = blocks("exchange");
    assert!(exchanges.len() >= 11, "only {} exchanges", exchanges.len());
    for exchange in exchanges {
        let (mut client, mut bound) = (daemon.client(), Vec::new());
        for line in exchange.lines().filter(|line| !line.is_empty()) {
            match line.split_at(2) {
                ("> ", sent) => client.send(told(sent, &bound).as_bytes()),
                ("< ", expected) => {
                    let expected: Value = serde_json::from_str(&told(expected, &bound))
                        .unwrap_or_else(|error| panic!("{error}: {line}"));
                    // Notifications come when they come: those that aren't expected here are passed over.
                    let found = loop {
                        let found = client.line().expect("a line before the end");
                        if expected.get("method").is_some() || found.get("method").is_none() {
                            break found;
                        }
                    };
                    assert!(fits(&expected, &found), "expected {expected}\nfound    {found}\nin\n{exchange}");
                    bind(&expected, &found, &mut bound);
                }
                _ => panic!("neither sent nor expected: {line}"),
            }
        }
        drop(client);
        // A lease ends with its client, which the daemon has yet to notice.
        wait_until("nobody has the meter", || {
            daemon.client().call("meters.list", &json!({}))["meters"][0].get("lease").is_none()
        });
    }
}

#[test]
fn the_pages_shell_lines_work_by_hand() {
    let daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("bench", "ready");
    let scripts = blocks("sh");
    assert!(scripts.len() >= 2 && scripts.iter().all(|script| script.contains("socat")));
    for script in scripts {
        let mut shell = Command::new("sh")
            .env("SETTLED_SOCKET", daemon.socket())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        shell.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
        let output = shell.wait_with_output().unwrap();
        let words = String::from_utf8(output.stdout).unwrap();
        assert!(
            output.status.success() && words.contains("\"result\""),
            "{script}: {words} {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
}

#[test]
fn the_pages_reading_of_a_spectrometer_is_one() {
    let [text] = blocks("json").try_into().expect("one block of JSON");
    let reading: Reading = serde_json::from_str(text).unwrap();
    assert_eq!(serde_json::to_string(&reading).unwrap(), text.trim());
    assert_eq!(reading.spectrum.map(|spectrum| spectrum.end_nm()), Some(580.0));
}

#[test]
fn every_method_notification_and_error_is_on_the_page() {
    for name in NAMES {
        assert!(PAGE.contains(&format!("`{name}`")), "the method {name} is not documented");
        let used =
            blocks("exchange").iter().any(|exchange| exchange.contains(&format!("\"method\":\"{name}\"")));
        assert!(used, "the method {name} has no exchange");
    }
    for name in ["reading", "meters.changed", "settle.progress", "missed"] {
        assert!(PAGE.contains(&format!("`{name}`")), "the notification {name} is not documented");
    }
    for kind in ErrorKind::ALL {
        let name = serde_json::to_value(kind).unwrap();
        let row = format!("| `{}` | {} |", name.as_str().unwrap(), kind.code());
        assert!(PAGE.contains(&row), "the error {row} is not documented");
    }
}
