//! What the local page says of now is so, and so is what it says there isn't: to who looks and to who listens.

use serde_json::{Value, json};

use crate::page::{address, bench, free_port, looking, paged, read, says};
use crate::support::daemon::Daemon;

#[test]
fn nothing_is_called_settled_while_the_meter_itself_warms_up() {
    let config = format!("[page]\nport = 0\n[clock]\nspeed = 60\n{}warm_up = 36000\n", bench(2.0));
    let daemon = Daemon::start(&config);
    let mut client = daemon.client();
    client.wait_for_state("bench", "warming");
    let told = client.call("page.address", &json!({}));
    let mut browser = looking(told["address"].as_str().unwrap());
    client.call("meter.observe", &json!({"meter": "bench", "interval_s": 2}));
    let mut is_told = false;
    // The engine's own tests pass within 200 readings: nothing but the warm-up is left to fail.
    for taken in 1.. {
        client.notice("reading");
        if taken % 50 == 0 {
            let found = browser.evaluate("document.querySelector('.verdict').textContent");
            let words = found.as_str().unwrap().to_owned();
            assert!(!words.contains("● Settled"), "{words}");
            is_told |= words.contains("he meter is warming up");
            if is_told && taken >= 400 {
                break;
            }
        }
        assert!(taken < 20_000, "the page never says that the meter is warming up");
    }
}

#[test]
fn separators_that_are_no_line_ends_keep_nothing_from_being_shown() {
    let (daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    let purpose = "one\u{2028}two\u{2029}three";
    let mut client = daemon.client();
    client.call("meter.lease", &json!({"meter": "bench", "purpose": purpose, "ttl_s": 600}));
    says(&mut browser, ".holder", purpose);
}

#[test]
fn a_run_that_goes_on_is_shown_however_many_came_after_it() {
    let second = "[[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nzero_at_start = false\n";
    let (daemon, address) = paged(&format!("{}{second}", bench(0.05)));
    let mut client = daemon.client();
    let start =
        |meter: &str, label: &str| json!({"meter": meter, "kind": "drift", "label": label, "interval_s": 60});
    client.call("runs.start", &start("bench", "the long one"));
    for _ in 0..25 {
        let run: Value = client.call("runs.start", &start("other", "a short one"));
        client.call("runs.stop", &json!({"run": run["run"]}));
    }
    let mut browser = looking(&address);
    says(&mut browser, "#night h3", "Run 26");
    says(&mut browser, "#runs h3", "Run 1: the long one");
    // Nor does it go as more of them end while somebody looks.
    for _ in 0..45 {
        let run: Value = client.call("runs.start", &start("other", "a short one"));
        client.call("runs.stop", &json!({"run": run["run"]}));
    }
    says(&mut browser, "#night h3", "Run 71");
    says(&mut browser, "#runs h3", "Run 1: the long one");
}

#[test]
fn who_listens_hears_that_the_line_is_lost_and_that_it_is_back() {
    let config = format!("[page]\nport = {}\n{}", free_port(), bench(0.05));
    let mut daemon = Daemon::start(&config);
    let mut browser = looking(&address(&daemon));
    read(&mut daemon.client());
    daemon.kill();
    says(&mut browser, "#said", "No line to the daemon: what was said before is not of now.");
    daemon.launch();
    says(&mut browser, "#said", "The line to the daemon is back.");
    let said = "[...document.querySelectorAll('#said p')].filter((line) => line.textContent.startsWith('No line')).length";
    assert_eq!(browser.evaluate(said), json!(1), "each attempt that fails is said by nobody");
}
