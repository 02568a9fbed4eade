//! The local page's scripts by themselves, in a real browser: numbers in words, what a curve is made of, what is known of runs.

use serde_json::{Value, json};

use crate::page::{bench, looking, paged};
use crate::support::browser::Browser;

/// What an expression over a module's exports, `its`, comes to.
pub(crate) fn of(browser: &mut Browser, module: &str, expression: &str) -> Value {
    browser.evaluate(&format!(
        "globalThis.found = undefined; import('/{module}.js').then((its) => {{ found = {expression}; }}).catch((why) => {{ found = String(why); }});"
    ));
    browser.wait_for("found !== undefined");
    browser.evaluate("found")
}

#[test]
fn numbers_spans_and_ages_are_written_as_people_read_them() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    for (expression, expected) in [
        ("its.span(7190)", "2 h 0 min"),
        ("its.span(5999)", "1 h 40 min"),
        ("its.span(59.7 * 60)", "60 min"),
        ("its.span(3 * 3600 + 61)", "3 h 1 min"),
        ("its.span(9.96)", "10.0 s"),
        ("its.span(48 * 3600)", "2 days"),
        ("its.digits(123.456, 5)", "123.46"),
        ("its.digits(0, 5)", "0"),
        ("its.digits(null, 5)", "–"),
        ("its.digits(0.00012345, 5)", "0.00012345"),
        ("its.digits(1.25e-12, 3)", "1.25 × 10⁻¹²"),
        ("its.digits(-1.25e-12, 3)", "−1.25 × 10⁻¹²"),
        ("its.withUncertainty(100.1234, 0.0213).join(' ± ')", "100.123 ± 0.021"),
        ("its.withUncertainty(2e-11, 3e-12).join(' ± ')", "2.0000 × 10⁻¹¹ ± 3.0 × 10⁻¹²"),
        ("its.ago(0.4)", "just now"),
    ] {
        assert_eq!(of(&mut browser, "words", expression), expected, "{expression}");
    }
}

#[test]
fn a_number_stays_with_its_sign_and_its_unit() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    let kept = "its.kept('200.1 ± 0.2 %, allowed ± 1 %; in 10 s to 4 min or 2 h, after 3 hours').replaceAll('\\u00a0', '_')";
    assert_eq!(
        of(&mut browser, "words", kept),
        "200.1_±_0.2_%, allowed_±_1_%; in 10_s to 4_min or 2_h, after 3 hours"
    );
}

/// A series of one bin of a second with the mean 100, and what it comes to after some readings.
fn series(browser: &mut Browser, batches: &str) -> Value {
    let stretch =
        "{ every_s: 1, since: 0, until: 600, series: [{ quantity: 'luminance', unit: 'cd/m²', last: 5,
        simulated: false, replayed: false, t: [100], n: [1], mean: [100], min: [100], max: [100] }] }";
    let batch = "(sequence, at, value, more) => ({ scale: its.scale('luminance'), unit: 'cd/m²', simulated: false, replayed: false, points: [[sequence, at, value]], ...more })";
    let expression = format!(
        "(() => {{ const s = new its.Series({stretch}); const batch = {batch}; {batches}; const {{ t, n, mean, unit, others, wasSetBack, simulated }} = s; return {{ t, n, mean, unit, others, wasSetBack, simulated }}; }})()"
    );
    of(browser, "series", &expression)
}

#[test]
fn a_curve_holds_only_what_compares_and_nothing_twice() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    let same = series(
        &mut browser,
        "s.add(batch(6, 100.4, 104)); s.add(batch(6, 100.4, 104)); s.add(batch(5, 100.2, 1))",
    );
    assert_eq!((&same["mean"], &same["n"], &same["simulated"]), (&json!([102]), &json!([2]), &json!(false)));
    let other = series(
        &mut browser,
        "s.add(batch(6, 100.4, 250, { scale: its.scale('illuminance'), unit: 'lx', simulated: true }))",
    );
    assert_eq!(
        other,
        json!({"t": [100], "n": [1], "mean": [250], "unit": "lx", "others": 1, "wasSetBack": false, "simulated": true})
    );
    let corrected = series(
        &mut browser,
        "s.add(batch(6, 100.4, 250, { scale: its.scale('luminance', undefined, '7') }))",
    );
    assert_eq!((&corrected["mean"], &corrected["others"]), (&json!([250]), &json!(1)));
    let back = series(&mut browser, "s.add(batch(6, 40.4, 1)); s.add(batch(7, 41.4, 2))");
    assert_eq!(
        (&back["t"], &back["mean"], &back["wasSetBack"]),
        (&json!([40, 41]), &json!([1, 2]), &json!(true))
    );
}

#[test]
fn a_row_of_the_numbers_is_whole_until_it_goes() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    // A reading a second; of the rows of half a minute those that are over, as the ten minutes move on.
    let expression = "(() => {
        const t = [...Array(601).keys()].map((second) => 1005 + second);
        const each = (value) => t.map(() => value);
        const s = new its.Series({ every_s: 1, since: 1005, until: 1605, series: [{ quantity: 'luminance', unit: 'cd/m²', last: 1,
            simulated: false, replayed: false, t, n: each(1), mean: each(100), min: each(99), max: each(101) }] });
        const counts = new Set();
        for (let now = 1605; now <= 1665; now += 1) {
            s.forget(now);
            s.rows(30).filter(([begin]) => begin + 30 <= 1605).forEach(([, count]) => counts.add(count));
        }
        return [...counts];
    })()";
    assert_eq!(of(&mut browser, "series", expression), json!([30]));
}

#[test]
fn a_runs_drift_is_told_once_on_its_card_in_the_daemons_words_and_its_caution_stays() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    for state in ["running", "done"] {
        let expression = format!(
            "(() => {{
                const places = [document.createElement('div'), document.createElement('div')];
                const at = '2026-11-27T18:00:00Z';
                const drift = {{ per_h: -0.21, low_per_h: -0.24, high_per_h: -0.18, caution: 'the light made a step' }};
                new its.Runs(...places).is({{ run: 7, plan: {{ kind: 'drift', meter: 'bench' }}, state: '{state}', verdict: 'within', quantity: 'luminance',
                    created: at, begins: at, ends: at, elapsed_s: 60, points: 9, readings: 9, missed: 0, gaps: 0, gap_s: 0, alerts: 0, flags: [], drift,
                    message: 'It goes on: 9 points, drift -0.105 ± 0.015 % an hour, or -0.210 ± 0.030 cd/m².' }});
                return places.map((place) => place.textContent).join(' ');
            }})()"
        );
        let found = of(&mut browser, "runs", &expression);
        let words = found.as_str().unwrap();
        assert!(words.contains("Driftthe light made a step"), "{words}");
        assert_eq!((words.matches("an hour").count(), words.contains(" to −")), (1, false), "{words}");
    }
}

#[test]
fn an_answer_that_comes_late_takes_back_nothing_that_was_told_of_runs_meanwhile() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    let expression = "(() => {
        const runs = new its.Runs(document.createElement('div'), document.createElement('div'));
        runs.draw = () => {};
        const run = (run, state) => ({ run, state });
        runs.is(run(1, 'running'));
        const asked = runs.told;
        runs.is(run(2, 'done'));
        runs.are([run(3, 'planned'), run(2, 'running'), run(1, 'done')], asked);
        return [...runs.all.values()].map(({ run, state }) => `${run} ${state}`).sort();
    })()";
    assert_eq!(of(&mut browser, "runs", expression), json!(["1 done", "2 done", "3 planned"]));
}

#[test]
fn of_two_things_that_are_announced_together_neither_is_lost() {
    let (_daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    let expression = "(() => {
        const region = document.createElement('div');
        for (let at = 0; at < 9; at += 1) { its.announce(region, `meter ${at}`); }
        return [...region.children].map((line) => line.textContent);
    })()";
    let lines = of(&mut browser, "announce", expression);
    assert_eq!(lines, json!(["meter 4", "meter 5", "meter 6", "meter 7", "meter 8"]));
}
