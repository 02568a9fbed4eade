//! `settle review run`: a plan measured to its end, whatever comes in between.

use std::collections::HashMap;
use std::path::Path;
use std::process::{Command, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};
use crate::support::others::need_root;
use crate::support::review::{
    STEADY, arguments, assert_done, bench, entries, measured, path, start, text, wait_for,
};

/// Stimuli of the plan `sdr-quick`: white and black, 11 greys, black and 5 above it, 6 colours and white.
const QUICK: usize = 26;

/// Every stimulus once, and none twice.
fn assert_whole(file: &str) {
    let mut counts: HashMap<String, usize> = HashMap::new();
    for entry in measured(file) {
        *counts.entry(format!("{} {} {}", entry["set"], entry["sequence"], entry["step"])).or_default() += 1;
    }
    assert_eq!(counts.len(), QUICK, "{counts:?}");
    assert!(counts.values().all(|count| *count == 1), "{counts:?}");
}

#[test]
fn a_review_is_measured_whole_and_what_a_line_says_was_shown_is_what_was_read() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let output = daemon.run_settle(&arguments("sdr-quick", &file));
    assert_done(&output);
    assert_whole(&file);
    let result: Value = serde_json::from_str(&text(&output.stdout)).unwrap();
    assert_eq!((&result["review"]["measured"], &result["review"]["left"]), (&json!(QUICK), &json!(0)));
    // Each line of standard error is an object with one member.
    let said: Vec<Value> =
        text(&output.stderr).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(said.iter().filter(|said| said["progress"]["of"] == QUICK).count(), QUICK);
    assert!(
        said.iter()
            .any(|said| said["caution"]["message"].as_str().is_some_and(|words| words.contains("seizures")))
    );
    let mut seen = 0;
    for entry in measured(&file).iter().filter(|entry| entry["sequence"] == "grey") {
        let signal = f64::from(u16::try_from(entry["patch"]["codes"][0].as_u64().unwrap()).unwrap()) / 255.0;
        // ITU-R BT.1886 with a black of 0: what the simulated display is.
        let expected = 100.0 * signal.powf(2.4);
        let (found, u95) = (entry["value"]["y"].as_f64().unwrap(), entry["value"]["y_u95"].as_f64().unwrap());
        assert!((found - expected).abs() < 3.0 * u95 + 1e-3, "{entry}: {expected}");
        assert!(
            entry["readings"]["count"].as_u64().unwrap() > 0
                && entry["flags"].as_array().unwrap().contains(&json!("simulated"))
        );
        seen += 1;
    }
    assert_eq!(seen, 11);
    // White and black come first.
    let first: Vec<Value> = measured(&file).iter().take(2).map(|entry| entry["sequence"].clone()).collect();
    assert_eq!(first, ["white_black", "white_black"]);
}

#[test]
fn how_the_meter_was_as_a_review_began_is_in_its_record_and_its_report_and_in_no_older_ones() {
    let daemon = Daemon::start(&format!(
        "[clock]\nspeed = 40\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n{STEADY}warm_up = \"10min\"\nzero_every = \"4h\"\n"
    ));
    daemon.client().wait_for_state("m", "warming");
    let (plan, file) = (path(&daemon, "plan.toml"), path(&daemon, "r.jsonl"));
    let set = "title = \"White\"\n[[set]]\nname = \"SDR\"\ntransfer = \"power\"\ngamma = 2.2\nprimaries = \"bt709\"\n";
    std::fs::write(&plan, format!("{set}[[set.sequence]]\nkind = \"primaries\"\n")).unwrap();
    assert_done(&daemon.run_settle(&arguments(&plan, &file)));
    let record = std::fs::read_to_string(&file).unwrap();
    let (first, rest) = record.split_once('\n').unwrap();
    let mut header: Value = serde_json::from_str(first).unwrap();
    let attached = header["attached"].take();
    assert_eq!((&attached["driver"], &attached["warm_up"]["needed_s"]), (&json!("simulated"), &json!(600.0)));
    assert_eq!((&attached["zero"]["needed"], attached.get("correction")), (&json!(true), None));
    let page = |file: &str| text(&daemon.run_settle(&["report", file, "--into", "-"]).stdout);
    let told = page(&file);
    assert!(told.contains("<dt>Correction</dt><dd>none</dd>"), "{told}");
    assert!(
        told.contains("not known when; it was due as the review began") && told.contains("10 min needed")
    );
    // A record of before that was told.
    header.as_object_mut().unwrap().remove("attached");
    let older = path(&daemon, "older.jsonl");
    std::fs::write(&older, format!("{header}\n{rest}")).unwrap();
    let told = page(&older);
    assert!(
        told.contains("<dt>Meter</dt>")
            && !told.contains("<dt>Correction</dt>")
            && !told.contains("<dt>Zeroed</dt>")
    );
}

#[test]
fn a_client_that_is_killed_goes_on_where_it_stopped_and_no_stimulus_is_doubled_or_lost() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    for count in [3, 9, 15] {
        let mut child = start(&daemon, "sdr-quick", &file);
        wait_for(&file, count);
        child.kill().unwrap();
        child.wait().unwrap();
    }
    // A line that was being written as it was killed.
    let torn = [std::fs::read(&file).unwrap().as_slice(), b"{\"entry\":\"patch\",\"set\":\"SDR\""].concat();
    std::fs::write(&file, torn).unwrap();
    assert_done(&daemon.run_settle(&arguments("sdr-quick", &file)));
    assert_whole(&file);
    let notes: Vec<Value> = entries(&file).into_iter().filter(|entry| entry["entry"] == "note").collect();
    assert_eq!(notes.len(), 3, "{notes:?}");
    assert!(notes[2]["words"].as_str().unwrap().contains("cut off"));
    // Once it is whole there is nothing to be done any more.
    let before = measured(&file).len();
    assert_done(&daemon.run_settle(&arguments("sdr-quick", &file)));
    assert_eq!(measured(&file).len(), before);
}

#[test]
fn whoever_ends_it_the_command_that_shows_is_told_to_show_black_last() {
    let daemon = bench();
    for (signal, name) in
        [(Signal::SIGTERM, "term"), (Signal::SIGHUP, "hangup"), (Signal::SIGINT, "interrupt")]
    {
        let (file, shown) = (path(&daemon, &format!("{name}.jsonl")), path(&daemon, name));
        let command = format!("sh -c 'echo \"$1 $2\" >>\"$0\"' {shown} {{r}},{{g}},{{b}} {{window_percent}}");
        let mut settle = daemon.settle(&arguments("sdr-quick", &file));
        settle.args(["--show-command", &command]);
        let child = settle.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let lines = || std::fs::read_to_string(&shown).unwrap_or_default();
        wait_until("white is shown", || lines().contains("255,255,255 10\n"));
        kill(Pid::from_raw(child.id().try_into().unwrap()), signal).unwrap();
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(130), "{}", text(&output.stderr));
        assert!(lines().ends_with("\n0,0,0 100\n"), "{name}: {}", lines());
    }
}

#[test]
fn what_a_page_can_not_show_is_refused_before_anything_is_written() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    for (more, words) in [(&[][..], "no signal of PQ"), (&["--set", "HDR PQ"], "no signal of PQ")] {
        let output =
            daemon.run_settle(&[&arguments("sdr-and-hdr", &file)[..], &["--show", "page"], more].concat());
        let said = text(&output.stderr);
        assert!(
            output.status.code() == Some(2) && said.contains(words) && !said.contains("seizures"),
            "{said}"
        );
    }
    assert!(!Path::new(&file).exists());
}

#[test]
fn a_daemon_that_is_killed_and_comes_back_costs_no_stimulus() {
    let mut daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let child = start(&daemon, "sdr-quick", &file);
    wait_for(&file, 6);
    daemon.kill();
    daemon.launch();
    let output = child.wait_with_output().unwrap();
    assert_done(&output);
    assert_whole(&file);
    let said = text(&output.stderr);
    assert!(
        said.contains("{\"daemon\":{\"state\":\"lost\"}}")
            && said.contains("{\"daemon\":{\"state\":\"back\"}}"),
        "{said}"
    );
    assert!(entries(&file).iter().any(|entry| entry["words"] == "the daemon was away, or started anew"));
}

#[test]
fn ctrl_c_keeps_what_was_measured_and_puts_the_display_back() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let before = json!({"colour": [300, 200, 100], "bits": 10});
    daemon.client().call("stage.show", &json!({"meter": "m", "stimulus": before}));
    let child = start(&daemon, "sdr-quick", &file);
    wait_for(&file, 4);
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", text(&output.stderr));
    let result: Value = serde_json::from_str(&text(&output.stdout)).unwrap();
    let count = measured(&file).len();
    assert_eq!(result["review"]["measured"], count);
    assert_eq!(result["review"]["left"], QUICK - count);
    let shown = daemon.client().call("stage.show", &json!({"meter": "m", "stimulus": {"colour": [0, 0, 0]}}));
    assert_eq!(shown["before"]["colour"], before["colour"]);
    // The meter is nobody's.
    assert!(daemon.client().call("meters.list", &json!({}))["meters"][0]["lease"].is_null());
}

#[test]
fn nobody_else_reads_with_the_meter_meanwhile() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let mut child = start(&daemon, "sdr-quick", &file);
    wait_for(&file, 1);
    assert_eq!(daemon.client().refusal("meter.read", &json!({"meter": "m"})), "leased");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[test]
fn another_plan_display_or_meter_is_refused_with_what_differs() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let mut child = start(&daemon, "sdr-quick", &file);
    wait_for(&file, 1);
    // While it is being written, nobody else writes it.
    let other = daemon.run_settle(&arguments("sdr-quick", &file));
    assert_eq!(other.status.code(), Some(1));
    assert!(text(&other.stderr).contains("another review is being written into"), "{}", text(&other.stderr));
    child.kill().unwrap();
    child.wait().unwrap();
    let kept = std::fs::read(&file).unwrap();
    let other = daemon.run_settle(&arguments("sdr-full", &file));
    assert_eq!(other.status.code(), Some(2));
    assert!(text(&other.stderr).contains("is another one"), "{}", text(&other.stderr));
    let other =
        daemon.run_settle(&["review", "run", "sdr-quick", "--into", &file, "--display", "Field monitor 5"]);
    assert_eq!(other.status.code(), Some(2));
    assert!(text(&other.stderr).contains("Field monitor 4"), "{}", text(&other.stderr));
    assert_eq!(std::fs::read(&file).unwrap(), kept);
}

#[test]
fn what_is_held_for_long_must_be_agreed_to() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let plan = path(&daemon, "p.toml");
    let written = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"bt1886\"\nprimaries = \"bt709\"\n[[set.sequence]]\n\
        kind = \"retention\"\nhold = \"1min\"\nwatch = 30\nrest_before = 5\n";
    std::fs::write(&plan, written).unwrap();
    let refused = daemon.run_settle(&arguments(&plan, &file));
    assert_eq!(refused.status.code(), Some(2));
    let said = text(&refused.stderr);
    assert!(said.contains("--yes") && said.contains("held for"), "{said}");
    assert!(!Path::new(&file).exists());
    let mut agreed = arguments(&plan, &file);
    agreed.push("--yes");
    assert_done(&daemon.run_settle(&agreed));
    let retention: Vec<Value> =
        measured(&file).into_iter().filter(|entry| entry["sequence"] == "retention").collect();
    let kinds: Vec<&Value> = retention.iter().map(|entry| &entry["entry"]).collect();
    assert_eq!(kinds, ["patch", "course", "course"]);
    let points = retention[1]["points"].as_array().unwrap();
    let last = points.last().unwrap()["t_s"].as_f64().unwrap();
    // On a busy machine few readings come in the second and a half that the minute takes here.
    assert!(last > 55.0 && points.len() > 1, "{last}, {}", points.len());
}

#[test]
fn a_plan_with_mistakes_is_refused_with_all_of_them_and_nothing_is_shown() {
    let daemon = bench();
    let (plan, file) = (path(&daemon, "p.toml"), path(&daemon, "r.jsonl"));
    let written = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"srgb\"\nprimaries = \"bt70\"\n[[set.sequence]]\nkind = \"grey\"\nstep = 5\n";
    std::fs::write(&plan, written).unwrap();
    let output = daemon.run_settle(&["review", "run", &plan, "--into", &file]);
    assert_eq!(output.status.code(), Some(2));
    let said = text(&output.stderr);
    assert!(
        said.contains("p.toml:5:13: set[0].primaries")
            && said.contains("p.toml:8:1: set[0].sequence[0].step"),
        "{said}"
    );
    assert!(said.contains("did you mean \"steps\"?") && !Path::new(&file).exists(), "{said}");
    let looked = daemon.run_settle(&["review", "plans", &plan]);
    assert_eq!((looked.status.code(), text(&looked.stderr)), (Some(2), said));
}

#[test]
fn plans_that_come_along_are_listed_and_printed_as_they_are_read() {
    let daemon = bench();
    let listed = text(&daemon.run_settle(&["--json", "review", "plans"]).stdout);
    let listed: Vec<Value> = listed.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(listed.iter().any(|plan| plan["name"] == "sdr-quick" && plan["stimuli"] == QUICK), "{listed:?}");
    let printed = daemon.run_settle(&["review", "plans", "uniformity"]);
    assert_done(&printed);
    let (plan, file) = (path(&daemon, "own.toml"), path(&daemon, "r.jsonl"));
    std::fs::write(&plan, &printed.stdout).unwrap();
    let words = text(&daemon.run_settle(&["review", "run", &plan, "--into", &file, "--set", "nope"]).stderr);
    assert!(words.contains("has no \"nope\"; it has: SDR"), "{words}");
    // One of one's own is looked through, and nothing is measured.
    let told = daemon.run_settle(&["--json", "review", "plans", &plan]);
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    let sequences = told["plan"]["sets"][0]["sequences"].as_array().unwrap();
    let counts: Vec<u64> = sequences.iter().map(|it| it["stimuli"].as_u64().unwrap()).collect();
    assert!(told["plan"]["stimuli"] == counts.iter().sum::<u64>() && counts.len() > 1, "{told}");
    assert!(told["plan"]["expected_s"].as_f64().unwrap() > 60.0, "{told}");
    let page = text(&daemon.run_settle(&["review", "plans", &plan]).stdout);
    let lines: Vec<&str> = page.lines().filter(|line| line.contains("(uniformity)")).collect();
    assert!(!lines.is_empty() && lines.iter().all(|line| line.contains("100 %")), "{page}");
    assert!(page.starts_with("Uniformity") && page.contains("stimuli, some "), "{page}");
    assert!(!Path::new(&file).exists());
    let unknown = daemon.run_settle(&["review", "plans", "nope"]);
    assert_eq!(unknown.status.code(), Some(2));
}

#[test]
fn the_meter_is_moved_from_place_to_place_and_the_display_switched_off_for_the_rooms_light() {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 40\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n{STEADY}falloff = 0.3\nglare_cd_m2 = 0.5\n"
    ));
    daemon.client().wait_for_state("m", "ready");
    let (plan, file) = (path(&daemon, "p.toml"), path(&daemon, "r.jsonl"));
    let written = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"bt1886\"\nprimaries = \"bt709\"\n[[set.sequence]]\nkind = \"ambient\"\n\
        [[set.sequence]]\nkind = \"uniformity\"\ncolumns = 3\nrows = 3\nsignal = 1\n";
    std::fs::write(&plan, written).unwrap();
    assert_done(&daemon.run_settle(&arguments(&plan, &file)));
    let lines = measured(&file);
    let of = |sequence: &str, step: u64| {
        let line = lines.iter().find(|line| line["sequence"] == sequence && line["step"] == step).unwrap();
        line["value"]["y"].as_f64().unwrap()
    };
    // All that is left is the room's light.
    assert!((of("ambient", 0) - 0.5).abs() < 0.01, "{}", of("ambient", 0));
    let (corner, middle) = (of("uniformity", 0), of("uniformity", 4));
    assert!((middle - 100.5).abs() < 0.5 && corner < 0.95 * middle, "{corner} {middle}");
}

/// White and black alone.
const SHORT: &str =
    "title = \"T\"\n[[set]]\nname = \"SDR\"\nbits = 8\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n";

#[test]
fn a_record_that_can_not_be_written_or_is_another_reviews_is_refused_before_anything_is_said() {
    let daemon = bench();
    let [plan, file, nowhere] = ["p.toml", "r.jsonl", "nowhere/r.jsonl"].map(|name| path(&daemon, name));
    std::fs::write(&plan, SHORT).unwrap();
    assert_done(&daemon.run_settle(&arguments(&plan, &file)));
    for (file, status, expected) in [(&file, 2, "is of another review"), (&nowhere, 1, "nowhere")] {
        let output = daemon.run_settle(&arguments("near-black", file));
        let said = text(&output.stderr);
        assert_eq!((output.status.code(), said.lines().count()), (Some(status), 1), "{said}");
        assert!(said.contains(expected) && !said.contains("caution"), "{said}");
    }
    assert!(!Path::new(&nowhere).exists());
    need_root();
    // One that is gone on with, but can only be read: nobody is asked to agree to what can't be written down.
    let held = "[[set.sequence]]\nkind = \"retention\"\nhold = \"1min\"\nwatch = 30\nrest_before = 5\n";
    let [plan, file] = ["held.toml", "held.jsonl"].map(|name| path(&daemon, name));
    std::fs::write(&plan, format!("{SHORT}{held}")).unwrap();
    let mut agreed = arguments(&plan, &file);
    agreed.push("--yes");
    assert_done(&daemon.run_settle(&agreed));
    let begun = std::fs::read_to_string(&file).unwrap();
    let begun = begun.split_inclusive('\n').enumerate();
    let begun: String =
        begun.filter(|(at, line)| *at == 0 || !line.contains("retention")).map(|(_, line)| line).collect();
    std::fs::write(&file, begun).unwrap();
    let settle = daemon.settle(&arguments(&plan, &file));
    let mut apart = Command::new("unshare");
    let read_only = "mount --bind \"$0\" \"$0\" && mount -o remount,bind,ro \"$0\" && exec \"$@\"";
    apart.args(["--mount", "--propagation", "private", "sh", "-c", read_only, &file]);
    let output = apart.arg(settle.get_program()).args(settle.get_args()).output().unwrap();
    let said = text(&output.stderr);
    assert_eq!((output.status.code(), said.lines().count()), (Some(1), 1), "{said}");
    assert!(said.contains("held.jsonl: Read-only file system"), "{said}");
}
