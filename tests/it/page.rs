//! The daemon's local page in a real browser: it shows what there is, goes on as that changes, and asks nobody but the daemon.

use std::net::TcpListener;
use std::sync::atomic::{AtomicU16, Ordering};

use serde_json::{Value, json};

use crate::outside::python;
use crate::support::browser::Browser;
use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};

const LOG: &str = "[log]\npath = \"log.sqlite\"\n";
const BENCH: &str = "[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 4]\nzero_at_start = false\n";

/// A simulated meter whose exposures take so long, in s.
pub(crate) fn bench(automatic_s: f64) -> String {
    format!("{LOG}{BENCH}automatic_s = {automatic_s}\n")
}

/// A daemon with a page, and its address.
pub(crate) fn paged(config: &str) -> (Daemon, String) {
    let daemon = Daemon::start(&format!("[page]\nport = 0\n{config}"));
    let address = address(&daemon);
    (daemon, address)
}

pub(crate) fn address(daemon: &Daemon) -> String {
    let mut client = daemon.client();
    let told = client.call("page.address", &json!({}));
    client.wait_for_state("bench", "ready");
    told["address"].as_str().unwrap().to_owned()
}

/// A browser that looks at the page, once it is told news.
pub(crate) fn looking(address: &str) -> Browser {
    let mut browser = Browser::start(&[]);
    look(&mut browser, address);
    is_live(&mut browser);
    browser
}

/// Opens an address. It changes itself, as the token is taken out of it.
fn look(browser: &mut Browser, address: &str) {
    browser.call("Page.navigate", json!({ "url": address }));
    browser.wait_for("document.readyState === 'complete' && document.getElementById('line') !== null");
}

pub(crate) fn is_live(browser: &mut Browser) {
    browser.wait_for("document.getElementById('line').dataset.state === 'live'");
}

/// The text of all that a selector finds, wherever a line of it may be broken.
fn text(selector: &str) -> String {
    format!(
        "[...document.querySelectorAll({selector:?})].map((found) => found.textContent).join(' | ').replaceAll('\\u00a0', ' ')"
    )
}

pub(crate) fn says(browser: &mut Browser, selector: &str, words: &str) {
    browser.wait_for(&format!("{}.includes({words:?})", text(selector)));
}

/// The luminance of a reading as the page writes it: five digits.
pub(crate) fn written(reading: &Value) -> String {
    let value = reading["luminance_cd_m2"].as_f64().unwrap();
    let after = 5 - (value.log10().floor() as usize + 1);
    format!("{value:.after$}")
}

pub(crate) fn read(client: &mut Client) -> Value {
    client.call("meter.read", &json!({"meter": "bench"}))
}

/// A port that is free, and isn't given to whoever connects to somewhere meanwhile: below those.
pub(crate) fn free_port() -> u16 {
    static CALLS: AtomicU16 = AtomicU16::new(0);
    // Another for each who asks in this process: none is taken for long before it is used.
    let first = 20_000 + u16::try_from(std::process::id() % 8000).unwrap();
    let first = first + 20 * CALLS.fetch_add(1, Ordering::Relaxed);
    let port = (first..30_000).find(|port| TcpListener::bind(("127.0.0.1", *port)).is_ok());
    port.expect("a port that is free")
}

#[test]
fn the_page_shows_what_others_measure_causes_no_exposure_and_asks_nobody_else_for_anything() {
    let (daemon, address) = paged(&bench(0.05));
    let (mut client, mut browser) = (daemon.client(), looking(&address));
    says(&mut browser, ".value", "no reading yet");
    says(&mut browser, ".card .badge", "SIMULATED");
    says(&mut browser, "#night", "No run has ended yet");
    for _ in 0..3 {
        let reading = read(&mut client);
        says(&mut browser, ".value strong", &written(&reading));
    }
    says(&mut browser, ".age", "measured ");
    browser.wait_for("document.querySelector('.canvas canvas') !== null");
    says(&mut browser, "#events", "meter ready");
    let lease = client.call("meter.lease", &json!({"meter": "bench", "purpose": "profiling", "ttl_s": 600}));
    says(&mut browser, ".holder", "for profiling");
    client.call("meter.release", &json!({ "lease": lease["lease"] }));
    browser.wait_for("document.querySelector('.holder').hidden");
    for span in ["1 h", "1 day", "10 min"] {
        let choose = format!(
            "[...document.querySelectorAll('.spans button')].find((button) => button.textContent === {span:?}).click()"
        );
        browser.evaluate(&choose);
        browser.wait_for(&format!(
            "document.querySelector('.canvas').getAttribute('aria-label').includes('the last {span}: from')"
        ));
    }
    browser.evaluate("document.querySelector('details').open = true");
    says(&mut browser, ".table thead", "mean (cd/m²)");
    assert_eq!(client.exposures("bench"), 3, "nothing was exposed for the page");
    let (own, token) = address.split_once("/#").unwrap();
    let asked: Vec<&str> = browser.asked().into_iter().filter(|url| *url != "about:blank").collect();
    assert!(asked.len() >= 15 && asked.iter().all(|url| url.starts_with(own)), "{asked:?}");
    assert!(asked.iter().all(|url| !url.contains(token)), "the token is in no address that is asked for");
    assert_eq!(browser.evaluate("location.hash"), "");
}

#[test]
fn a_restart_of_the_daemon_is_survived_and_what_the_log_has_is_still_there() {
    let config = format!("[page]\nport = {}\n{}", free_port(), bench(0.05));
    let mut daemon = Daemon::start(&config);
    let mut browser = looking(&address(&daemon));
    let before = read(&mut daemon.client());
    says(&mut browser, ".value strong", &written(&before));
    daemon.kill();
    says(&mut browser, "#line", "no line to the daemon");
    assert!(browser.evaluate("document.body.classList.contains('lost')") == true);
    says(&mut browser, ".value strong", &written(&before));
    daemon.launch();
    let after = address(&daemon);
    is_live(&mut browser);
    // Another browser, that saw nothing of it, has it from the log.
    let mut other = looking(&after);
    says(&mut other, ".value strong", &written(&before));
    let now = read(&mut daemon.client());
    says(&mut browser, ".value strong", &written(&now));
    says(&mut browser, "#events", "daemon started");
}

#[test]
fn what_is_old_is_shown_as_stale_with_its_age_and_no_verdict_outlives_its_hold() {
    // A minute goes by in a tenth of a second.
    let (mut daemon, address) = paged(&format!("[clock]\nspeed = 600\n{}", bench(1.0)));
    let reading = read(&mut daemon.client());
    let mut browser = looking(&address);
    says(&mut browser, "#notices", "600 times as fast");
    browser.wait_for("document.querySelector('.card.stale') !== null");
    says(&mut browser, ".value strong", &written(&reading));
    says(&mut browser, ".age", "STALE: measured ");
    says(&mut browser, ".age", "min ago, at ");
    says(&mut browser, ".verdict", "Nobody measures");
    says(&mut browser, ".verdict", "nothing is known of now");
    // Its curve moves on, though nothing comes.
    browser.wait_for(
        "document.querySelector('.canvas').dataset.empty === 'Nothing was measured in the last 10 min.'",
    );
    browser.wait_for(
        "document.querySelector('.canvas').getAttribute('aria-label').includes('Nothing was measured')",
    );
    // Without a line it can't be known whether anybody measures.
    daemon.kill();
    says(&mut browser, ".verdict", "There is no line to the daemon, so nothing is known of now.");
    assert!(
        browser.evaluate("document.querySelector('.verdict').textContent.includes('Nobody measures')")
            == false
    );
}

/// Has the page keep all that it ever said of the verdict, and all that it announced, in order: most of it stands for less than a second here.
const KEEP: &str = "globalThis.kept = []; globalThis.announced = [];
    const keep = (selector, note) => new MutationObserver(note).observe(document.querySelector(selector), { childList: true, subtree: true, characterData: true });
    keep('.verdict', () => kept.push(document.querySelector('.verdict').textContent) > 5000 && kept.shift());
    keep('#said', (changes) => changes.forEach((change) => change.addedNodes.forEach((added) => announced.push(added.textContent))));";

#[test]
fn light_that_others_watch_is_called_settled_by_the_daemon_and_only_changes_are_announced() {
    let (daemon, address) = paged(&format!("[clock]\nspeed = 60\n{}", bench(2.0)));
    let mut browser = looking(&address);
    says(&mut browser, ".card h3", "bench");
    browser.evaluate(KEEP);
    let mut client = daemon.client();
    let observes = client.call("meter.observe", &json!({"meter": "bench", "interval_s": 2}));
    // Somebody reads what comes, until then.
    let mut until = |browser: &mut Browser, what: &str, expression: &str| {
        let mut taken = 0;
        wait_until(what, || {
            client.notice("reading");
            taken += 1;
            taken % 50 == 0 && browser.evaluate(expression) == true
        });
    };
    until(&mut browser, "it is announced that it has settled", "announced.includes('bench: Settled')");
    until(
        &mut browser,
        "the page says that it has settled, how well that is known and why",
        "kept.some((text) => text.includes('● Settled') && text.includes('95 %, repeatability alone') && text.includes('allowed'))",
    );
    // A verdict that is no longer good, as nobody measures, is shown as that and not announced.
    client.call("subscription.cancel", &observes);
    browser.wait_for("kept.at(-1).includes('nothing is known of now')");
    let announced = browser.evaluate("announced");
    let words: Vec<&str> =
        announced.as_array().unwrap().iter().map(|words| words.as_str().unwrap()).collect();
    assert!(words.windows(2).all(|two| two[0] != two[1]), "{words:?}");
    assert!(words.iter().all(|words| !words.contains("Was") && !words.contains("Nobody")), "{words:?}");
    assert!(browser.evaluate("document.getElementById('said').getAttribute('aria-live')") == "polite");
}

#[test]
fn a_run_is_shown_as_it_gets_on_and_as_the_last_one_once_it_has_ended() {
    let (daemon, address) = paged(&format!("[clock]\nspeed = 60\n{}", bench(1.0)));
    let mut browser = looking(&address);
    let mut client = daemon.client();
    let plan = json!({"meter": "bench", "kind": "stability", "label": "monitor 4", "duration_s": 360_000, "interval_s": 5});
    client.call("runs.start", &plan);
    says(&mut browser, "#runs h3", "Run 1: monitor 4");
    says(&mut browser, "#runs", "points of");
    client.call("runs.stop", &json!({"run": 1}));
    says(&mut browser, "#night h3", "Run 1: monitor 4");
    says(&mut browser, "#night", "stability on bench, stopped");
    says(&mut browser, "#night", "points of");
    says(&mut browser, "#night .badge", "SIMULATED");
    says(&mut browser, "#runs", "None.");
    says(&mut browser, "#events", "run ended");
    let run = client.call("runs.show", &json!({"run": 1}));
    // The daemon's words, with a minus as people write it.
    says(&mut browser, "#night .why", &run["message"].as_str().unwrap().replace(" -", " −"));
}

#[test]
fn without_the_token_nothing_is_shown_but_what_to_do() {
    let (daemon, address) = paged(&bench(0.05));
    let (own, token) = address.split_once('#').unwrap();
    let mut browser = Browser::start(&[]);
    look(&mut browser, own);
    says(&mut browser, "#line", "not let in");
    says(&mut browser, "#notices", "settle page");
    look(&mut browser, &format!("{own}#00112233445566778899aabbccddeeff"));
    says(&mut browser, "#notices", "doesn't know this page's token");
    assert!(browser.evaluate("document.querySelector('.card')").is_null());
    // The right one in the same tab.
    browser.evaluate(&format!("location.hash = {token:?}"));
    is_live(&mut browser);
    says(&mut browser, ".card h3", "bench");
    let printed = daemon.run_settle(&["page"]);
    assert_eq!(String::from_utf8(printed.stdout).unwrap().trim(), address);
}

/// What axe-core finds that keeps somebody from using the page.
pub(crate) fn barriers(browser: &mut Browser) -> Value {
    browser.evaluate(&std::fs::read_to_string(axe()).unwrap());
    browser.evaluate(
        "globalThis.found = null; axe.run().then((results) => { found = results.violations
            .filter(({ impact }) => ['serious', 'critical'].includes(impact))
            .map(({ id, nodes }) => [id, nodes.map(({ html }) => html)]); });",
    );
    browser.wait_for("found !== null");
    browser.evaluate("found")
}

#[test]
fn in_light_and_dark_and_from_a_phone_to_a_wide_screen_nobody_is_kept_out_and_nothing_sticks_out() {
    let (daemon, address) = paged(&format!("[clock]\nspeed = 60\n{}", bench(1.0)));
    let mut client = daemon.client();
    let plan = json!({"meter": "bench", "kind": "stability", "duration_s": 30, "interval_s": 5});
    client.call("runs.start", &plan);
    client.call(
        "runs.start",
        &json!({"meter": "bench", "kind": "drift", "duration_s": 36000, "interval_s": 60, "label": "a label that is rather long for a telephone"}),
    );
    let mut browser = looking(&address);
    says(&mut browser, "#night h3", "Run 1");
    browser.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })");
    for scheme in ["light", "dark"] {
        let scheme = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        browser.call("Emulation.setEmulatedMedia", scheme.clone());
        for (width, height) in [(360, 740), (1024, 768), (1600, 900)] {
            let size = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false});
            browser.call("Emulation.setDeviceMetricsOverride", size);
            browser.wait_for(&format!("innerWidth === {width}"));
            browser.wait_for("document.documentElement.scrollWidth <= innerWidth");
        }
        assert_eq!(barriers(&mut browser), json!([]), "{scheme}");
    }
    // Everything is reached by the keyboard, in order, and says its name.
    let nameless = browser.evaluate(
        "[...document.querySelectorAll('button, summary, [tabindex]')].filter((one) => one.tabIndex < 0
            || (one.textContent.trim() === '' && !one.getAttribute('aria-label'))).map((one) => one.outerHTML)",
    );
    assert_eq!(nameless, json!([]));
}

/// axe-core, as a package for Python carries it.
fn axe() -> std::path::PathBuf {
    let libraries = python().parent().unwrap().parent().unwrap().join("lib");
    let versions = std::fs::read_dir(libraries).unwrap();
    let found = versions
        .map(|version| version.unwrap().path().join("site-packages/axe_core_python/axe.min.js"))
        .find(|path| path.exists());
    found.expect("axe-core-python is missing: run tests/run, which installs it")
}
