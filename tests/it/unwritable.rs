//! Where the log can't be written, readings are served all the same, say so, and are logged again as soon as that is possible.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};

const CONFIG: &str = "[log]\npath = \"log/log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// Far above any number that was counted: it comes from the clock.
const BY_THE_CLOCK: u64 = 1_000_000_000_000_000;

/// The sqlite3 shell of the distribution, at a daemon's log.
struct Shell {
    child: Child,
    said: BufReader<ChildStdout>,
}

impl Shell {
    fn at(daemon: &Daemon) -> Self {
        let mut sqlite3 = Command::new("sqlite3");
        sqlite3.args(["-batch", "-noheader"]).arg(daemon.path("log/log.sqlite"));
        let mut child = sqlite3.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let said = BufReader::new(child.stdout.take().unwrap());
        Self { child, said }
    }

    /// Types this, and waits until it is done.
    fn type_in(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}\nSELECT 'done';").unwrap();
        let mut said = String::new();
        self.said.read_line(&mut said).unwrap();
        assert_eq!(said, "done\n", "{line}");
    }
}

impl Drop for Shell {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}

fn read(client: &mut Client) -> (u64, bool) {
    let reading = client.call("meter.read", &json!({"meter": "m"}));
    let unlogged = reading["flags"].as_array().unwrap().contains(&json!("unlogged"));
    (reading["sequence"].as_u64().unwrap(), unlogged)
}

fn status(client: &mut Client) -> Value {
    client.call("daemon.status", &json!({}))["log"].take()
}

fn is_written_again(client: &mut Client) {
    wait_until("the log is written", || status(client)["writing"] == true);
}

fn details(client: &mut Client, kind: &str) -> Vec<String> {
    let events = client.call("log.events", &json!({}));
    let of = events["events"].as_array().unwrap().iter().filter(|event| event["kind"] == kind);
    of.map(|event| event["detail"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn another_program_that_holds_the_lock_keeps_no_reading_waiting_for_long() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    assert_eq!(read(&mut client), (1, false));
    let mut shell = Shell::at(&daemon);
    shell.type_in("BEGIN IMMEDIATE;");
    let start = Instant::now();
    assert_eq!(read(&mut client), (2, true));
    let first = start.elapsed();
    // It is waited for once; then readings go on.
    let again = Instant::now();
    for number in 3..=12 {
        assert_eq!(read(&mut client), (number, true));
    }
    let others = again.elapsed();
    assert!(first < Duration::from_secs(6) && others < Duration::from_secs(3), "{first:?}, {others:?}");
    let told = status(&mut client);
    assert!(told["reason"].as_str().unwrap().contains("locked"), "{told}");
    assert_eq!(told["unlogged"], 11);
    shell.type_in("COMMIT;");
    is_written_again(&mut client);
    assert_eq!(read(&mut client), (13, false));
    let failed = details(&mut client, "log_failed");
    assert!(
        failed.len() == 1 && failed[0].contains("11 readings (of sequences 2 to 12, of m)"),
        "{failed:?}"
    );
    // A lock that is held for a moment only is waited for.
    shell.type_in("BEGIN IMMEDIATE;");
    let id = client.ask("meter.read", &json!({"meter": "m"}));
    wait_until("the reading is on its way", || daemon.client().exposures("m") >= 14);
    shell.type_in("COMMIT;");
    let reading = client.answer(id);
    assert_eq!(
        (&reading["result"]["sequence"], &reading["result"]["flags"]),
        (&json!(14), &json!(["simulated"]))
    );
    // Who follows by sequence is told after a restart, too.
    daemon.signal(Signal::SIGTERM);
    daemon.ended();
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    client.call("meter.observe", &json!({"meter": "m", "after": 0}));
    let missed = client.notice("missed");
    assert_eq!(
        (&missed["from"], &missed["to"], &missed["why"]),
        (&json!(2), &json!(12), &json!("log_unavailable"))
    );
}

#[test]
fn a_log_whose_folder_can_not_be_made_is_opened_once_it_can() {
    let mut daemon = Daemon::configured(CONFIG);
    // Not even root can make a folder there.
    std::fs::write(daemon.path("log"), "in the way").unwrap();
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let (first, unlogged) = read(&mut client);
    let (second, _) = read(&mut client);
    assert!(unlogged && first > BY_THE_CLOCK && second > first, "{first}, {second}");
    let told = status(&mut client);
    assert!(told["reason"].as_str().unwrap().contains("folder"), "{told}");
    assert_eq!((&told["writing"], &told["unlogged"], told.get("id")), (&json!(false), &json!(2), None));
    let words = String::from_utf8(daemon.run_settle(&["status"]).stdout).unwrap();
    assert!(words.contains("NOT WRITTEN") && words.contains("2 readings went out unlogged"), "{words}");
    assert_eq!(client.refusal("log.readings", &json!({})), "log_unavailable");
    std::fs::remove_file(daemon.path("log")).unwrap();
    is_written_again(&mut client);
    let (third, unlogged) = read(&mut client);
    assert!(!unlogged && third > second, "{third}");
    // What happened meanwhile is told, from the start on.
    assert_eq!(details(&mut client, "daemon_started").len(), 1);
    let failed = details(&mut client, "log_failed");
    assert!(
        failed.len() == 1 && failed[0].contains(&format!("of sequences {first} to {second}")),
        "{failed:?}"
    );
    daemon.kill();
    daemon.launch();
    assert!(read(&mut daemon.client()).0 > third);
}

#[test]
fn a_run_that_ends_while_the_log_can_not_be_written_is_over_after_a_restart_too() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let plan = json!({"meter": "m", "kind": "drift", "interval_s": 0.05});
    let mut shell = Shell::at(&daemon);
    // The daemon may be writing just then.
    shell.type_in(".timeout 5000");
    shell.type_in("BEGIN IMMEDIATE;");
    assert_eq!(client.refusal("runs.start", &plan), "log_unavailable");
    shell.type_in("COMMIT;");
    is_written_again(&mut client);
    let run = client.call("runs.start", &plan)["run"].take();
    let show = |client: &mut Client| client.call("runs.show", &json!({"run": run}));
    wait_until("it has readings", || show(&mut client)["readings"].as_u64() > Some(2));
    shell.type_in("BEGIN IMMEDIATE;");
    assert_eq!(client.call("runs.stop", &json!({"run": run}))["state"], "stopped");
    assert_eq!(status(&mut client)["writing"], false);
    shell.type_in("COMMIT;");
    is_written_again(&mut client);
    assert_eq!(show(&mut client)["state"], "stopped");
    daemon.kill();
    daemon.launch();
    let mut client = daemon.client();
    let listed = client.call("runs.list", &json!({}))["runs"].take();
    let runs: Vec<_> = listed.as_array().unwrap().iter().map(|run| (&run["run"], &run["state"])).collect();
    // The one that was refused left nothing.
    assert_eq!(runs, [(&run, &json!("stopped"))]);
    let events = client.call("log.events", &json!({"run": run}))["events"].take();
    let kinds: Vec<_> = events.as_array().unwrap().iter().map(|event| event["kind"].clone()).collect();
    assert_eq!(kinds, ["run_started", "run_ended"]);
}

#[test]
fn a_log_that_comes_late_brings_its_corrections_along() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    for _ in 0..3 {
        read(&mut client);
    }
    let matrix = json!([[1.1, 0, 0], [0, 2, 0], [0, 0, 1.1]]);
    let new = json!({"name": "by hand", "method": "given", "matrix": matrix, "meter": {"id": "m"}});
    let id = client.call("corrections.add", &new)["correction"]["id"].clone();
    client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    daemon.signal(Signal::SIGTERM);
    daemon.ended();
    std::fs::rename(daemon.path("log"), daemon.path("away")).unwrap();
    std::fs::write(daemon.path("log"), "in the way").unwrap();
    daemon.launch();
    let mut client = daemon.client();
    let listed = |client: &mut Client| {
        client.call("corrections.list", &json!({}))["corrections"].as_array().unwrap().len()
    };
    assert_eq!(listed(&mut client), 0);
    assert_eq!(client.refusal("corrections.add", &new), "log_unavailable");
    let (unlogged, _) = read(&mut client);
    std::fs::remove_file(daemon.path("log")).unwrap();
    std::fs::rename(daemon.path("away"), daemon.path("log")).unwrap();
    is_written_again(&mut client);
    wait_until("its corrections are there", || listed(&mut client) == 1);
    let reading = client.call("meter.read", &json!({"meter": "m"}));
    assert!(reading["sequence"].as_u64().unwrap() > unlogged && reading["correction"] == id, "{reading}");
    assert_eq!(
        client.logged().iter().filter(|reading| reading["sequence"].as_u64().unwrap() <= 3).count(),
        3
    );
}

#[test]
fn a_quota_that_is_used_up_keeps_what_there_is_until_it_is_raised() {
    let quota = |size: &str| {
        format!(
            "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\nquota = \"{size}\"\nwarn_below = \"3 MiB\"\n[[meter]]\nid = \"m\"\n\
             driver = \"simulated\"\ndisplay = \"backlit\"\nmeter = \"spectrometer\"\ninstant = true\n"
        )
    };
    let mut daemon = Daemon::start(&quota("8 MiB"));
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let mut logged = 0;
    loop {
        let (number, unlogged) = read(&mut client);
        if unlogged {
            break;
        }
        logged = number;
        assert!(logged < 5000, "{}", status(&mut client));
    }
    assert!(logged > 500, "{logged}");
    let told = status(&mut client);
    assert_eq!(
        (&told["room"]["low"], &told["room"]["quota_bytes"]),
        (&json!(true), &json!(8 << 20)),
        "{told}"
    );
    assert!(told["reason"].as_str().unwrap().contains("quota"), "{told}");
    // Once, and it is written though no reading is any more.
    assert_eq!(details(&mut client, "disk_low").len(), 1);
    assert_eq!(client.logged().len() as u64, logged);
    // Raised while the daemon runs, and then for the next.
    std::fs::write(daemon.path("settled.toml"), quota("12 MiB")).unwrap();
    daemon.signal(Signal::SIGHUP);
    wait_until("the config was read anew", || details(&mut client, "config_reloaded").len() == 1);
    assert!(details(&mut client, "config_reloaded")[0].ends_with("log.quota holds from now on"));
    let mut last = 0;
    wait_until("readings are logged again", || {
        let (number, unlogged) = read(&mut client);
        last = number;
        !unlogged
    });
    assert_eq!(client.logged().len() as u64, logged + 1);
    assert_eq!(status(&mut client)["room"]["quota_bytes"], 12 << 20);
    daemon.signal(Signal::SIGTERM);
    daemon.ended();
    std::fs::write(daemon.path("settled.toml"), quota("1 GiB")).unwrap();
    daemon.launch();
    let mut client = daemon.client();
    let (next, unlogged) = read(&mut client);
    assert!(!unlogged && next > last, "{next} after {last}");
    assert_eq!(client.logged().len() as u64, logged + 2);
}
