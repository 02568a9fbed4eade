//! `settle report --run`: a night as a document, and its figures in every form.

use std::path::Path;

use serde_json::{Value, json};

use crate::reports::{of_run, read};
use crate::support::daemon::Daemon;

/// A display that warms up, and an hour that takes a few seconds.
const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[clock]\nspeed = 1000\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nseed = 7\n";

fn said(output: &std::process::Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// The fields of a line of CSV in which nothing is quoted, by the names in its header.
fn field<'a>(header: &str, line: &'a str, name: &str) -> &'a str {
    let place = header.split(',').position(|found| found == name).unwrap();
    line.split(',').nth(place).unwrap()
}

/// Two short nights.
fn two_nights(daemon: &Daemon) {
    for label in ["monitor 4", "monitor 4 again"] {
        let plan = ["--label", label, "--for", "1h", "--interval", "1min", "--burst", "2", "--wait"];
        let ended = daemon.run_settle(&[&["run", "drift", "m"], &plan[..]].concat());
        assert!(matches!(ended.status.code(), Some(0 | 3 | 4)), "{}", said(&ended));
    }
}

/// The page has all its parts.
fn is_whole(page: &str) {
    let parsed = read(&["html", page]);
    assert_eq!(
        (&parsed["marks"], parsed["plots"].as_array().map(Vec::len)),
        (&json!(["SIMULATED"]), Some(3))
    );
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("<title>SIMULATED: Run 2: drift of m, monitor 4 again</title>"), "{page:.600}");
    assert_eq!(page.matches("<svg ").count(), 3, "light, drift, Allan deviation");
    assert_eq!((page.matches("role=\"img\"").count(), page.matches("<desc ").count()), (3, 3));
    assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"));
    for heading in [
        "Light",
        "Drift",
        "Steadiness",
        "Beside run 1",
        "What happened",
        "Conditions",
        "Cautions",
        "Provenance",
    ] {
        assert!(page.contains(&format!(">{heading}</h2>")), "{heading}");
    }
}

/// The figures in JSON and CSV are those of the log.
fn agree(daemon: &Daemon, figures: &str, table: &str) {
    let figures: Value = serde_json::from_str(&std::fs::read_to_string(figures).unwrap()).unwrap();
    let logged = daemon.client().call("log.statistics", &json!({"run": 2}));
    let told = &figures["run"]["statistics"]["value"];
    assert_eq!((&told["mean"], &told["drift"]), (&logged["value"]["mean"], &logged["value"]["drift"]));
    assert_eq!(figures["run"]["drift"], told["drift"], "there is one drift");
    let table = std::fs::read_to_string(table).unwrap();
    let header = table.lines().next().unwrap();
    let line = table.lines().find(|line| line.contains(",value,drift_per_h,")).unwrap();
    let number = |name: &str| field(header, line, name).parse::<f64>().unwrap();
    assert_eq!(Some(number("value")), told["drift"]["per_h"].as_f64());
    assert_eq!(Some(number("low")), told["drift"]["low_per_h"].as_f64());
    assert!(table.lines().any(|line| line.contains(",run 1,mean_difference,")), "{table}");
}

#[test]
fn a_night_is_a_page_with_its_pictures_and_the_same_figures_as_in_the_log_in_json_and_csv() {
    let daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("m", "ready");
    let early = daemon.run_settle(&["report", "--run", "1", "--into", "-"]);
    assert!(early.status.code() == Some(1) && said(&early).contains("no run 1"), "{}", said(&early));
    two_nights(&daemon);
    let at = |name: &str| daemon.path(name).display().to_string();
    let (page, figures, table, pictures) =
        (at("night.html"), at("night.json"), at("night.csv"), at("pictures"));
    let output = daemon.run_settle(&[
        "report",
        "--run",
        "2",
        "--against-run",
        "1",
        "--into",
        &page,
        "--figures",
        &figures,
        "--csv",
        &table,
        "--svg",
        &pictures,
    ]);
    assert!(output.status.success(), "{}", said(&output));

    is_whole(&page);
    let told: Value = serde_json::from_str(&std::fs::read_to_string(&figures).unwrap()).unwrap();
    of_run::agrees(&read(&["html", &page]), &told);
    let mut names: Vec<String> = std::fs::read_dir(&pictures)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort_unstable();
    assert_eq!(names, ["allan-deviation.svg", "drift.svg", "light.svg"]);

    agree(&daemon, &figures, &table);
    let shown = daemon.run_settle(&["runs", "show", "2"]);
    let drifts = said(&shown).lines().filter(|line| line.starts_with("  drift     ")).count();
    assert_eq!(drifts, 1, "{}", said(&shown));
}

#[test]
fn each_kind_of_night_is_a_page_for_a_strict_parser_and_json_that_is_what_its_schema_says() {
    let daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("m", "ready");
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("../client/report-run.schema.json");
    let mistakes = |file: &str| read(&["schema", schema.to_str().unwrap(), file])["mistakes"].clone();
    let [page, figures] = ["night.html", "night.json"].map(|name| daemon.path(name).display().to_string());
    for (number, title, night) in [
        ("1", "Run 1: warm-up of m", &["warm-up", "m", "--for", "2h"][..]),
        ("2", "Run 2: stability of m", &["stability", "m", "--for", "20min"]),
        ("3", "Run 3: drift of m", &["drift", "m", "--for", "1h", "--interval", "1min", "--burst", "2"]),
    ] {
        let ended = daemon.run_settle(&[&["run"], night, &["--wait", "--alert-lost", "24h"]].concat());
        assert!(matches!(ended.status.code(), Some(0 | 3)), "{title}: {}", said(&ended));
        let forms = ["--into", &page, "--figures", &figures, "--replace"];
        let output = daemon.run_settle(&[&["report", "--run", number][..], &forms].concat());
        assert!(output.status.success(), "{title}: {}", said(&output));
        let parsed = read(&["html", &page]);
        assert_eq!(parsed["title"], format!("SIMULATED: {title}"));
        assert_eq!(parsed["marks"], json!(["SIMULATED"]), "{title}");
        let (_sign, verdict) = parsed["statements"][0]["verdict"].as_str().unwrap().split_once(' ').unwrap();
        let run = daemon.client().call("runs.show", &json!({ "run": number.parse::<u64>().unwrap() }));
        assert_eq!(verdict.replace(' ', "_"), run["verdict"], "{title}: {}", parsed["statements"]);
        assert!(!parsed["plots"].as_array().unwrap().is_empty(), "{title}");
        assert_eq!(mistakes(&figures), json!([]), "{title}");
        let mut told: Value = serde_json::from_str(&std::fs::read_to_string(&figures).unwrap()).unwrap();
        assert_eq!(told["run"], run, "{title}");
        of_run::agrees(&parsed, &told);
        told["run"].as_object_mut().unwrap().remove("points").unwrap();
        std::fs::write(&figures, told.to_string()).unwrap();
        assert_ne!(mistakes(&figures), json!([]), "{title}: the schema asks for points");
    }
}

#[test]
fn what_can_not_be_reported_leaves_no_file() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let planned =
        client.call("runs.start", &json!({"meter": "m", "kind": "drift", "start": "2126-11-27T18:00:00Z"}));
    let (run, page) = (planned["run"].to_string(), daemon.path("night.html"));
    let into = page.display().to_string();
    let output = daemon.run_settle(&["report", "--run", &run, "--into", &into]);
    assert!(output.status.code() == Some(1) && said(&output).contains("no points"), "{}", said(&output));
    assert!(!page.exists());
    for wrong in [
        &["report", "--into", "-"][..],
        &["report", "a.jsonl", "--run", "1", "--into", "-"],
        &["report", "a.jsonl", "--against-run", "1", "--into", "-"],
        &["report", "--run", "1"],
    ] {
        let output = daemon.run_settle(wrong);
        assert_eq!(output.status.code(), Some(2), "{wrong:?}: {}", said(&output));
    }
}
