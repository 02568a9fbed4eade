//! SHELL.md is executed in one shell, block after block, and what it says is what happens.

use std::io::{BufRead, BufReader, Lines, Write};
use std::os::unix::process::CommandExt;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use serde_json::Value;

use crate::support::daemon::{Daemon, wait_until};

const PAGE: &str = include_str!("../../protocol/SHELL.md");

/// The daemon that the page talks to.
const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 2]\nautomatic_s = 0.05\nzero_at_start = false\n";

/// Ends what a block said.
const END: &str = "--- the end of a block ---";

/// The page's commands, each with what the page says that they say.
fn blocks() -> Vec<(&'static str, Option<&'static str>)> {
    let scripts = PAGE.split("```sh\n").skip(1).filter_map(|rest| rest.split_once("```\n"));
    let with_expected = scripts.map(|(script, rest)| {
        let expected = rest.trim_start().strip_prefix("```text\n").and_then(|text| text.split("```").next());
        (script, expected)
    });
    with_expected.collect()
}

/// Whether a line is what was expected, where … stands for anything.
fn fits(expected: &str, found: &str) -> bool {
    let mut parts = expected.split('…');
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = found.strip_prefix(first) else { return false };
    let mut parts: Vec<&str> = parts.collect();
    let Some(last) = parts.pop() else { return rest.is_empty() };
    for part in parts {
        let Some((_, after)) = rest.split_once(part) else { return false };
        rest = after;
    }
    rest.ends_with(last)
}

/// A shell that is told one block after another. It ends with all that it started.
struct Shell {
    child: Child,
    told: ChildStdin,
    said: Lines<BufReader<ChildStdout>>,
}

impl Shell {
    fn start(daemon: &Daemon) -> Self {
        let mut shell = Command::new("sh");
        shell.current_dir(daemon.path("")).env("SETTLED_SOCKET", daemon.socket()).process_group(0);
        let mut child = shell.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let told = child.stdin.take().unwrap();
        let said = BufReader::new(child.stdout.take().unwrap()).lines();
        Self { child, told, said }
    }

    /// What a block says.
    fn run(&mut self, script: &str) -> Vec<String> {
        write!(self.told, "{script}\necho '{END}'\n").unwrap();
        let said = self.said.by_ref().map(Result::unwrap).take_while(|line| line != END);
        said.collect()
    }
}

impl Drop for Shell {
    fn drop(&mut self) {
        let group = Pid::from_raw(i32::try_from(self.child.id()).unwrap());
        let _gone = killpg(group, Signal::SIGKILL).is_ok() && self.child.wait().is_ok();
    }
}

/// The sequences of the readings in a file of lines, whole ones alone.
fn observed(daemon: &Daemon) -> Vec<u64> {
    let text = std::fs::read_to_string(daemon.path("night.jsonl")).unwrap_or_default();
    let lines = text.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    lines.filter_map(|line| line["params"]["reading"]["sequence"].as_u64()).collect()
}

fn more_is_observed(daemon: &Daemon) {
    let before = observed(daemon).len();
    wait_until("more readings are in the file", || observed(daemon).len() > before + 3);
}

/// Every reading in the log is in the file, once, as far as the file goes.
fn nothing_is_missing(daemon: &Daemon) {
    let observed = observed(daemon);
    let logged = daemon.client().logged();
    let first = observed.first().copied().unwrap();
    let logged = logged.iter().filter_map(|reading| reading["sequence"].as_u64()).filter(|it| *it >= first);
    let logged: Vec<u64> = logged.take(observed.len()).collect();
    assert_eq!(observed, logged);
}

#[test]
fn the_shell_pages_commands_do_what_it_says() {
    let mut daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("bench", "ready");
    let mut shell = Shell::start(&daemon);
    let blocks = blocks();
    assert_eq!(blocks.len(), 14);
    for (script, expected) in blocks {
        let said = shell.run(script);
        if let Some(expected) = expected {
            let fit = said.len() == expected.lines().count()
                && expected.lines().zip(&said).all(|(expected, found)| fits(expected, found));
            assert!(fit, "{script}\nsaid\n{}\nand not\n{expected}", said.join("\n"));
        }
        if script.contains("meter.observe") && !script.contains("follow") {
            // The answer, and readings.
            assert_eq!(observed(&daemon).len(), 19);
            daemon.kill();
            daemon.launch();
            daemon.client().wait_for_state("bench", "ready");
        } else if script.contains("follow()") {
            more_is_observed(&daemon);
            daemon.kill();
            daemon.launch();
            more_is_observed(&daemon);
            nothing_is_missing(&daemon);
        }
    }
    let mut client = daemon.client();
    wait_until("the connection that was held open is gone", || {
        client.call("daemon.status", &serde_json::json!({}))["clients"] == 2
    });
}

#[test]
fn where_a_line_is_not_what_the_page_says_that_is_found_out() {
    assert!(fits("a…c…e", "abcde") && fits("abc", "abc") && fits("8…", "84.1"));
    assert!(!fits("a…c…f", "abcde") && !fits("abc", "abcd") && !fits("8…", "94.1") && !fits("…x…", "abc"));
}
