//! The closed loop: a simulated display with a fault put in is reviewed, and the review finds it, within its stated uncertainty, and nothing that
//! isn't there. What reviews come to by the hundred is what `cargo bench -p settled-tests --bench reviewing` prints.

use serde_json::Value;

use crate::support::daemon::Daemon;

#[path = "../benches/reviewing/case.rs"]
mod case;
#[path = "../benches/reviewing/cases.rs"]
mod cases;
#[path = "../benches/reviewing/observer.rs"]
pub(crate) mod observer;
#[path = "../benches/reviewing/plans.rs"]
pub(crate) mod plans;
#[path = "../benches/reviewing/rates.rs"]
mod rates;

use observer::Noise;
use rates::Rates;

/// Reviews of each display.
const REVIEWS: usize = 4;

/// A meter that is true but for its noise, and a display that is right but for `fault`.
fn daemon(fault: &str) -> Daemon {
    let daemon = Daemon::start(&format!(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 200\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\neotf = \"power\"\npeak_cd_m2 = 100\n\
         limiter_exponent = 0\ncold = [0, 0]\ncold_white = [0, 0]\ncreep = [0, 0]\nsag = 0\nretention = 0\nfilter_error = 0\ndark_cd_m2 = 0\nnoise = 0.2\n\
         automatic_s = 0.2\n{fault}"
    ));
    daemon.client().wait_for_state("bench", "ready");
    daemon
}

/// Reviews the display of such a daemon into a file.
fn reviewed(folder: &Daemon, name: &str, fault: &str) -> String {
    let file = folder.path(name).display().to_string();
    let daemon = daemon(fault);
    let output =
        daemon.run_settle(&["review", "run", "sdr-quick", "--into", &file, "--display", "field monitor 3"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    file
}

fn said(daemon: &Daemon, arguments: &[&str]) -> String {
    let output = daemon.run_settle(arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn finding<'a>(evaluation: &'a Value, subject: &str) -> &'a Value {
    let findings = evaluation["findings"].as_array().unwrap();
    findings
        .iter()
        .find(|finding| finding["subject"] == subject)
        .unwrap_or_else(|| panic!("{subject}: {findings:#?}"))
}

fn holds(finding: &Value, value: f64) -> bool {
    let end = |name: &str| finding["figure"][name].as_f64().unwrap();
    (end("low")..=end("high")).contains(&value)
}

#[test]
fn reviews_find_what_was_put_in_within_their_uncertainty_and_nothing_that_was_not() {
    let (mut reviews, mut alarms, mut told, mut held, mut measured) = (0, 0, Vec::new(), 0, 0);
    for case in cases::all() {
        let rates = Rates::of(case, Noise::USUAL, 1000, REVIEWS, true);
        reviews += rates.reviews;
        alarms += rates.false_alarms;
        told.push(format!("{}: {:?}", rates.name, rates.alarms));
        for found in &rates.found {
            assert_eq!(found.as_expected, REVIEWS, "{}, {}: {found:?}", rates.name, found.subject);
            if let Some(times) = found.held {
                held += times;
                measured += found.measured;
            }
        }
    }
    // 3 % of reviews may have a false alarm; two beyond that are what chance brings.
    assert!(alarms <= 2 + reviews * 3 / 100, "{alarms} of {reviews}: {told:#?}");
    // Intervals are 95 %: of so many, three standard deviations fewer.
    let measured = measured as f64;
    let least = 0.95 * measured - 3.0 * (measured * 0.95 * 0.05).sqrt();
    assert!(f64::from(held as u32) >= least, "{held} of {measured}");
}

#[test]
fn a_review_by_a_real_daemon_finds_its_displays_fault_and_a_comparison_that_it_was_mended() {
    let folder = daemon("");
    let before = reviewed(&folder, "before.jsonl", "white_error = [0.006, -0.004]\n");
    let after = reviewed(&folder, "after.jsonl", "");
    let evaluation: Value =
        serde_json::from_str(&said(&folder, &["--json", "review", "show", &before])).unwrap();
    assert_eq!(evaluation["flags"][0], "simulated");
    let white = finding(&evaluation, "white_colour");
    // √(0.006² + 0.004²)
    assert!(white["standing"] == "beyond" && holds(white, 0.007_211), "{white}");
    let gamma = finding(&evaluation, "gamma");
    assert!(gamma["standing"] == "within" && holds(gamma, 2.2), "{gamma}");

    let page = said(&folder, &["review", "show", &before]);
    assert!(page.lines().all(|line| line.chars().count() <= 80), "{page}");
    for words in ["SIMULATED", "field monitor 3", "beyond", "repeatability alone"] {
        assert!(page.contains(words), "{words}: {page}");
    }

    let compared: Value =
        serde_json::from_str(&said(&folder, &["--json", "review", "compare", &before, &after])).unwrap();
    let rows = compared["rows"].as_array().unwrap();
    let change = |subject: &str| rows.iter().find(|row| row["subject"] == subject).unwrap()["change"].clone();
    assert_eq!((change("white_colour"), change("gamma")), ("better".into(), "alike".into()));
}

#[test]
fn what_is_no_record_is_refused_with_its_line() {
    let daemon = daemon("");
    let file = daemon.path("log.jsonl");
    std::fs::write(&file, "{\"t_s\":1,\"Y\":100}\n").unwrap();
    let output = daemon.run_settle(&["review", "show", file.to_str().unwrap()]);
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(1) && words.contains("line 1"), "{words}");
}
