//! A kernel's own USB stack, once a run: a guest in which a light meter is plugged in and out. What happens there is in
//! tests/vm/init; the meter is tests/src/bin/gadget.

use std::fs::File;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

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
            .args(["gadget"].map(program))
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

    /// What a step says.
    fn step(&self, name: &str) -> &str {
        let mut steps = self.0.lines().filter_map(|line| line.trim_end().strip_prefix("step "));
        let said = steps
            .find_map(|step| step.strip_prefix(name).filter(|rest| rest.is_empty() || rest.starts_with(' ')));
        said.unwrap_or_else(|| panic!("the guest never got to {name:?}\n{}", self.end())).trim_start()
    }

    fn expect(&self, name: &str, expected: &str) {
        assert_eq!(self.step(name), expected, "{name}\n{}", self.end());
    }
}

#[test]
fn a_meter_on_a_kernels_usb_is_read_and_its_going_is_noticed() {
    let console = Console::of_a_run();
    console.step("booted");

    // The kernel's driver for such devices finds the made-up meter in order.
    let identity = "Made Up Instruments,LT-1,0042,1.0";
    console.expect("capabilities", "0 4");
    console.expect("identity", identity);
    console.expect("in_parts", identity);
    console.expect("reading", "9.505000E1,1.000000E2,1.088800E2,31.5");
    console.expect("errors", "+0,\"No error\"");

    console.expect("malformed", "0");
    console.step("done");
}
