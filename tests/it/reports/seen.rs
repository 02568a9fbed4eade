//! A report in a browser, and printed by it.

use data_encoding::BASE64;
use serde_json::{Value, json};
use settle::review::plan::Plan;
use settle::review::ready::Ready;

use super::{FAULTY, Place, every_kind, read, succeed};
use crate::page::barriers;
use crate::review_loop::observer::{self, Noise};
use crate::support::browser::Browser;

/// What a browser shows of the page at sizes of a telephone, a laptop and a large screen, in light and in the dark, and prints on A4.
#[test]
fn a_browser_asks_for_nothing_shows_all_of_it_at_any_size_and_prints_the_mark_on_every_page() {
    let place = Place::new("seen");
    let record = observer::review(FAULTY, &full(), Noise::USUAL, 7);
    let record = place.write("record.jsonl", &record);
    let into = place.path("report.html");
    succeed(&["report", &record, "--into", &into]);
    let mut browser = Browser::start(&[]);
    let url = format!("file://{into}");
    browser.open(&url);
    for (width, height, scheme) in [(390, 844, "light"), (1280, 800, "dark"), (1920, 1080, "light")] {
        media(&mut browser, &json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]}));
        size(&mut browser, width, height);
        let over = browser.evaluate("document.documentElement.scrollWidth - innerWidth");
        assert!(over.as_i64().unwrap() <= 0, "at {width} pixels the page is wider by {over}");
        place.keep(&mut browser, &format!("{width}-{scheme}.png"));
    }
    // Pictures are seen, and the mark stays where it is seen.
    let drawn =
        "[...document.querySelectorAll('figure svg')].every(svg => svg.getBoundingClientRect().width > 400)";
    assert_eq!(browser.evaluate(drawn), true);
    browser.evaluate("window.scrollTo(0, document.body.scrollHeight)");
    assert_eq!(browser.evaluate("document.querySelector('.mark').getBoundingClientRect().top"), 0);
    nothing_is_cut_off_on_paper(&mut browser);
    every_page_has_the_mark(&mut browser, &place);
    let asked = browser.asked();
    assert!(asked.iter().all(|asked| *asked == url), "{asked:?}");
}

#[test]
fn nobody_is_kept_out_of_a_report_and_what_is_jumped_to_is_not_hidden() {
    let place = Place::new("open");
    let plan = Ready::named("sdr-quick").unwrap().plan().unwrap();
    let record = place.write("record.jsonl", &observer::review(FAULTY, &plan, Noise::USUAL, 7));
    let into = place.path("report.html");
    succeed(&["report", &record, "--into", &into]);
    let mut browser = Browser::start(&[]);
    browser.open(&format!("file://{into}"));
    for scheme in ["light", "dark"] {
        media(&mut browser, &json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]}));
        assert_eq!(barriers(&mut browser), json!([]), "{scheme}");
    }
    browser.evaluate("document.querySelector('nav a[href=\"#section-1\"]').click()");
    let under = "document.querySelector('#section-1-heading').getBoundingClientRect().top
        - document.querySelector('.mark').getBoundingClientRect().bottom";
    assert!(browser.evaluate(under).as_f64().unwrap() >= 0.0, "the mark hides the heading");
}

fn media(browser: &mut Browser, media: &Value) {
    browser.call("Emulation.setEmulatedMedia", media.clone());
}

fn size(browser: &mut Browser, width: u32, height: u32) {
    let size = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false});
    browser.call("Emulation.setDeviceMetricsOverride", size);
    browser.wait_for(&format!("innerWidth === {width}"));
}

impl Place {
    /// Keeps what the browser shows, all of the page, where somebody wants to look at it.
    fn keep(&self, browser: &mut Browser, name: &str) {
        if self.is_looked_at() {
            let whole = json!({"format": "png", "captureBeyondViewport": true});
            let shot = browser.call("Page.captureScreenshot", whole);
            std::fs::write(self.path(name), decoded(&shot)).unwrap();
        }
    }
}

fn decoded(answer: &Value) -> Vec<u8> {
    BASE64.decode(answer["data"].as_str().unwrap().as_bytes()).unwrap()
}

/// A page of A4 has room for 178 mm between its margins.
fn nothing_is_cut_off_on_paper(browser: &mut Browser) {
    media(browser, &json!({"media": "print", "features": []}));
    size(browser, 673, 986);
    let cut = "[...document.querySelectorAll('svg, table, p, li')]\
        .filter(part => part.getBoundingClientRect().right > 674).map(part => part.textContent.slice(0, 60))";
    assert_eq!(browser.evaluate(cut), json!([]));
}

fn every_page_has_the_mark(browser: &mut Browser, place: &Place) {
    browser.call("Emulation.clearDeviceMetricsOverride", json!({}));
    media(browser, &json!({"media": ""}));
    let paper = json!({"preferCSSPageSize": true, "printBackground": true});
    let printed = decoded(&browser.call("Page.printToPDF", paper));
    std::fs::write(place.path("report.pdf"), printed).unwrap();
    let printed = read(&["pdf", &place.path("report.pdf")]);
    let pages = printed["pages"].as_array().unwrap();
    assert!((10..60).contains(&pages.len()), "{} pages", pages.len());
    for (page, size) in pages.iter().zip(printed["sizes"].as_array().unwrap()) {
        // In the margin, and at the top of what is within.
        let marks = page.as_str().unwrap().matches("SIMULATED").count();
        assert!(marks >= 2, "a page without the mark: {page}");
        // A4, in points.
        let [width, height] = [0, 1].map(|side| size[side].as_f64().unwrap());
        assert!((width - 595.3).abs() < 1.0 && (height - 841.9).abs() < 1.0, "{size}");
    }
}

/// The full review, and what it leaves out.
fn full() -> Plan {
    let mut plan = Ready::named("sdr-full").unwrap().plan().unwrap();
    let more = every_kind();
    for sequence in &more.sets[0].sequences {
        if plan.sets[0].sequences.iter().all(|known| known.name != sequence.name) {
            plan.sets[0].sequences.push(sequence.clone());
        }
    }
    plan
}
