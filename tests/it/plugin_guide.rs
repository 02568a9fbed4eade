//! PLUGINS.md is executed, and the plugins that it leads from keep the contract and end with the daemon.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::Stdio;
use std::sync::Arc;

use serde_json::Value;
use settled::clock::Clock;
use settled_drivers::clock::Clock as Spans;
use settled_drivers::conformance::{Zero, check};
use settled_drivers::driver::{Context, Registry};
use settled_drivers::settings;

use crate::documented::fits;
use crate::plugins::{has_ended, plugin, reading};
use crate::smallest::{lines_of_code, runtime};
use crate::support::daemon::{Daemon, program, wait_until};

/// The guide, whose blocks are what a newcomer types.
const GUIDE: &str = include_str!("../../drivers/PLUGINS.md");

/// The blocks of a kind with what comes before the next: `(name beside the kind, text, the rest)`.
fn blocks(kind: &str) -> Vec<(&'static str, &'static str, &'static str)> {
    let mark = format!("```{kind}");
    let blocks = GUIDE.split(&mark).skip(1).filter_map(|rest| {
        let (name, rest) = rest.split_once('\n')?;
        let (text, rest) = rest.split_once("```\n")?;
        Some((name.trim(), text, rest))
    });
    blocks.collect::<Vec<_>>()
}

fn sources() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// A reference plugin: the script itself, or the example that cargo has built.
fn reference(name: &str) -> std::path::PathBuf {
    if name.ends_with(".py") {
        return sources().join("drivers/examples").join(name);
    }
    let path = program("settled").with_file_name("examples").join(name);
    assert!(path.exists(), "{} is missing: cargo build --workspace --examples, or tests/run", path.display());
    path
}

#[test]
fn the_guide_leads_from_nothing_to_a_reading() {
    let (_, config, _) = blocks("toml")[0];
    let mut daemon = Daemon::configured(config);
    let programs = program("settled").parent().unwrap().display().to_string();
    let path = format!("{programs}:{}", std::env::var("PATH").unwrap());
    let scripts = blocks("sh");
    assert_eq!(scripts.len(), 7);
    for (_, script, rest) in scripts {
        if script.contains("settle read") && daemon.trace().is_empty() {
            daemon.launch();
            daemon.client().wait_for_state("bench", "ready");
        }
        let mut shell = std::process::Command::new("sh");
        shell.args(["-e", "-c", &format!("exec 2>&1\n{script}")]).current_dir(daemon.path(""));
        shell.env("SETTLED", sources()).env("PATH", &path).env("SETTLED_SOCKET", daemon.socket());
        let output = shell.output().unwrap();
        let words = String::from_utf8_lossy(&output.stdout).into_owned();
        let expected =
            rest.trim_start().strip_prefix("```text\n").map(|text| text.split("```").next().unwrap());
        let fails = expected.is_some_and(|expected| expected.starts_with("error:"));
        assert_eq!(output.status.success(), !fails, "{script}\n{words}");
        for line in expected.unwrap_or_default().lines() {
            let begins = line.split('…').next().unwrap();
            assert!(words.lines().any(|found| found.starts_with(begins)), "{line}\nis not in\n{words}");
        }
    }
    assert!(daemon.client().events("bench").contains(&"meter_gone".to_owned()));
}

#[test]
fn the_guides_exchanges_happen_as_written() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("light.txt"), "93.5\n").unwrap();
    let exchanges = blocks("exchange");
    assert_eq!(exchanges.len(), 3);
    for (name, exchange, _) in exchanges {
        let mut command = std::process::Command::new(reference(name));
        command.current_dir(folder.path()).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        for line in exchange.lines() {
            match line.split_at(2) {
                ("> ", sent) => writeln!(stdin, "{sent}").unwrap(),
                ("< ", expected) => {
                    let expected: Value = serde_json::from_str(expected).unwrap();
                    let found: Value = serde_json::from_str(&said.next().unwrap().unwrap()).unwrap();
                    assert!(fits(&expected, &found), "expected {expected}\nfound    {found}");
                }
                _ => panic!("neither sent nor expected: {line}"),
            }
        }
        // It ends by itself once it is not listened to any more.
        drop(stdin);
        assert!(child.wait().unwrap().success(), "{name}");
        assert!(said.next().is_none(), "{name}");
    }
}

#[test]
fn both_reference_plugins_conform() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("light.txt"), "93.5\n").unwrap();
    let clock: Arc<dyn Spans> = Arc::new(Clock::system());
    for name in ["file-meter.py", "decaying-meter"] {
        let text = format!("command = [{:?}]\n", reference(name).display().to_string());
        let context = Context::at(folder.path().to_owned());
        let configure = Registry::built_in().get("plugin").unwrap();
        let driver = settings::read("t.toml", &text, |table| configure(table, &context)).unwrap();
        let report = runtime().block_on(check(&driver, &clock, Zero::Covered));
        assert!(report.is_kept(), "{name}\n{report}");
    }
}

#[test]
fn both_reference_plugins_end_when_the_daemon_is_killed() {
    for name in ["file-meter.py", "decaying-meter"] {
        let command = reference(name).display().to_string();
        let mut daemon = Daemon::configured(&format!(
            "[log]\npath = \"off\"\n[[meter]]\nid = \"bench\"\ndriver = \"plugin\"\ncommand = [{command:?}]\n"
        ));
        std::fs::write(daemon.path("light.txt"), "93.5\n").unwrap();
        daemon.launch();
        reading(&mut daemon.client());
        let pid = plugin(&daemon);
        daemon.kill();
        wait_until("the plugin has ended", || has_ended(pid));
    }
}

#[test]
fn a_whole_plugin_in_python_takes_at_most_40_lines_of_code_and_the_pages_say_how_many() {
    let code = lines_of_code("examples/file-meter.py", "#");
    let lines = std::fs::read_to_string(reference("file-meter.py")).unwrap().lines().count();
    assert!((20..=40).contains(&code) && lines <= 60, "{code} lines of code, {lines} in all");
    assert!(GUIDE.contains(&format!("**{code} lines of code**")), "{code}");
    let costs = include_str!("../../drivers/DRIVERS.md");
    assert!(costs.contains(&format!("(examples/file-meter.py)) | {lines} | {code} |")), "{lines}, {code}");
}
