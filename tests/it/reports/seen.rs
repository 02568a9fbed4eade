//! A report in a browser, and printed by it.

use data_encoding::BASE64;
use serde_json::{Value, json};
use settle::report::html::html;
use settle::report::{Document, Section};
use settle::review::figures::Table;
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

/// On a telephone a column of words isn't squeezed to a word a line, however many columns there are: its rows would be towers with nothing in them.
#[test]
fn no_row_of_a_table_is_taller_than_a_few_lines_on_a_narrow_screen() {
    let place = Place::new("narrow");
    let record = observer::review(FAULTY, &every_kind(), Noise::USUAL, 7);
    let record = place.write("record.jsonl", &record);
    let (review, night) = (place.path("review.html"), place.path("night.html"));
    succeed(&["report", &record, "--into", &review]);
    std::fs::write(&night, html(&drifts())).unwrap();
    let mut browser = Browser::start(&[]);
    for page in [review, night] {
        browser.open(&format!("file://{page}"));
        for width in [390, 360] {
            size(&mut browser, width, 844);
            let tall = "[...document.querySelectorAll('tbody tr')]\
                .filter(row => row.getBoundingClientRect().height > 8.5 * parseFloat(getComputedStyle(row).lineHeight))\
                .map(row => row.getBoundingClientRect().height + ' ' + row.textContent)";
            assert_eq!(browser.evaluate(tall), json!([]), "{page} at {width} pixels");
            let over = browser.evaluate("document.documentElement.scrollWidth - innerWidth");
            assert!(over.as_i64().unwrap() <= 0, "at {width} pixels {page} is wider by {over}");
        }
        place.keep(&mut browser, if page.ends_with("night.html") { "night.png" } else { "review.png" });
    }
}

/// What a night's report has of drifts, with all that one may have to be minded of.
fn drifts() -> Document {
    let caution = "it moved up and down meanwhile, by more than the drift comes to; a daily swing may be in it; it rests on 9 points alone; \
        the light moved by one step at 18:30, which is no drift";
    let rows = [
        ["luminance, cd/m²", "-0.412 ± 0.052", "-0.141 ± 0.018", caution],
        ["u′", "0.000012 ± 0.000031", "", caution],
        ["meter's temperature, °C", "0.81 ± 0.24", "", ""],
    ];
    let table = Table {
        title: "An hour, with 95 %".to_owned(),
        columns: ["quantity", "drift", "% of the mean", "caution"].map(str::to_owned).to_vec(),
        rows: rows.map(|row| row.map(str::to_owned).to_vec()).to_vec(),
    };
    let section = Section { heading: "Drift".to_owned(), tables: vec![table], ..Section::default() };
    Document { title: "A night".to_owned(), sections: vec![section], ..Document::default() }
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
    let heads =
        browser.evaluate("[...document.querySelectorAll('h2, h3, caption')].map(head => head.textContent)");
    let paper = json!({"preferCSSPageSize": true, "printBackground": true});
    let printed = decoded(&browser.call("Page.printToPDF", paper));
    std::fs::write(place.path("report.pdf"), printed).unwrap();
    let printed = read(&["pdf", &place.path("report.pdf")]);
    let pages = printed["pages"].as_array().unwrap();
    assert!((10..60).contains(&pages.len()), "{} pages", pages.len());
    nothing_is_headed_at_the_foot_of_a_page(pages, &heads);
    for (page, size) in pages.iter().zip(printed["sizes"].as_array().unwrap()) {
        // In the margin, and at the top of what is within.
        let marks = page.as_str().unwrap().matches("SIMULATED").count();
        assert!(marks >= 2, "a page without the mark: {page}");
        // A4, in points.
        let [width, height] = [0, 1].map(|side| size[side].as_f64().unwrap());
        assert!((width - 595.3).abs() < 1.0 && (height - 841.9).abs() < 1.0, "{size}");
    }
}

/// What heads something stands on one page with two lines of that at least.
fn nothing_is_headed_at_the_foot_of_a_page(pages: &[Value], heads: &Value) {
    let heads: Vec<&str> = heads.as_array().unwrap().iter().map(|head| head.as_str().unwrap()).collect();
    assert!(heads.len() > 20, "{heads:?}");
    let mut seen = 0;
    for page in pages {
        let text = page.as_str().unwrap().replace('\u{fb01}', "fi").replace('\u{fb02}', "fl");
        let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
        for (index, line) in lines.iter().enumerate().filter(|(_, line)| heads.contains(line)) {
            // Below a verdict it is the sequence that this is of.
            if index > 0 && lines[index - 1].starts_with(['✓', '✗', '?', '·']) {
                continue;
            }
            seen += 1;
            assert!(index + 2 < lines.len(), "{line} stands at the foot of a page: {text}");
        }
    }
    assert!(seen > 10, "{seen} of {} heads were found on paper", heads.len());
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
