//! Reviews by a real daemon: a display that stands still, and what is in their records.

use std::process::{Child, Output, Stdio};

use serde_json::Value;

use super::daemon::{Daemon, wait_until};

/// A display that is warm and steady, and a meter that is true but for its noise.
pub(crate) fn bench() -> Daemon {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 40\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n{STEADY}"
    ));
    daemon.client().wait_for_state("m", "ready");
    daemon
}

pub(crate) const STEADY: &str = "display = \"self-emitting\"\npeak_cd_m2 = 100\nlimiter_exponent = 0\ncold = [0, 0]\ncold_white = [0, 0]\ncreep = [0, 0]\nsag = 0\nretention = 0\n\
    filter_error = 0\ndark_cd_m2 = 0\nnoise = 0.02\nautomatic_s = 0.2\nintegration_s = [0.05, 0.5]\n";

pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_owned()).unwrap()
}

pub(crate) fn arguments<'a>(plan: &'a str, file: &'a str) -> Vec<&'a str> {
    vec!["--json", "review", "run", plan, "--into", file, "--display", "Field monitor 4"]
}

pub(crate) fn start(daemon: &Daemon, plan: &str, file: &str) -> Child {
    let mut settle = daemon.settle(&arguments(plan, file));
    settle.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// Its lines that are whole, but for the header.
pub(crate) fn entries(file: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(file).unwrap_or_default();
    let whole = text.rsplit_once('\n').map_or("", |(whole, _)| whole);
    whole.lines().skip(1).map(|line| serde_json::from_str(line).unwrap()).collect()
}

pub(crate) fn measured(file: &str) -> Vec<Value> {
    entries(file)
        .into_iter()
        .filter(|entry| ["patch", "course"].iter().any(|kind| entry["entry"] == *kind))
        .collect()
}

pub(crate) fn wait_for(file: &str, count: usize) {
    wait_until("so many stimuli are measured", || measured(file).len() >= count);
}

pub(crate) fn assert_done(output: &Output) {
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
}

pub(crate) fn path(daemon: &Daemon, name: &str) -> String {
    daemon.path(name).display().to_string()
}
