//! The local page tells things in the daemon's words and in their order: what a drift is, what can't be foreseen, why a meter is absent, what goes on.

use serde_json::{Value, json};
use settled::settle::digits::in_units;
use settled::settle::is_telling;
use settled_protocol::settling::Drift;

use crate::page::{address, bench, free_port, looking, paged, read, says};
use crate::page_scripts::of;
use crate::support::daemon::Daemon;

const ABSENT: &str = "[[meter]]\nid = \"pocket\"\ndriver = \"profile\"\nprofile = \"pocket-illuminance\"\ntcp = \"127.0.0.1:9\"\n";

#[test]
fn a_drift_is_told_in_the_daemons_words_and_what_can_not_be_foreseen_as_that() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    for (low_s, high_s) in [(0.0, 600.0), (0.0, 601.0), (35.0, 21_600.0), (300.0, 2999.0), (3600.0, 14_401.0)]
    {
        let expression = format!("its.isTelling({low_s}, {high_s})");
        assert_eq!(of(&mut browser, "words", &expression), json!(is_telling(low_s, high_s)), "{expression}");
    }
    for (bands, interval, band) in
        [(-4.31, 0.21, 0.5), (0.2, 0.0123, 0.5), (-1.9, 59.3, 0.0005), (0.0, 0.4, 2.0), (3.0, 12.0, 40.0)]
    {
        let expression = format!("its.drifting({{ bands_per_hold: {bands}, interval: {interval} }}, {band})");
        let daemons = in_units(Drift { bands_per_hold: bands, interval }, band).replace('-', "−");
        assert_eq!(of(&mut browser, "words", &expression), json!(daemons), "{expression}");
    }
    let unsettled = |settles: &str| {
        format!(
            "(() => {{
                const place = document.createElement('div');
                const verdict = new its.Verdict(place, () => {{}});
                const drift = {{ bands_per_hold: -3, interval: 0.25 }};
                verdict.is({{ verdict: null, since_s: null, t_s: 1, unit: 'cd/m²', hold_s: 60, value: {{ y: 200, y_u95: 0.2 }}, settles: {settles}, message: null,
                    evidence: {{ failing: ['luminance_drift', 'chromaticity_drift'], luminance_drift: drift, luminance_band: 1, chromaticity_drift: drift, chromaticity_band: 0.0005 }} }});
                verdict.draw(0, false);
                return place.querySelector('.why').textContent.replaceAll('\\u00a0', ' ');
            }})()"
        )
    };
    let drifts = "Luminance drifts by −1.50 ± 0.13 % per 60 s (allowed: 0.50 %); chromaticity drifts by −0.00150 ± 0.00013 in u′v′ per 60 s (allowed: 0.00050).";
    for (settles, ahead) in [
        ("[35, 21600]", " When it settles can't be foreseen yet."),
        ("[12, 24]", " Expected to settle in 10 s to 25 s."),
        ("null", ""),
    ] {
        let words = of(&mut browser, "verdict", &unsettled(settles));
        assert_eq!(words, json!(format!("{drifts}{ahead}")));
    }
}

#[test]
fn why_a_meter_is_absent_is_in_sight_and_said_once() {
    let (_daemon, address) = paged(&format!("{}{ABSENT}", bench(0.05)));
    let mut browser = looking(&address);
    says(&mut browser, ".reason:not([hidden])", "127.0.0.1:9 refuses");
    let card = "[...document.querySelectorAll('#meters .card')].find((card) => card.querySelector('h3').textContent === 'pocket')";
    let shown = browser.evaluate(&format!("{card}.querySelector('.reason').offsetHeight > 0"));
    assert_eq!(shown, json!(true));
    let words = browser.evaluate(&format!("{card}.textContent"));
    assert_eq!(words.as_str().unwrap().matches("127.0.0.1:9 refuses").count(), 1, "{words}");
}

#[test]
fn what_goes_on_comes_first_and_has_all_the_width_while_no_run_has_ended() {
    let (daemon, address) = paged(&format!("{}{ABSENT}", bench(0.05)));
    let mut browser = looking(&address);
    says(&mut browser, "#night", "No run has ended yet");
    let mut client = daemon.client();
    let run: Value = client
        .call("runs.start", &json!({"meter": "pocket", "kind": "drift", "interval_s": 60, "for_s": 3600}));
    says(&mut browser, "#runs .card", "pocket");
    let order = "document.getElementById('runs').compareDocumentPosition(document.getElementById('night')) === Node.DOCUMENT_POSITION_FOLLOWING";
    assert_eq!(browser.evaluate(order), json!(true));
    let is_wide =
        "document.getElementById('runs').offsetWidth > 0.9 * document.querySelector('.beside').offsetWidth";
    assert_eq!(browser.evaluate(is_wide), json!(true));
    // What it waits for is said once.
    browser.wait_for("document.querySelector('#runs .card').textContent.includes('refuses')");
    let words = browser.evaluate("document.querySelector('#runs .card').textContent");
    assert_eq!(words.as_str().unwrap().matches("refuses").count(), 1, "{words}");
    client.call("runs.stop", &json!({"run": run["run"]}));
    says(&mut browser, "#night .card", "pocket");
    browser.wait_for("!document.querySelector('.beside').classList.contains('alone')");
}

#[test]
fn of_a_rehearsal_the_curve_begins_anew_with_the_daemon() {
    let config = format!("[page]\nport = {}\n[clock]\nspeed = 20\n{}", free_port(), bench(0.05));
    let mut daemon = Daemon::start(&config);
    address(&daemon);
    for _ in 0..5 {
        read(&mut daemon.client());
    }
    daemon.kill();
    daemon.launch();
    let mut browser = looking(&address(&daemon));
    for _ in 0..2 {
        read(&mut daemon.client());
    }
    browser.evaluate(
        "fetch('/api/bins?meter=bench&span=600', { headers: { authorization: `Bearer ${sessionStorage.getItem('settled-token')}` } })
            .then((answer) => answer.json()).then((told) => { globalThis.stretch = told; });",
    );
    browser.wait_for("globalThis.stretch !== undefined");
    let stretch = browser.evaluate("stretch");
    let counts = stretch["series"][0]["n"].as_array().unwrap_or_else(|| panic!("{stretch}"));
    assert_eq!(counts.iter().filter_map(Value::as_u64).sum::<u64>(), 2, "{stretch}");
}

#[test]
fn nothing_was_measured_after_the_line_was_lost() {
    let config = format!("[page]\nport = 0\n[clock]\nspeed = 60\n{}", bench(0.5));
    let mut daemon = Daemon::start(&config);
    let mut browser = looking(&address(&daemon));
    daemon.client().call("meter.observe", &json!({"meter": "bench", "interval_s": 5}));
    says(&mut browser, ".age", "measured");
    read(&mut daemon.client());
    daemon.kill();
    says(&mut browser, ".age", "STALE");
    says(&mut browser, "#line", "as it was at");
    // Both are times of one day, written alike.
    let found = browser.evaluate(
        "(() => {
            const time = (selector) => document.querySelector(selector).textContent.match(/at .*?(\\d+):(\\d+):(\\d+)/).slice(1).reduce((sum, part) => 60 * sum + Number(part), 0);
            return [time('#line'), time('.age')];
        })()",
    );
    let [heard, measured] = [0, 1].map(|at| found[at].as_i64().unwrap());
    // Midnight may lie between them, and the twelve hours of some clocks.
    assert!((heard - measured).rem_euclid(43_200) < 21_600, "{found}");
}
