//! The local page stands still where nothing is new: what is selected, read aloud or pointed at keeps its place, and what is told of the time to come
//! is told by how old the reading is that it rests on.

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::page::{address, bench, free_port, looking, paged, read, says, written};
use crate::support::browser::Browser;
use crate::support::daemon::Daemon;

/// A card like the page's own, told by the test and not by the daemon, and this device's clocks, which the test has go on.
const CARD: &str = "(async () => {
    const [clock, { MeterCard }] = await Promise.all([import('/clock.js'), import('/meter.js')]);
    const [steady, wall] = [performance.now.bind(performance), Date.now.bind(Date)];
    globalThis.gone_s = 0;
    performance.now = () => steady() + 1000 * gone_s;
    Date.now = () => wall() + 1000 * gone_s;
    const now_s = Math.floor(clock.utc_s());
    const t = [...Array(500).keys()].map((second) => now_s - 500 + second);
    const stretch = { every_s: 1, since: now_s - 600, until: now_s, series: [{ quantity: 'luminance', unit: 'cd/m²', last: 1, simulated: true, replayed: false,
        longest_s: 1, t, n: t.map(() => 1), mean: t.map(() => 100), min: t.map(() => 99), max: t.map(() => 101) }] };
    const card = new MeterCard('told', async () => structuredClone(stretch), () => {});
    document.getElementById('meters').append(card.element);
    card.begins('b', false);
    let sequence = 1;
    const reads = (y) => {
        const [t_s, at_s] = [clock.boot_s(), clock.utc_s()];
        sequence += 1;
        const reading = { meter: 'told', sequence, at: new Date(1000 * at_s).toISOString(), t_s, boot: 'b', luminance_cd_m2: y, flags: ['simulated'], chromaticity: { x: 0.3127, y: 0.329 } };
        card.sees({ reading, points: [[sequence, at_s, y]], missed: false });
        return t_s;
    };
    const stands = (t_s, more) => card.stands({ meter: 'told', verdict: null, since_s: null, t_s, unit: 'cd/m²', hold_s: 60, value: { y: 100, y_u95: 0.2 },
        settles: null, evidence: { failing: ['luminance_drift'], luminance_drift: { bands_per_hold: 2, interval: 0.1 } }, message: null, ...more });
    globalThis.told = { card, reads, stands };
})()";

/// A browser with such a card.
fn told(address: &str) -> Browser {
    let mut browser = looking(address);
    browser.evaluate(&format!("{CARD}.catch((why) => {{ globalThis.told = String(why); }})"));
    browser.wait_for("globalThis.told !== undefined");
    assert_eq!(browser.evaluate("typeof told"), json!("object"), "{}", browser.evaluate("String(told)"));
    browser
}

#[test]
fn between_two_readings_an_expectation_is_counted_down_in_steps_and_never_stands_when_it_has_passed() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = told(&address);
    // All in one turn: what the daemon says of the time comes between no two of them.
    let words = browser.evaluate(
        "(() => {
            const seen = [];
            gone_s = 0;
            told.stands(told.reads(100), { settles: [12, 44] });
            for (gone_s = 0; gone_s <= 70; gone_s += 1) {
                told.card.tick();
                seen.push(told.card.element.querySelector('.verdict').textContent);
            }
            gone_s = 0;
            return seen.filter((text, at) => text !== seen[at - 1]).map((text) => text.replaceAll('\\u00a0', ' '));
        })()",
    );
    let words: Vec<&str> = words.as_array().unwrap().iter().map(|words| words.as_str().unwrap()).collect();
    let ahead: Vec<&str> = words.iter().filter_map(|text| text.split("drifts. ").nth(1)).collect();
    assert_eq!(
        ahead,
        [
            "Expected to settle in 10 s to 40 s.",
            "Expected to settle in 5 s to 40 s.",
            "Expected to settle within 30 s.",
            "Expected to settle within 25 s.",
            "Expected to settle within 20 s.",
            "Expected to settle within 15 s.",
            "Expected to settle within 10 s.",
            "Expected to settle within 5 s.",
            "It should have settled by now: another reading would tell.",
        ],
        "{words:?}"
    );
    assert!(words.last().unwrap().contains("nothing is known of now"), "{words:?}");
}

#[test]
fn the_same_is_expected_in_the_same_words_as_by_the_daemon() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    browser.evaluate("import('/words.js').then((its) => { globalThis.words = its; })");
    browser.wait_for("globalThis.words !== undefined");
    for (low_s, high_s) in
        [(12.0, 24.0), (13.0, 17.0), (45.0, 83.0), (300.0, 2999.0), (3000.0, 9000.0), (-9.0, -1.0)]
    {
        for age_s in [0.0, 1.0, 4.0, 11.0, 23.9, 24.0, 56.0] {
            let ours = browser.evaluate(&format!("words.expected({low_s}, {high_s}, {age_s})"));
            let daemons = settled::settle::counted_down(low_s, high_s, age_s);
            // Beyond two hours the page tells hours and minutes, the daemon tenths of an hour.
            if !daemons.as_ref().is_some_and(|words| words.ends_with(" h")) {
                assert_eq!(ours, json!(daemons), "{low_s} {high_s} {age_s}");
            }
        }
    }
}

#[test]
fn what_is_selected_or_being_read_in_the_numbers_and_the_verdict_stays_where_it_is() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = told(&address);
    browser.evaluate("told.card.element.scrollIntoView(); told.card.element.querySelectorAll('details').forEach((one) => { one.open = true; });");
    browser.wait_for("told.card.element.querySelectorAll('.table tbody tr').length > 10");
    let found = browser.evaluate(
        "(() => {
            const { element } = told.card;
            told.stands(told.reads(100), {});
            const [table, verdict] = [element.querySelector('.table'), element.querySelector('.verdict')];
            const row = table.querySelectorAll('tbody tr')[3];
            const parts = [row, row.cells[2], verdict.querySelector('.estimate'), verdict.querySelector('.why'), verdict.firstElementChild];
            const words = row.textContent;
            // From the middle of the verdict to its end: what changes with each reading is within.
            const selection = getSelection();
            const select = (one) => { const range = document.createRange(); range.selectNodeContents(one); selection.removeAllRanges(); selection.addRange(range); };
            const changes = new MutationObserver(() => {});
            changes.observe(table, { childList: true, subtree: true, characterData: true, attributes: true });
            select(row);
            const selected = selection.toString();
            let touched = 0;
            const began = performance.now();
            for (let step = 1; step <= 240; step += 1) {
                gone_s = step / 4;
                told.stands(told.reads(100 + step / 100), { value: { y: 100 + step / 100, y_u95: 0.2 } });
                if (step % 4 === 0) {
                    told.card.tick();
                }
                touched += changes.takeRecords().length > 0 ? 1 : 0;
            }
            // The minute that the test has go by, and as long as the drawing takes on this machine.
            const lasted_s = (performance.now() - began) / 1000;
            const inTable = selection.toString() === selected && selected !== '' && row.textContent === words;
            select(verdict.querySelector('.estimate'));
            for (let step = 241; step <= 260; step += 1) {
                gone_s = step / 4;
                told.stands(told.reads(100 + step / 100), { value: { y: 100 + step / 100, y_u95: 0.2 } });
            }
            const inVerdict = selection.toString();
            gone_s = 0;
            return { stays: parts.map((part) => part.isConnected), touched, lasted_s, inTable, inVerdict, rows: table.querySelectorAll('tbody tr').length };
        })()",
    );
    assert_eq!(found["stays"], json!([true, true, true, true, true]), "{found}");
    assert_eq!(found["inTable"], json!(true), "{found}");
    assert!(found["inVerdict"].as_str().unwrap().contains("± 0.20"), "{found}");
    let [touched, lasted_s] = ["touched", "lasted_s"].map(|name| found[name].as_f64().unwrap());
    assert!(lasted_s >= 60.0, "{found}");
    assert!(
        (2.0..=lasted_s / 5.0 + 1.0).contains(&touched),
        "once in 5 s at the most, and not never: {found}"
    );
}

#[test]
fn a_row_of_the_numbers_that_is_over_is_the_same_however_much_comes_after_it() {
    let (daemon, address) = paged(&format!("[clock]\nspeed = 60\n{}", bench(1.0)));
    let mut client = daemon.client();
    client.call("meter.observe", &json!({"meter": "bench", "interval_s": 2}));
    let mut browser = looking(&address);
    browser.evaluate("[...document.querySelectorAll('.spans button')].find((button) => button.textContent === '1 h').click(); document.querySelector('details').open = true;");
    browser.wait_for("document.querySelectorAll('.table tbody tr').length >= 3");
    browser.evaluate(
        "globalThis.row = document.querySelectorAll('.table tbody tr')[1]; globalThis.words = row.textContent;
        getSelection().selectAllChildren(row); globalThis.newest = () => document.querySelector('.table tbody tr').dataset.key; globalThis.first = newest();",
    );
    browser.wait_for("Number(newest()) >= Number(first) + 2 * 180");
    assert_eq!(browser.evaluate("row.isConnected && row.textContent === words"), json!(true));
    assert_eq!(browser.evaluate("getSelection().toString().includes(row.cells[2].textContent)"), json!(true));
}

#[test]
fn of_another_start_of_the_daemon_nothing_is_shown_that_the_one_before_it_told() {
    let (port, config) = (free_port(), bench(0.05).replace("log.sqlite", "off"));
    let mut daemon = Daemon::start(&format!("[page]\nport = {port}\ntoken_file = \"page.token\"\n{config}"));
    let mut browser = looking(&address(&daemon));
    let reading = read(&mut daemon.client());
    says(&mut browser, ".value strong", &written(&reading));
    says(&mut browser, ".verdict", "Not settled yet");
    daemon.kill();
    // While nobody is there it stays, and says that it is old.
    says(&mut browser, ".verdict", "nothing is known of now");
    says(&mut browser, ".value strong", &written(&reading));
    daemon.launch();
    // Its log is off: it has nothing of what was before it.
    says(&mut browser, "#line", "live");
    browser.wait_for("document.querySelector('.value').textContent === 'no reading yet'");
    assert_eq!(
        browser.evaluate(
            "document.querySelector('.verdict').textContent + document.querySelector('.age').textContent"
        ),
        json!("")
    );
}

#[test]
fn what_a_meter_read_before_it_was_zeroed_says_so() {
    let (daemon, address) = paged(&format!("{}zero_every = \"1h\"\n", bench(0.05)));
    let mut client = daemon.client();
    let mut browser = looking(&address);
    client.call("meter.zero", &json!({"meter": "bench", "covered": true}));
    read(&mut client);
    says(&mut browser, ".age", "measured ");
    assert!(!text(&mut browser, ".age").contains("zeroed"));
    client.call("meter.zero", &json!({"meter": "bench", "covered": true}));
    says(&mut browser, ".age", ", before the meter was zeroed");
    assert_eq!(browser.evaluate("document.querySelector('.card').classList.contains('former')"), json!(true));
    read(&mut client);
    browser.wait_for("!document.querySelector('.age').textContent.includes('zeroed')");
}

fn text(browser: &mut Browser, selector: &str) -> String {
    let found: Value = browser.evaluate(&format!("document.querySelector({selector:?}).textContent"));
    found.as_str().unwrap().to_owned()
}

#[test]
fn events_are_told_in_words_and_with_their_day_where_that_is_not_today() {
    let (daemon, address) = paged(&bench(0.05));
    let mut client = daemon.client();
    let stimulus = json!({"stimulus": {"colour": [512, 512, 512], "bits": 10, "window_percent": 10}, "position": [0.25, 0.5]});
    client.call("stage.show", &stimulus);
    let mut browser = looking(&address);
    says(
        &mut browser,
        "#events",
        "512,512,512 in a window of 10 % on 0,0,0 (10-bit code values), looked at 25 % from the left and 50 % from the top",
    );
    says(&mut browser, "#events", "stage shown (bench)");
    assert!(!text(&mut browser, "#events").contains('{'));
    // It says no more what time it is.
    daemon.signal(Signal::SIGSTOP);
    browser.evaluate("globalThis.item = document.querySelector('#events li'); globalThis.time = item.querySelector('time').textContent; globalThis.real = Date.now; Date.now = () => real() + 86400000;");
    // By the next second it is tomorrow there, and what happened was yesterday.
    browser.wait_for("item.isConnected && item.querySelector('time').textContent !== time && item.querySelector('time').textContent.endsWith(`, ${time}`)");
    daemon.signal(Signal::SIGCONT);
}
