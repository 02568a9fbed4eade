//! A kernel's own USB stack, once a run: a guest in which a light meter is plugged in and out. What happens there is in
//! tests/vm/init; the meter is tests/src/bin/gadget.

use std::fs::File;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::support::daemon::program;

/// How long the guest may take: some 20 times what it does take, and a kernel may have to be fetched first.
const LONGEST: Duration = Duration::from_secs(180);

/// Lines of the console that are quoted where something is wrong.
const QUOTED: usize = 60;

/// What the guest has said.
struct Console(String);

impl Console {
    /// Boots the guest, and waits until it has powered itself off.
    fn of_a_run() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("console");
        let output = File::create(&path).unwrap();
        let mut child = Command::new(Path::new(env!("CARGO_MANIFEST_DIR")).join("vm/boot"))
            .arg(folder.path())
            .args(["gadget", "settled", "settle"].map(program))
            .stdin(Stdio::null())
            .stdout(output.try_clone().unwrap())
            .stderr(output)
            .spawn()
            .unwrap();
        let start = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break Some(status);
            }
            if start.elapsed() > LONGEST {
                child.kill().unwrap();
                child.wait().unwrap();
                break None;
            }
            std::thread::park_timeout(Duration::from_millis(20));
        };
        let console = Self(String::from_utf8_lossy(&std::fs::read(&path).unwrap()).into_owned());
        match status {
            Some(status) => assert!(status.success(), "the guest was not run: {status}\n{}", console.end()),
            None => panic!("the guest was not done within {LONGEST:?}\n{}", console.end()),
        }
        console
    }

    fn end(&self) -> String {
        let lines: Vec<&str> = self.0.lines().collect();
        let from = lines.len().saturating_sub(QUOTED);
        format!("--- the console's end ---\n{}\n---", lines.get(from..).unwrap_or_default().join("\n"))
    }

    /// What the steps of that name say.
    fn steps(&self, name: &str) -> impl Iterator<Item = &str> {
        let steps = self.0.lines().filter_map(|line| line.trim_end().strip_prefix("step "));
        let parts = steps.map(|step| step.split_once(' ').unwrap_or((step, "")));
        parts.filter(move |(known, _)| *known == name).map(|(_, said)| said.trim_start())
    }

    /// What a step says.
    fn step(&self, name: &str) -> &str {
        let Some(said) = self.steps(name).next() else {
            let why = self.0.lines().find(|line| line.starts_with("failed: ")).unwrap_or_default();
            panic!("the guest never got to {name:?}; {why}\n{}", self.end())
        };
        said
    }

    fn json(&self, name: &str) -> Value {
        let said = self.step(name);
        serde_json::from_str(said).unwrap_or_else(|error| panic!("{name}: {error}: {said}"))
    }

    /// When something was done, in s since the guest's boot.
    fn time(&self, name: &str) -> f64 {
        self.step(name).parse().unwrap()
    }

    /// How long after a moment the daemon first noted something of that kind, in s.
    fn first_after(&self, kind: &str, from_s: f64) -> f64 {
        let events = self.steps("event").map(|event| serde_json::from_str::<Value>(event).unwrap());
        let mut times =
            events.filter(|event| event["kind"] == kind).map(|event| event["t_s"].as_f64().unwrap() - from_s);
        // The guest tells its times in hundredths.
        times.find(|after_s| *after_s > -0.02).unwrap_or_else(|| panic!("no {kind}\n{}", self.end()))
    }

    fn expect(&self, name: &str, expected: &str) {
        assert_eq!(self.step(name), expected, "{name}\n{}", self.end());
    }
}

#[test]
fn a_meter_on_a_kernels_usb_is_read_and_its_going_and_coming_are_noticed() {
    let console = Console::of_a_run();
    console.step("booted");

    // The kernel's driver for such devices finds the made-up meter in order.
    let identity = "Made Up Instruments,LT-1,0042,1.0";
    console.expect("capabilities", "0 4");
    console.expect("identity", identity);
    console.expect("in_parts", identity);
    console.expect("reading", "9.505000E1,1.000000E2,1.088800E2,31.5");
    console.expect("errors", "+0,\"No error\"");

    // The daemon takes it over from that driver, and sends it nothing that is out of order.
    console.expect("malformed", "");
    for name in ["taken_over", "unheard_again", "alone", "idle_again", "after_hush", "busy_again"] {
        let reading = console.json(name);
        assert_eq!(reading["luminance_cd_m2"], 100.0, "{name}: {reading}");
        assert_eq!(reading["temperature_c"], 31.5, "{name}: {reading}");
    }

    // Where nobody tells what comes and goes, the daemon looks now and then; the guest is slow where the host is busy.
    for (name, gone_within_s, back_within_s) in
        [("unheard", 2.0, 8.0), ("idle", 1.0, 4.0), ("busy", 1.0, 4.0)]
    {
        let gone_s = console.first_after("meter_gone", console.time(&format!("{name}_unplugged")));
        assert!(gone_s < gone_within_s, "{name}: missed after {gone_s:.2} s\n{}", console.end());
        let back_s = console.first_after("meter_ready", console.time(&format!("{name}_plugged")));
        assert!(back_s < back_within_s, "{name}: back after {back_s:.2} s\n{}", console.end());
    }

    // What isn't answered is taken back by INITIATE_ABORT_BULK_IN and the request for how that went.
    let hushed = console.json("hushed");
    assert_eq!(hushed["error"]["data"]["kind"], "meter_silent", "{hushed}");
    let asked: Vec<&str> = console.step("asked").split(' ').collect();
    assert!(["3", "4"].iter().all(|request| asked.contains(request)), "{asked:?}");
    console.step("done");
}
