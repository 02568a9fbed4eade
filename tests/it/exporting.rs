//! The log on its way elsewhere: exports, pictures, bins and figures, read back by libraries that aren't ours.

use std::path::Path;
use std::process::{Command, Output, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};
use crate::support::scripted::{Answer, Scripted};

/// A colorimeter and a spectrometer at one display.
const BENCH: &str = "[log]\npath = \"log.sqlite\"\n\
    [[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n\
    [[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\nlooks_at = \"bench\"\ninstant = true\n";

/// What tests/exchange/read.py, which knows nothing of our own readers, makes of a file.
fn read_back(format: &str, file: &Path) -> Value {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("exchange/read.py");
    let output = Command::new("python3").arg("-B").arg(script).arg(format).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn words(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn bench() -> (Daemon, Vec<Value>) {
    let daemon = Daemon::start(BENCH);
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    client.wait_for_state("spectral", "ready");
    for _ in 0..7 {
        client.call("meter.read", &json!({"meter": "bench"}));
        client.call("meter.read", &json!({"meter": "spectral"}));
    }
    let readings =
        client.call("log.readings", &json!({"spectra": true}))["readings"].as_array().unwrap().clone();
    assert_eq!(readings.len(), 14);
    (daemon, readings)
}

/// Number for number: what was exported is what the daemon gives, to the last digit.
#[test]
fn exports_are_read_back_by_libraries_that_are_not_ours_to_the_last_digit() {
    let (daemon, readings) = bench();
    let file = |name: &str| daemon.path(name).to_str().unwrap().to_owned();
    let export = |arguments: &[&str]| {
        let output = daemon.run_settle(&[&["log", "export"], arguments].concat());
        assert!(output.status.success(), "{}", words(&output));
        words(&output)
    };
    let said = export(&["--json-lines", &file("all.jsonl")]);
    assert!(said.contains("14 readings in") && said.contains("all.jsonl"), "{said}");
    assert_eq!(read_back("json", &daemon.path("all.jsonl")), Value::from(readings.clone()));

    export(&["--csv", &file("s.csv"), "--spectra", "--meter", "spectral"]);
    let rows = read_back("csv", &daemon.path("s.csv"));
    let of = |meter: &'static str| readings.iter().filter(move |reading| reading["meter"] == meter);
    assert_eq!(rows.as_array().unwrap().len(), of("spectral").count());
    for (row, reading) in rows.as_array().unwrap().iter().zip(of("spectral")) {
        let number = |name: &str| row[name].as_str().unwrap().parse::<f64>().unwrap();
        assert_eq!(number("sequence"), reading["sequence"].as_f64().unwrap());
        assert_eq!([number("X"), number("Y"), number("Z")].as_slice(), numbers(&reading["xyz"]));
        assert_eq!(number("t_s"), reading["t_s"].as_f64().unwrap());
        assert_eq!((&row["at"], &row["flags"]), (&reading["at"], &json!("simulated")));
        let values: Vec<f64> = (380..=780).map(|nm| number(&format!("{nm} nm"))).collect();
        assert_eq!(values, numbers(&reading["spectrum"]["values"]));
    }

    export(&["--cgats", &file("all.txt"), "--spectra"]);
    let tables = read_back("cgats", &daemon.path("all.txt"));
    let tables = tables.as_array().unwrap();
    assert_eq!(tables.len(), 2, "a colorimeter's and a spectrometer's");
    for (table, meter) in tables.iter().zip(["bench", "spectral"]) {
        assert!(table["keywords"]["FILE_DESCRIPTOR"].as_str().unwrap().starts_with("SIMULATED, "), "{table}");
        assert_eq!(table["keywords"]["LIGHT_UNIT"], "cd/m2");
        let sets = table["sets"].as_array().unwrap();
        assert_eq!(sets.len(), of(meter).count());
        for (set, reading) in sets.iter().zip(of(meter)) {
            let found = ["XYZ_X", "XYZ_Y", "XYZ_Z"].map(|name| set[name].as_f64().unwrap());
            assert_eq!(found.as_slice(), numbers(&reading["xyz"]));
            assert_eq!((&set["SAMPLE_NAME"], &set["TIME_UTC"]), (&reading["meter"], &reading["at"]));
            assert_eq!(set["SAMPLE_ID"].as_f64(), reading["sequence"].as_f64());
            assert_eq!(set["T_S"].as_f64(), reading["t_s"].as_f64());
            if meter == "spectral" {
                let values: Vec<f64> =
                    (380..=780).map(|nm| set[&format!("SPECTRAL_{nm}")].as_f64().unwrap()).collect();
                assert_eq!(values, numbers(&reading["spectrum"]["values"]));
            }
        }
    }
}

fn numbers(list: &Value) -> Vec<f64> {
    list.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

#[test]
fn whichever_form_is_exported_assess_says_the_same_of_it() {
    let (daemon, _) = bench();
    let decisions: Vec<String> = ["--csv", "--json-lines", "--cgats"]
        .iter()
        .map(|form| {
            let file = daemon.path(&format!("readings{form}"));
            let exported =
                daemon.run_settle(&["log", "export", form, file.to_str().unwrap(), "--meter", "bench"]);
            assert!(exported.status.success(), "{}", words(&exported));
            let assessed = daemon.run_settle(&["--json", "assess", file.to_str().unwrap()]);
            assert!(assessed.stderr.is_empty(), "{}", words(&assessed));
            String::from_utf8(assessed.stdout).unwrap()
        })
        .collect();
    assert!(decisions[0].contains("\"id\":\"bench\"") && decisions[0].contains("\"n\":"), "{decisions:?}");
    assert!(decisions.windows(2).all(|pair| pair[0] == pair[1]), "{decisions:#?}");
    // Standard output takes it, too, and a pipe into the next command.
    let piped = daemon.run_settle(&["log", "export", "--cgats", "-", "--meter", "bench"]);
    assert!(piped.stdout.starts_with(b"CGATS.17\n") && piped.stderr.is_empty(), "{}", words(&piped));
    let none = daemon.run_settle(&["log", "export", "--csv", "-", "--meter", "zip"]);
    assert!(
        none.status.code() == Some(1) && words(&none).contains("no meter is called \"zip\""),
        "{}",
        words(&none)
    );
    for arguments in [["log", "export"].as_slice(), &["log", "export", "--csv", "a", "--cgats", "b"]] {
        assert_eq!(daemon.run_settle(arguments).status.code(), Some(2), "{arguments:?}");
    }
}

fn reading(sequence: u64) -> Value {
    json!({"sequence": sequence, "meter": "bench", "at": "2026-11-26T18:00:00Z", "t_s": sequence, "began_s": 0, "boot": "b",
        "luminance_cd_m2": 200, "flags": ["simulated"]})
}

fn files(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name());
    let mut names: Vec<String> = entries.map(|name| name.into_string().unwrap()).collect();
    names.retain(|name| name != "socket");
    names
}

/// A daemon that gives one page and promises another.
fn endless(then: fn() -> Answer) -> Scripted {
    Scripted::start(move |method, params| match method {
        "daemon.status" => Answer::Result(json!({"version": "0", "uptime_s": 1, "clients": 1, "meters": [],
            "log": {"writing": true, "last_sequence": 2000}})),
        "log.readings" if params["after"].is_null() => {
            Answer::Result(json!({"readings": (1..=1000).map(reading).collect::<Vec<_>>(), "next": 1000}))
        }
        _ => then(),
    })
}

#[test]
fn an_export_is_there_complete_or_not_at_all() {
    let daemon = endless(|| Answer::Gone);
    std::fs::create_dir(daemon.path("out")).unwrap();
    let file = daemon.path("out/night");
    std::fs::write(&file, "what was there").unwrap();
    for form in ["--csv", "--json-lines", "--cgats"] {
        let output = daemon.run_settle(&["log", "export", form, file.to_str().unwrap(), "--replace"]);
        assert_eq!(output.status.code(), Some(1), "{}", words(&output));
        assert_eq!(files(&daemon.path("out")), ["night"], "no half of it is left");
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "what was there");
    }
    let nowhere = daemon.path("none/night");
    let output = daemon.run_settle(&["log", "export", "--csv", nowhere.to_str().unwrap()]);
    assert!(output.status.code() == Some(1) && words(&output).contains("none/night"), "{}", words(&output));
}

#[test]
fn a_daemons_log_and_whatever_else_is_there_is_left_by_exports_and_plots() {
    let daemon = night();
    let (log, other) = (daemon.path("worn.sqlite"), daemon.path("c.toml"));
    let database = b"SQLite format 3\0 and all the nights";
    std::fs::write(&log, database).unwrap();
    std::fs::write(&other, "[log]").unwrap();
    let (database_name, other_name) = (log.to_str().unwrap(), other.to_str().unwrap());
    for command in [
        &["log", "export", "--csv"][..],
        &["log", "export", "--cgats"],
        &["log", "export", "--json-lines"],
        &["log", "plot", "--every", "1min", "--svg"],
        &["log", "plot", "--every", "1min", "--png"],
    ] {
        let refused = |arguments: &[&str], why: &str| {
            let output = daemon.run_settle(&[command, arguments].concat());
            assert!(output.status.code() == Some(2) && words(&output).contains(why), "{}", words(&output));
        };
        refused(&[database_name, "--run", "7"], "is a log, or another database");
        refused(&[database_name, "--run", "7", "--replace"], "is a log, or another database");
        refused(&[other_name, "--run", "7"], "with --replace");
    }
    assert_eq!(std::fs::read(&log).unwrap(), database);
    assert_eq!(std::fs::read_to_string(&other).unwrap(), "[log]");
}

#[test]
fn an_interrupted_export_leaves_nothing_and_says_so_by_its_status() {
    let daemon = endless(|| Answer::Silence);
    std::fs::create_dir(daemon.path("out")).unwrap();
    let file = daemon.path("out/night.csv");
    let mut child = daemon
        .settle(&["log", "export", "--csv", file.to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_until("the second page is asked for", || daemon.count("log.readings") == 2);
    assert_eq!(files(&daemon.path("out")).len(), 1, "it is being written");
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert!(files(&daemon.path("out")).is_empty());
}

/// Bins of a minute from 18:00 on: 200 of them, two hours without any, 180 more.
fn bins(params: &Value) -> Value {
    let every = params["every_s"].as_f64().unwrap();
    let minutes: Vec<u64> = if every > 3600.0 { vec![0] } else { (0..200).chain(320..500).collect() };
    let bins = minutes.iter().map(|minute| {
        let mean = 200.0 - 0.01 * f64::from(u32::try_from(*minute).unwrap());
        let (day, hour) = (26 + (18 + minute / 60) / 24, (18 + minute / 60) % 24);
        json!({"at": format!("2026-11-{day}T{hour:02}:{:02}:00Z", minute % 60),
            "span_s": if every > 3600.0 { 86_400.0 } else { 60.0 }, "quantity": "luminance", "count": 1, "first": minute + 1,
            "last": if every > 3600.0 { 500 } else { minute + 1 }, "mean": mean, "min": mean - 0.1, "max": mean + 0.1,
            "chromaticity": {"x": 0.3127, "y": 0.329, "u_prime": 0.197_830_006_642_836_8, "v_prime": 0.468_319_994_939_424_9},
            "flags": ["simulated"]})
    });
    // A run's alone: a meter's are these whatever the time.
    let until = params["until"].as_str().filter(|_| !params["run"].is_null());
    let is_before = |bin: &Value| until.is_none_or(|until| bin["at"].as_str().unwrap() < until);
    json!({"bins": bins.filter(is_before).collect::<Vec<_>>()})
}

fn night() -> Scripted {
    Scripted::start(|method, params| match method {
        "meters.list" => Answer::Result(
            json!({"meters": [{"id": "bench", "driver": "simulated", "state": "ready", "simulated": true, "faults": 0}]}),
        ),
        "log.bins" => Answer::Result(bins(params)),
        "log.events" => Answer::Result(json!({"events": [
            {"sequence": 1, "at": "2026-11-26T21:20:00Z", "t_s": 1, "boot": "b", "kind": "meter_gone", "meter": "bench", "detail": "bench is gone"},
            {"sequence": 2, "at": "2026-11-27T02:20:03Z", "t_s": 1, "boot": "b", "kind": "run_ended", "run": 7, "meter": "bench", "detail": "warm-up run 7, done"}]})),
        "runs.show" => Answer::Result(warm_up()),
        "log.readings" => Answer::Result(
            json!({"readings": [{"sequence": params["after"].as_u64().unwrap_or(0) + 1, "meter": "bench",
            "at": if params["after"] == 499 { "2026-11-27T02:20:00Z" } else { "2026-11-26T18:00:01Z" }, "t_s": 1, "began_s": 0, "boot": "b",
            "luminance_cd_m2": 200, "flags": []}]}),
        ),
        "log.backup" => Answer::Result(
            json!({"file": "backups/log-1.sqlite", "bytes": 1_234_567, "at": "2026-11-27T06:00:00Z", "last_sequence": 500}),
        ),
        "log.check" => Answer::Result(
            json!({"sound": false, "problems": ["page 3 is torn"], "readings": 500, "events": 1, "bins": 0}),
        ),
        _ => Answer::Gone,
    })
}

/// A warm-up that settled, and ended some seconds behind its last reading.
fn warm_up() -> Value {
    let value = json!({"y": 200.03, "y_u95": 0.25, "y_standard": 0.12, "coverage_factor": 2.0, "degrees_of_freedom": 60.0, "n_effective": 62.0});
    json!({
        "run": 7, "plan": {"meter": "bench", "kind": "warm_up"}, "state": "done", "created": "2026-11-26T18:00:00Z",
        "begins": "2026-11-26T18:00:00Z", "ends": "2026-11-27T02:20:03Z", "elapsed_s": 30_003.0, "points": 760, "readings": 760, "missed": 0,
        "gaps": 1, "gap_s": 7200.0, "alerts": 0, "flags": ["simulated"], "verdict": "settled", "message": "The light has settled.",
        "settled": {
            "meter": "bench", "quantity": "luminance", "verdict": "settled", "value": value, "waited_s": 30_003.0, "flags": ["simulated"],
            "evidence": {"window_s": 60.0, "n": 60, "outliers": 0, "steps": 0, "failing": []}, "message": "The light has settled.",
        },
    })
}

#[test]
fn pictures_are_read_back_by_libraries_that_are_not_ours() {
    let daemon = night();
    let file = daemon.path("night.svg");
    let stretch = ["--run", "7", "--every", "1min"];
    let plot = |arguments: &[&str]| {
        let output = daemon.run_settle(&[&["log", "plot"], stretch.as_slice(), arguments].concat());
        assert!(output.status.success(), "{}", words(&output));
        words(&output)
    };
    plot(&["--svg", file.to_str().unwrap()]);
    assert_eq!(daemon.asked("log.bins")["run"], 7);
    let svg = read_back("svg", &file);
    assert_eq!(svg["shapes"]["value"], json!([200, 180]), "a point for each bin, and none in the gap");
    assert_eq!(svg["shapes"]["range"], json!([400, 360]));
    assert_eq!((&svg["shapes"]["u"], &svg["shapes"]["v"]), (&json!([200, 180]), &json!([200, 180])));
    assert_eq!(svg["shapes"]["gap"].as_array().unwrap().len(), 2, "in both panels");
    // The end of the run too, which lies behind the last bin, and where it had settled.
    assert_eq!(svg["shapes"]["event"].as_array().unwrap().len(), 2);
    assert!(svg["words"].to_string().contains("settled at 200.03 ± 0.25 cd/m²"), "{svg}");
    assert!(svg["words"].to_string().contains("SIMULATED") && svg["title"] == "run 7", "{svg}");
    assert!(svg["desc"].as_str().unwrap().contains("bench is gone"), "{svg}");

    let file = daemon.path("night.png");
    plot(&["--png", file.to_str().unwrap(), "--size", "640x480"]);
    let png = read_back("png", &file);
    assert_eq!((&png["width"], &png["height"]), (&json!(1280), &json!(960)));
    let count = |colour: &str| png["colours"][colour].as_u64().unwrap_or(0);
    assert!(
        count("ffffff") > 600_000 && count("eeeeee") > 10_000 && count("0072b2") > 100,
        "{}",
        png["texts"]
    );
    assert!(png["texts"].as_array().unwrap().contains(&json!("Description")));

    let text = plot(&[]);
    assert!(text.lines().skip(1).all(|line| line.chars().count() <= 80), "{text}");
    assert!(
        text.contains("a  meter gone") && text.contains("no readings from 2026-11-26 21:20 UTC"),
        "{text}"
    );
    assert!(text.contains("b  run ended") && text.contains("settled at 200.03 ± 0.25 cd/m²"), "{text}");
    assert!(!text.contains('\u{1b}'), "a pipe gets no colours");
}

#[test]
fn a_plot_of_a_part_of_a_warm_up_says_nothing_of_what_it_came_to_later() {
    let daemon = night();
    let file = daemon.path("part.svg");
    for until in ["2026-11-26T20:00:00Z", "2026-11-27T02:20:00Z"] {
        let plot = |more: &[&str]| {
            let part = ["log", "plot", "--run", "7", "--every", "1min", "--until", until];
            let output = daemon.run_settle(&[part.as_slice(), more].concat());
            assert!(output.status.success(), "{}", words(&output));
            words(&output)
        };
        let text = plot(&[]);
        assert!(!text.contains("settled") && !text.contains("run ended"), "{text}");
        plot(&["--svg", file.to_str().unwrap(), "--replace"]);
        let svg = read_back("svg", &file);
        assert!(!svg.to_string().contains("settled"), "{svg}");
    }
}

#[test]
fn a_plot_has_bins_that_fit_its_width_whatever_the_stretch() {
    let daemon = night();
    let output = daemon.run_settle(&["log", "plot", "--meter", "bench"]);
    assert!(output.status.success(), "{}", words(&output));
    // 500 minutes in 132 columns of dots: the next length that people count in is five minutes.
    assert_eq!(daemon.asked("log.bins")["every_s"], 300.0);
    let year = ["--since", "2025-11-26T00:00:00Z", "--until", "2026-11-26T00:00:00Z"];
    let output = daemon.run_settle(&[["log", "plot", "--meter", "bench"].as_slice(), &year].concat());
    assert!(output.status.success(), "{}", words(&output));
    assert_eq!(daemon.asked("log.bins")["every_s"], 604_800.0);
}

#[test]
fn upkeep_says_what_was_found_and_a_damaged_log_is_an_exit_status() {
    let daemon = night();
    let output = daemon.run_settle(&["log", "check"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        words(&output).contains("DAMAGED: 500 readings, 1 event")
            && words(&output).contains("page 3 is torn")
    );
    let output = daemon.run_settle(&["log", "backup"]);
    assert!(
        output.status.success() && words(&output).contains("backups/log-1.sqlite, 1.2 MB, up to reading 500")
    );
    let output = daemon.run_settle(&["log", "bins", "--meter", "bench", "--csv"]);
    let file = daemon.path("bins.csv");
    std::fs::write(&file, &output.stdout).unwrap();
    let rows = read_back("csv", &file);
    assert_eq!(rows.as_array().unwrap().len(), 380);
    assert_eq!((&rows[1]["mean"], &rows[1]["unit"]), (&json!("199.99"), &json!("cd/m2")));
    let output = daemon.run_settle(&["log", "bins", "--every", "10min"]);
    assert_eq!(daemon.asked("log.bins")["every_s"], 600.0);
    assert!(
        words(&output).lines().next().unwrap().starts_with("2026-11-26T18:00:00Z       1    200.00 cd/m²"),
        "{}",
        words(&output)
    );
}
