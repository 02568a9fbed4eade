//! Plugins that go wrong in every way: each ends in its own fault, in time, with nothing left behind, and touches nobody else.

use std::path::Path;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, program, wait_until};

/// What a faulty plugin asks for an exposure, with room for a busy machine.
const DEADLINE: Duration = Duration::from_millis(2500);

/// A meter behind the plugin that goes wrong as it is told.
fn faulty(id: &str, arguments: &str) -> String {
    let program = program("faulty");
    format!(
        "[[meter]]\nid = \"{id}\"\ndriver = \"plugin\"\ncommand = [{:?}{arguments}]\nmemory_mib = 64\n",
        program.display().to_string()
    )
}

fn bench(arguments: &str) -> Daemon {
    Daemon::start(&format!("[log]\npath = \"log.sqlite\"\n{}", faulty("bench", arguments)))
}

/// A process's children: numbers and states, zombies included.
fn children(parent: u32) -> Vec<(i32, String)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir("/proc").unwrap().filter_map(Result::ok) {
        // A process may end while it is looked at.
        let Ok(stat) = std::fs::read_to_string(entry.path().join("stat")) else { continue };
        let Some((_, rest)) = stat.rsplit_once(") ") else { continue };
        let fields: Vec<&str> = rest.split(' ').collect();
        if fields[1] == parent.to_string() {
            found.push((entry.file_name().to_string_lossy().parse().unwrap(), fields[0].to_owned()));
        }
    }
    found
}

/// The only child that is alive.
pub(crate) fn plugin(daemon: &Daemon) -> Pid {
    let mut alive = Vec::new();
    wait_until("there is one plugin", || {
        alive = children(daemon.pid());
        alive.retain(|(_, state)| state != "Z");
        alive.len() == 1
    });
    Pid::from_raw(alive[0].0)
}

/// Whether a process has ended, be it by now a zombie of somebody's.
pub(crate) fn has_ended(pid: Pid) -> bool {
    std::fs::read_to_string(format!("/proc/{pid}/stat")).map_or(true, |stat| stat.contains(") Z "))
}

/// A figure of a process in `/proc/PID/status`, in kB.
fn memory_kb(pid: u32, name: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with(name)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

fn order(daemon: &Daemon, what: &str) {
    // Whole at once: the plugin may look at any time.
    std::fs::write(daemon.path("new-order"), what).unwrap();
    std::fs::rename(daemon.path("new-order"), daemon.path("order")).unwrap();
}

/// The kind and the words of the error that a reading ends with.
fn refused(client: &mut Client, meter: &str) -> (String, String) {
    let id = client.ask("meter.read", &json!({"meter": meter}));
    let error = client.answer(id)["error"].take();
    assert!(error.is_object(), "a reading instead of an error");
    let word = |value: &Value| value.as_str().unwrap().to_owned();
    (word(&error["data"]["kind"]), word(&error["message"]))
}

/// The next reading, however often the meter must be opened anew for it.
pub(crate) fn reading(client: &mut Client) -> f64 {
    let mut luminance = None;
    wait_until("there is a reading", || {
        let id = client.ask("meter.read", &json!({"meter": "bench"}));
        luminance = client.answer(id)["result"]["luminance_cd_m2"].as_f64();
        luminance.is_some()
    });
    luminance.unwrap()
}

/// The latest event about the meter that has these words in it.
fn told(client: &mut Client, words: &str) {
    wait_until(&format!("an event says {words:?}"), || {
        let page = client.call("log.events", &json!({"meter": "bench"}));
        page["events"]
            .as_array()
            .unwrap()
            .iter()
            .any(|event| event["detail"].as_str().unwrap().contains(words))
    });
}

#[test]
fn each_fault_of_a_plugin_is_named_in_time_and_the_next_reading_is_good() {
    let daemon = bench("");
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    reading(&mut client);
    let faults = [
        ("crash", "meter_absent", "the plugin has ended with signal 6"),
        ("exit", "meter_absent", "ended with exit status 1; it said last: something is\u{fffd}[2J missing"),
        ("hang", "meter_silent", "no reading within 1s"),
        ("nonsense", "meter_garbled", "the plugin said \"good evening\": not JSON: expected value"),
        ("wrong_id", "meter_garbled", "which has no answer due"),
        ("twice", "meter_garbled", "missing"),
        ("nothing", "meter_garbled", "a response has a result, which is an object, or an error"),
        ("unasked", "meter_garbled", "nothing unasked but meter.gone"),
        ("gone", "meter_absent", "the instrument has gone: unplugged"),
        ("nan", "meter_garbled", "NaN"),
        ("beyond", "meter_garbled", "number out of range"),
        ("missing", "meter_garbled", "must have exactly one of luminance_cd_m2"),
        ("undeclared", "meter_garbled", "has xyz, which its quantities have not"),
        ("spectrum", "meter_garbled", "a spectrum must have 2 to 4096 values"),
        ("dark", "out_of_range", "too dark"),
        ("memory", "meter_absent", "the plugin has ended with signal 6"),
    ];
    for (what, kind, words) in faults {
        order(&daemon, what);
        let start = Instant::now();
        let (found, message) = refused(&mut client, "bench");
        assert!(start.elapsed() < DEADLINE, "{what} took {:?}", start.elapsed());
        assert_eq!(found, kind, "{what}: {message}");
        if what != "twice" {
            assert!(message.contains(words), "{what}: {message}");
        }
        assert!((101.0..120.0).contains(&reading(&mut client)), "{what}");
    }
}

#[test]
fn a_plugin_that_floods_costs_neither_memory_nor_anybody_elses_time() {
    let daemon = bench("");
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    reading(&mut client);
    let before_kb = memory_kb(daemon.pid(), "VmHWM");
    for (what, kind, words) in [
        ("flood", "meter_garbled", "answered request 0, which has no answer due"),
        ("endless", "meter_garbled", "a line of more than 262144 bytes"),
        ("complain", "meter_silent", "no reading within 1s"),
    ] {
        order(&daemon, what);
        let start = Instant::now();
        let (found, message) = refused(&mut client, "bench");
        assert!(start.elapsed() < DEADLINE, "{what} took {:?}", start.elapsed());
        assert!(found == kind && message.contains(words), "{what}: {found}, {message}");
        reading(&mut client);
    }
    let more_kb = memory_kb(daemon.pid(), "VmHWM") - before_kb;
    assert!(more_kb < 8 * 1024, "three gigabytes cost {more_kb} kB of memory");
    let trace = daemon.trace();
    assert!(trace.lines().filter(|line| line.contains("it hurts")).count() <= 200, "a flood of trace");
}

#[test]
fn what_a_plugin_says_on_standard_error_is_traced_with_the_meters_name_and_rationed() {
    let daemon = bench("");
    let mut client = daemon.client();
    order(&daemon, "chatter");
    reading(&mut client);
    wait_until("the trace tells what was left out", || daemon.trace().contains("left_out"));
    let trace = daemon.trace();
    let lines: Vec<&str> = trace.lines().filter(|line| line.contains("plugin: chatter")).collect();
    assert_eq!(lines.len(), 100, "{trace}");
    assert!(lines.iter().all(|line| line.contains("meter=\"bench\"")), "{trace}");
    assert!(trace.contains("left_out=200"), "{trace}");
}

#[test]
fn a_plugin_that_fails_while_it_is_opened_says_why_and_is_tried_again() {
    for (arguments, state, words) in [
        (", \"start\", \"crash\"", "absent", "the plugin has ended with signal 6"),
        (", \"start\", \"exit\"", "absent", "ended with exit status 1; it said last"),
        (", \"start\", \"nonsense\"", "failed", "good evening"),
        (", \"hello\", \"exit\"", "absent", "ended with exit status 1"),
        (", \"hello\", \"endless\"", "failed", "a line of more than"),
        (
            ", \"hello\", \"missing\"",
            "failed",
            "answer to hello does not fit: result: missing field `protocol`",
        ),
        (", \"open\", \"crash\"", "absent", "ended with signal 6"),
        (", \"open\", \"missing\"", "failed", "answer to meter.open does not fit: result: missing field"),
        (", \"open\", \"dark\"", "failed", "too dark"),
    ] {
        let daemon = bench(arguments);
        let mut client = daemon.client();
        client.wait_for_state("bench", state);
        told(&mut client, words);
        wait_until("it was tried again", || {
            client.call("meters.list", &json!({}))["meters"][0]["faults"].as_u64() >= Some(1)
        });
        assert!(children(daemon.pid()).len() <= 1, "{arguments}: {:?}", children(daemon.pid()));
    }
    let nowhere = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"plugin\"\ncommand = [\"./nowhere\"]\n";
    let daemon = Daemon::start(nowhere);
    daemon.client().wait_for_state("bench", "absent");
    told(&mut daemon.client(), "there is no program \"./nowhere\"");
}

#[test]
fn a_plugin_that_stays_mute_is_said_to_be_being_opened() {
    let daemon = bench(", \"open\", \"hang\"");
    let meter = daemon.client().call("meters.list", &json!({}))["meters"][0].clone();
    assert_eq!((meter["state"].as_str(), meter["reason"].as_str()), (Some("absent"), Some("being opened")));
}

#[test]
fn what_happens_while_nobody_asks_is_noticed_at_once() {
    let daemon = bench("");
    let (mut client, mut watcher) = (daemon.client(), daemon.client());
    client.wait_for_state("bench", "ready");
    watcher.call("meters.observe", &json!({}));
    for (what, state) in [
        ("exit", "absent"),
        ("crash", "absent"),
        ("gone", "absent"),
        ("flood", "failed"),
        ("endless", "failed"),
        ("nonsense", "failed"),
        ("twice", "failed"),
    ] {
        order(&daemon, &format!("after {what}"));
        reading(&mut client);
        let start = Instant::now();
        while watcher.notice("meters.changed")["meter"]["state"] != state {}
        assert!(start.elapsed() < Duration::from_secs(2), "{what} took {:?}", start.elapsed());
        while watcher.notice("meters.changed")["meter"]["state"] != "ready" {}
    }
}

#[test]
fn a_stopped_plugin_is_silent_within_its_deadline_and_others_never_notice() {
    let config = format!(
        "[log]\npath = \"log.sqlite\"\n{}[[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nintegration_s = [0.05, 1]\nautomatic_s = 0.05\n",
        faulty("bench", "")
    );
    let daemon = Daemon::start(&config);
    let (mut client, mut watcher) = (daemon.client(), daemon.client());
    client.wait_for_state("bench", "ready");
    watcher.call("meter.observe", &json!({"meter": "other", "interval_s": 0.1}));
    let pid = plugin(&daemon);
    // Back in time: what it answers late is thrown away, and it is not started anew.
    order(&daemon, "stop");
    let start = Instant::now();
    assert_eq!(refused(&mut client, "bench").0, "meter_silent");
    assert!(start.elapsed() < DEADLINE, "{:?}", start.elapsed());
    kill(pid, Signal::SIGCONT).unwrap();
    let late = reading(&mut client);
    assert!((late - 102.0).abs() < 1e-9, "the first exposure's answer was thrown away: {late}");
    assert_eq!(plugin(&daemon), pid);
    // Not back in time: another is started in its place.
    kill(pid, Signal::SIGSTOP).unwrap();
    let start = Instant::now();
    assert_eq!(refused(&mut client, "bench").0, "meter_silent");
    assert!(start.elapsed() < DEADLINE, "{:?}", start.elapsed());
    assert!((reading(&mut client) - 101.0).abs() < 1e-9);
    assert!(has_ended(pid) && plugin(&daemon) != pid);
    let mut began = Vec::new();
    while began.len() < 30 {
        began.push(watcher.notice("reading")["reading"]["began_s"].as_f64().unwrap());
    }
    let late = began.windows(2).filter(|pair| pair[1] - pair[0] > 0.3).count();
    assert!(late <= 2, "{late} of {} were late: {began:?}", began.len());
}

#[test]
fn what_a_plugin_has_started_ends_with_it() {
    let daemon = bench("");
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    order(&daemon, "fork");
    // The child holds the plugin's output open: that doesn't hide its end.
    let start = Instant::now();
    assert_eq!(refused(&mut client, "bench").0, "meter_absent");
    assert!(start.elapsed() < Duration::from_secs(2), "{:?}", start.elapsed());
    let child = Pid::from_raw(std::fs::read_to_string(daemon.path("forked")).unwrap().parse().unwrap());
    wait_until("the child has ended", || has_ended(child));
    reading(&mut client);
}

#[test]
fn a_hundred_kills_leave_nothing_behind() {
    let daemon = bench("");
    let mut client = daemon.client();
    let files = || std::fs::read_dir(format!("/proc/{}/fd", daemon.pid())).unwrap().count();
    let mut before = (0, 0);
    for round in 0..100 {
        reading(&mut client);
        if round == 10 {
            before = (files(), memory_kb(daemon.pid(), "VmRSS"));
        }
        let pid = plugin(&daemon);
        kill(pid, Signal::SIGKILL).unwrap();
        wait_until("the plugin is waited for", || !Path::new(&format!("/proc/{pid}")).exists());
    }
    reading(&mut client);
    let left = children(daemon.pid());
    assert_eq!(left.len(), 1, "{left:?}");
    assert!(files() <= before.0, "{} open files, {} before", files(), before.0);
    let more_kb = memory_kb(daemon.pid(), "VmRSS").saturating_sub(before.1);
    assert!(more_kb < 4096, "ninety kills cost {more_kb} kB");
}

#[test]
fn a_plugin_that_ends_as_soon_as_it_is_open_is_started_ever_less_often() {
    let daemon = bench(", \"opened\", \"exit\"");
    let mut client = daemon.client();
    let mut opened_s: Vec<f64> = Vec::new();
    wait_until("it was opened five times", || {
        let page = client.call("log.events", &json!({"meter": "bench"}));
        let events = page["events"].as_array().unwrap();
        opened_s = events
            .iter()
            .filter(|event| event["kind"] == "meter_ready")
            .map(|event| event["t_s"].as_f64().unwrap())
            .collect();
        opened_s.len() >= 5
    });
    for (gap, least) in opened_s.windows(2).map(|pair| pair[1] - pair[0]).zip([0.0, 0.25, 0.5, 1.0]) {
        assert!(gap >= least, "{opened_s:?}");
    }
}

#[test]
fn a_daemon_that_stops_leaves_no_plugin_behind_not_even_one_that_hangs() {
    let mut daemon = bench(", \"hello\", \"hang\"");
    let pid = plugin(&daemon);
    let start = Instant::now();
    daemon.signal(Signal::SIGTERM);
    assert!(daemon.ended().success());
    assert!(start.elapsed() < Duration::from_secs(4), "{:?}", start.elapsed());
    wait_until("the plugin has ended", || has_ended(pid));
}

#[test]
fn a_plugin_runs_within_its_limits_and_sees_a_clean_environment() {
    let daemon = Daemon::start(&format!("[log]\npath = \"off\"\n{}nice = 7\n", faulty("bench", "")));
    let mut client = daemon.client();
    order(&daemon, "environment");
    reading(&mut client);
    let seen = std::fs::read_to_string(daemon.path("environment")).unwrap();
    let known = ["PATH", "HOME", "LANG", "LC_ALL", "TZ", "TMPDIR"];
    assert!(seen.lines().all(|name| known.contains(&name)), "{seen}");
    assert!(seen.lines().any(|name| name == "PATH"), "{seen}");
    // The test itself has more, which the daemon has from it.
    assert!(std::env::var_os("CARGO_MANIFEST_DIR").is_some());
    let pid = plugin(&daemon);
    let limits = std::fs::read_to_string(format!("/proc/{pid}/limits")).unwrap();
    let data = limits.lines().find(|line| line.starts_with("Max data size")).unwrap();
    assert!(data.contains(&(64 << 20).to_string()), "{limits}");
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
    assert_eq!((fields[2], fields[16]), (pid.to_string().as_str(), "7"), "group and niceness: {stat}");
}
