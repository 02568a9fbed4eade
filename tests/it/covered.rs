//! `settle read --covered`: what is said where it isn't dark, and what zeroing has to do with it.

use serde_json::Value;

use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\n\
    integration_s = [0.02, 2]\nautomatic_s = 0.05\n";

fn said(daemon: &Daemon, arguments: &[&str]) -> [String; 2] {
    said_with(0, daemon, arguments)
}

fn said_with(status: i32, daemon: &Daemon, arguments: &[&str]) -> [String; 2] {
    let output = daemon.run_settle(arguments);
    assert_eq!(output.status.code(), Some(status), "{}", String::from_utf8_lossy(&output.stderr));
    [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap())
}

#[test]
fn a_covered_reading_that_is_not_dark_is_doubted() {
    let daemon = Daemon::start(CONFIG);
    let [reading, caution] = said_with(3, &daemon, &["read", "m", "--covered"]);
    assert!(reading.contains("dark: the aperture was covered"), "{reading}");
    assert!(caution.starts_with("that is not dark: is the aperture of m covered? "), "{caution}");
    let [_, caution] = said_with(3, &daemon, &["--json", "read", "m", "--covered"]);
    let caution: Value = serde_json::from_str(&caution).unwrap();
    assert!(caution["caution"]["message"].as_str().unwrap().contains("not dark"), "{caution}");
    // A simulated meter has no cap, but its display can be dark.
    said(&daemon, &["stage", "show", "--colour", "0"]);
    assert_eq!(said(&daemon, &["read", "m", "--covered"])[1], "");
    assert_eq!(said(&daemon, &["read", "m"])[1], "");
}

#[test]
fn a_meters_own_zeroing_is_called_that_and_no_dark_reading() {
    let daemon = Daemon::start(&format!("{CONFIG}zero_at_start = true\n"));
    daemon.client().wait_for_state("m", "ready");
    let [meters, _] = said(&daemon, &["meters"]);
    assert!(
        meters
            .contains("due now, because it has not been zeroed since it was opened: cover it, then settle zero m (readings are flagged)"),
        "{meters}"
    );
    let [reading, _] = said(&daemon, &["read", "m"]);
    assert!(reading.contains("the meter's own zeroing is overdue"), "{reading}");
    let [line, _] = said(&daemon, &["observe", "m", "--interval", "0", "--count", "1"]);
    assert!(line.contains("zeroing overdue"), "{line}");
    for words in [meters, reading, line] {
        assert!(!words.contains("dark reading"), "{words}");
    }
}
