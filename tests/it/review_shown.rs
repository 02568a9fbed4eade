//! What a record says of how stimuli were shown, and what is on the display while nobody reads it.

use std::io::{BufReader, Write};
use std::process::{Child, ChildStderr, Command, Stdio};

use serde_json::{Value, json};

use crate::support::browser::Browser;
use crate::support::daemon::{Daemon, program, wait_until};
use crate::support::review::{
    arguments, assert_done, bench, entries, measured, path, said, start, text, wait_for,
};

/// White and black alone, in two sets.
const TWO: &str = "title = \"T\"\n[[set]]\nname = \"SDR\"\nbits = 8\ntransfer = \"bt1886\"\nprimaries = \"bt709\"\n[[set]]\nname = \"sRGB\"\n\
    bits = 8\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n";

fn shown(file: &str) -> Vec<Value> {
    entries(file).into_iter().filter(|entry| entry["entry"] == "shown").collect()
}

fn told_of(daemon: &Daemon, file: &str) -> (Value, String) {
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
    let (told, page) = told_of(&daemon, &file);
    let told = told["shown"].as_array().unwrap();
    assert!(told.len() == 1 && told[0]["way"] == "stage" && told[0]["pause_s"] == 0.0, "{told:?}");
    assert_eq!(page.matches("Stimuli were shown by a simulated display.").count(), 1, "{page}");
    // A review from before records said so is read as it was.
    let text = std::fs::read_to_string(&file).unwrap();
    let old = text.lines().filter(|line| !line.contains("\"entry\":\"shown\""));
    std::fs::write(&file, old.map(|line| format!("{line}\n")).collect::<String>()).unwrap();
    let (told, page) = told_of(&daemon, &file);
    assert!(told["shown"] == json!([]) && !page.contains("Stimuli were shown"), "{page}");
}

/// A review of the first of two sets, by a page; somebody has switched the display to it.
fn by_page(settle: &mut Command) -> (Child, BufReader<ChildStderr>, String) {
    settle.args(["--show", "page", "--set", "SDR"]).stdin(Stdio::piped());
    let mut child = settle.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(b"\n").unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap());
    let offered = said(&mut lines, |told| told["page"]["url"].is_string());
    let url = offered["page"]["url"].as_str().unwrap().to_owned();
    // Nobody has opened it: it says that it waits.
    said(&mut lines, |told| told["page"]["state"] == "away");
    (child, lines, url)
}

/// Its end, and all that it has said since.
fn assert_ended_well(mut child: Child, lines: BufReader<ChildStderr>) {
    wait_until("it is measured", || child.try_wait().unwrap().is_some());
    let rest = std::io::read_to_string(lines).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{rest}");
}

#[test]
fn a_page_tells_its_pixels_and_what_its_browser_says_of_the_display_and_only_the_set_is_measured_that_is_named()
 {
    let daemon = bench();
    let (plan, file) = (path(&daemon, "p.toml"), path(&daemon, "r.jsonl"));
    std::fs::write(&plan, TWO).unwrap();
    let (child, lines, url) = by_page(&mut daemon.settle(&arguments(&plan, &file)));
    let mut browser = Browser::start(&["--force-device-scale-factor=1.5"]);
    browser.open(&url);
    browser.wait_for("socket !== null && socket.readyState === WebSocket.OPEN");
    browser.press();
    assert_ended_well(child, lines);
    let found = shown(&file);
    let last = found.last().expect("a line that says how");
    assert_eq!(entries(&file)[0]["entry"], "shown");
    assert_eq!((&last["way"], &last["page"]["ratio"]), (&json!("page"), &json!(1.5)));
    assert_eq!(last["page"]["depth_bits"], browser.evaluate("screen.colorDepth"));
    assert_eq!(last["page"]["gamut"], browser.evaluate("gamut()"));
    assert!(
        last["page"]["width_px"].as_u64().unwrap() > 0 && last["page"]["full_screen"].is_boolean(),
        "{last}"
    );
    assert!(last["pause_s"].as_f64().unwrap() > 0.0 && last["page"]["high_dynamic_range"] == false, "{last}");
    let (_, page) = told_of(&daemon, &file);
    assert!(page.contains("shown by a page") && page.contains("bits a pixel"), "{page}");
    let sets: Vec<Value> = measured(&file).iter().map(|entry| entry["set"].clone()).collect();
    assert_eq!(sets, ["SDR", "SDR"]);
}

#[test]
fn a_page_whose_line_is_refused_shows_no_stimulus_and_tries_again_until_it_is_let_in() {
    let daemon = bench();
    let (plan, file) = (path(&daemon, "p.toml"), path(&daemon, "r.jsonl"));
    std::fs::write(&plan, TWO).unwrap();
    let (child, lines, url) = by_page(&mut daemon.settle(&arguments(&plan, &file)));
    let mut browser = Browser::start(&[]);
    // It asks with a token that isn't the right one, for as long as the test says.
    browser.call(
        "Page.addScriptToEvaluateOnNewDocument",
        json!({ "source": "globalThis.wrong = true; globalThis.tries = 0;
            const Real = WebSocket;
            globalThis.WebSocket = class extends Real {
                constructor(url) {
                    const asked = new URL(url);
                    if (wrong) { asked.pathname = asked.pathname.replace(/[0-9a-f]{32}/, '0'.repeat(32)); }
                    super(asked);
                    tries += 1;
                }
            };" }),
    );
    browser.open(&url);
    browser.press();
    browser.wait_for("tries >= 2 && words.textContent.includes('connection is lost')");
    assert!(browser.evaluate("order === null && !document.body.classList.contains('showing')") == true);
    assert!(measured(&file).is_empty());
    browser.evaluate("wrong = false");
    assert_ended_well(child, lines);
    assert_eq!(measured(&file).len(), 2);
}

#[test]
fn a_command_is_told_where_its_stimulus_belongs_and_may_read_and_the_display_rests_while_a_person_is_asked() {
    let daemon = bench();
    let (plan, file, noted, read) =
        (path(&daemon, "p.toml"), path(&daemon, "r.jsonl"), path(&daemon, "shown"), path(&daemon, "read"));
    std::fs::write(&plan, TWO).unwrap();
    let settle = program("settle");
    let command = format!(
        "sh -c '{} --json read m >>{read} 2>&1; echo \"$1|$2|$3|$4|$5\" >>{noted}' show {{set}} {{sequence}} {{step}} {{r}} {{name}}",
        settle.display()
    );
    let mut settle = daemon.settle(&arguments(&plan, &file));
    settle.args(["--show-command", &command]).stdin(Stdio::piped());
    let mut child = settle.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let (mut keys, mut lines) = (child.stdin.take().unwrap(), BufReader::new(child.stderr.take().unwrap()));
    let asked =
        |told: &Value| told["prompt"]["message"].as_str().is_some_and(|words| words.contains("Switch"));
    let all = || std::fs::read_to_string(&noted).unwrap_or_default();
    said(&mut lines, asked);
    keys.write_all(b"\n").unwrap();
    let again = said(&mut lines, asked);
    assert!(again["prompt"]["message"].as_str().unwrap().contains("sRGB"), "{again}");
    // What was shown last was white; nobody knows how long a person takes.
    let before = all();
    let kinds: Vec<&str> = before.lines().collect();
    assert_eq!(kinds, ["SDR|white_black|1|0|black", "SDR|white_black|0|255|white", "|||26|rest"]);
    keys.write_all(b"\n").unwrap();
    assert_ended_well(child, lines);
    assert!(all().ends_with("\n|||0|black\n"), "{}", all());
    // Under the lease of the review, at the socket of its daemon.
    let first = std::fs::read_to_string(&read).unwrap();
    let first: Value = serde_json::from_str(first.lines().next().unwrap()).unwrap();
    assert!(first["luminance_cd_m2"].is_f64(), "{first}");
    assert_eq!((&shown(&file)[0]["way"], &shown(&file)[0]["program"]), (&json!("command"), &json!("sh")));
}
