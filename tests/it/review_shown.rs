//! What a record says of how stimuli were shown.

use std::io::{BufRead, BufReader, Write};
use std::process::Stdio;

use serde_json::{Value, json};

use crate::support::browser::Browser;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::review::{arguments, assert_done, bench, entries, measured, path, start, text, wait_for};

/// White and black alone, in two sets.
const TWO: &str = "title = \"T\"\n[[set]]\nname = \"SDR\"\nbits = 8\ntransfer = \"bt1886\"\nprimaries = \"bt709\"\n[[set]]\nname = \"sRGB\"\n\
    bits = 8\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n";

fn shown(file: &str) -> Vec<Value> {
    entries(file).into_iter().filter(|entry| entry["entry"] == "shown").collect()
}

fn said_of(daemon: &Daemon, file: &str) -> (Value, String) {
    let told = daemon.run_settle(&["--json", "review", "show", file]);
    let page = daemon.run_settle(&["review", "show", file]);
    assert_done(&told);
    (serde_json::from_str(&text(&told.stdout)).unwrap(), text(&page.stdout))
}

#[test]
fn each_spell_of_measuring_says_by_which_way_before_its_first_stimulus_and_it_is_told_once() {
    let daemon = bench();
    let file = path(&daemon, "r.jsonl");
    let mut child = start(&daemon, "sdr-quick", &file);
    wait_for(&file, 2);
    child.kill().unwrap();
    child.wait().unwrap();
    assert_eq!((&entries(&file)[0]["entry"], &entries(&file)[0]["way"]), (&json!("shown"), &json!("stage")));
    assert_done(&daemon.run_settle(&arguments("sdr-quick", &file)));
    assert_eq!(shown(&file).len(), 2);
    let (told, page) = said_of(&daemon, &file);
    let told = told["shown"].as_array().unwrap();
    assert!(told.len() == 1 && told[0]["way"] == "stage" && told[0]["pause_s"] == 0.0, "{told:?}");
    assert_eq!(page.matches("Stimuli were shown by a simulated display.").count(), 1, "{page}");
    // A review before records said so is read as it was.
    let old: String = std::fs::read_to_string(&file)
        .unwrap()
        .lines()
        .filter(|line| !line.contains("\"entry\":\"shown\""))
        .map(|line| format!("{line}\n"))
        .collect();
    std::fs::write(&file, old).unwrap();
    let (told, page) = said_of(&daemon, &file);
    assert!(told["shown"] == json!([]) && !page.contains("Stimuli were shown"), "{page}");
}

#[test]
fn a_page_tells_its_pixels_and_what_its_browser_says_of_the_display() {
    let daemon = bench();
    let (plan, file) = (path(&daemon, "p.toml"), path(&daemon, "r.jsonl"));
    std::fs::write(&plan, TWO).unwrap();
    let mut settle = daemon.settle(&arguments(&plan, &file));
    settle.args(["--show", "page", "--set", "SDR"]).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = settle.stdin(Stdio::piped()).spawn().unwrap();
    // The display is switched to the set's mode.
    child.stdin.take().unwrap().write_all(b"\n").unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let url = loop {
        let mut line = String::new();
        assert!(said.read_line(&mut line).unwrap() > 0, "it ended");
        let line: Value = serde_json::from_str(&line).unwrap();
        if let Some(url) = line["page"]["url"].as_str() {
            break url.to_owned();
        }
    };
    let mut browser = Browser::start(&["--force-device-scale-factor=1.5"]);
    browser.open(&url);
    browser.wait_for("socket !== null && socket.readyState === WebSocket.OPEN");
    browser.press();
    wait_until("it is measured", || child.try_wait().unwrap().is_some());
    let (output, rest) = (child.wait_with_output().unwrap(), std::io::read_to_string(said).unwrap());
    assert_eq!(output.status.code(), Some(0), "{rest}");
    let found = shown(&file);
    assert!(
        !found.is_empty() && found.len() <= 2,
        "once, and where filling the screen came late twice: {found:?}"
    );
    let last = found.last().unwrap();
    assert_eq!((&last["way"], &last["page"]["ratio"]), (&json!("page"), &json!(1.5)));
    assert_eq!(last["page"]["depth_bits"], browser.evaluate("screen.colorDepth"));
    assert_eq!(last["page"]["width_px"], browser.evaluate("canvas.width"));
    assert!(last["pause_s"].as_f64().unwrap() > 0.0 && last["page"]["high_dynamic_range"] == false, "{last}");
    let (_, page) = said_of(&daemon, &file);
    assert!(page.contains("shown by a page") && page.contains("bits a pixel"), "{page}");
    // `--set` measured one set, and no other.
    let sets: Vec<Value> = measured(&file).iter().map(|entry| entry["set"].clone()).collect();
    assert_eq!(sets, ["SDR", "SDR"]);
}
