//! A review's page held against its JSON, cell by cell, sentence by sentence and picture by picture.

use serde_json::{Value, json};
use settle::review::plan::Plan;
use settle::review::record::Record;

use super::agreement::{Tables, Units, figures};
use super::map::{places, subject};
use super::{Forms, faulty};
use crate::review_loop::observer::{self, Noise};
use crate::review_loop::plans;

/// Rows and columns that have digits and are no figures of the review: how white was shown, and what is allowed of the room's light.
const NO_FIGURES: [&str; 2] = ["shown as", "may be reflected, of black"];

/// One sequence of a review: its JSON, and what the page has of it.
struct Sequence<'a> {
    forms: &'a Forms,
    units: &'a Units,
    set: &'a str,
    json: &'a Value,
    heading: String,
}

impl Sequence<'_> {
    fn name(&self) -> &str {
        self.json["name"].as_str().unwrap()
    }

    fn findings(&self) -> impl Iterator<Item = &Value> {
        let is_here = |finding: &&Value| finding["set"] == self.set && finding["sequence"] == self.name();
        self.forms.findings().iter().filter(is_here)
    }

    /// Captions and text alternatives of its plots.
    fn below_plots(&self) -> String {
        let plots = self.forms.page["plots"].as_array().unwrap().iter();
        let here = plots.filter(|plot| plot["section"] == self.heading.as_str());
        here.map(|plot| format!("{} | {} | ", plot["description"], plot["caption"])).collect()
    }

    /// Each cell of each table is what the JSON has there; figures that are in none are in a verdict's words or below a plot.
    fn agrees(&self) {
        let parts = &self.json["figures"];
        let mut tables = Tables::of(&self.forms.page, &self.heading);
        let mut but = NO_FIGURES.map(str::to_owned).to_vec();
        for (index, part) in parts.as_array().unwrap().iter().enumerate() {
            for mut place in places(part) {
                place.pointer = format!("/{index}{}", place.pointer);
                tables.check(parts, &place);
            }
            let terms = part["constants"].as_array().map_or(&[][..], Vec::as_slice).iter().zip(1..);
            but.extend(
                terms
                    .filter(|(term, _)| term["open"] == true)
                    .map(|(_, term)| format!("time constant of term {term}")),
            );
        }
        tables.has_nothing_else(&but.iter().map(String::as_str).collect::<Vec<_>>());
        for pointer in figures(parts) {
            self.is_told(&tables, &pointer);
        }
    }

    fn is_told(&self, tables: &Tables, pointer: &str) {
        let parts = &self.json["figures"];
        let (index, rest) = pointer[1..].split_once('/').unwrap();
        let (kind, rest) =
            (parts[index.parse::<usize>().unwrap()]["of"].as_str().unwrap(), format!("/{rest}"));
        let figure = parts.pointer(pointer).unwrap();
        if tables.has(parts, pointer) || rest.starts_with("/constants/") {
            return;
        }
        let words = match subject(kind, &rest) {
            Some(subject) => self
                .findings()
                .find(|finding| finding["subject"] == subject)
                .map(|it| it["words"].as_str().unwrap().to_owned()),
            None => Some(self.below_plots()),
        };
        let words = words.unwrap_or_else(|| panic!("{}: no verdict tells {kind} {rest}", self.heading));
        let is_swatch = kind == "chart" && rest.starts_with("/colours/");
        let is_from_the_first = words.contains("from the first reading on");
        let words = words.replace('\u{a0}', " ");
        assert!(
            is_swatch || is_from_the_first || self.units.tells(&words, figure),
            "{}: {kind} {rest} {figure} is not in: {words}",
            self.heading
        );
    }

    /// What captions and text alternatives tell with an interval are figures of the sequence, and so are those of verdicts.
    fn tells_nothing_else(&self) {
        let parts = &self.json["figures"];
        let mut known: Vec<&Value> =
            figures(parts).iter().map(|pointer| parts.pointer(pointer).unwrap()).collect();
        known.extend(self.findings().filter_map(|finding| finding.get("figure")));
        let limits = self.findings().filter_map(|finding| finding["tolerance"]["most"].as_f64());
        let limits: Vec<f64> = limits.collect();
        self.units.tells_nothing_else(&self.below_plots(), &known, &limits);
        for finding in self.findings() {
            let words = finding["words"].as_str().unwrap().replace('\u{a0}', " ");
            self.units.tells_nothing_else(&words, &known, &[]);
            let Some(figure) = finding.get("figure") else { continue };
            assert!(
                words.contains("from the first reading on") || self.units.tells(&words, figure),
                "{finding}"
            );
        }
    }
}

fn agree(forms: &Forms) {
    let units = &Units::of(&forms.rows);
    for set in forms.evaluation["sets"].as_array().unwrap() {
        for json in set["sequences"].as_array().unwrap() {
            let (set, name) = (set["name"].as_str().unwrap(), json["name"].as_str().unwrap());
            let heading = format!("{set}, {}", name.replace('_', " "));
            let sequence = Sequence { forms, units, set, json, heading };
            sequence.agrees();
            sequence.tells_nothing_else();
        }
    }
}

/// Below each swatch is the difference of its colour, with its interval.
fn swatches_agree(forms: &Forms, record: &Record) {
    let units = Units::of(&forms.rows);
    let set = &record.header.plan.sets[0];
    let sequences = forms.evaluation["sets"][0]["sequences"].as_array().unwrap();
    let chart = sequences.iter().find(|sequence| sequence["name"] == "chart").unwrap();
    let plots = forms.page["plots"].as_array().unwrap();
    let plot =
        plots.iter().find(|plot| plot["title"].as_str().unwrap().contains("the colours themselves")).unwrap();
    let texts = plot["texts"].as_array().unwrap().iter().filter(|text| text[0] == "difference");
    let texts: Vec<&str> = texts.map(|text| text[1].as_str().unwrap()).collect();
    let patches = record.patches(set, "chart");
    assert_eq!(texts.len(), 2 * patches.len());
    for (patch, lines) in patches.iter().zip(texts.chunks(2)) {
        let colours = chart["figures"][0]["colours"].as_array().unwrap();
        let colour = colours.iter().find(|colour| colour["name"] == patch.patch.name.as_str()).unwrap();
        let told = match lines {
            [value, ends] if ends.contains(" to ") => format!("{value} ({ends})"),
            lines => lines.join(" "),
        };
        assert!(units.tells(&told, &colour["figure"]), "{told} of {colour}");
    }
}

#[test]
fn each_cell_verdict_and_caption_of_a_page_is_the_figure_of_the_json_that_belongs_there() {
    let record = faulty();
    let forms = Forms::of("agreement", &record);
    agree(&forms);
    swatches_agree(&forms, &record);
    // White's colour, of which each table has figures of its own kind.
    let white =
        forms.page["tables"].as_array().unwrap().iter().find(|table| table["caption"] == "White").unwrap();
    assert!(
        white["rows"].as_array().unwrap().len() > 8 && forms.page["tables"].as_array().unwrap().len() >= 14,
        "{}",
        json!(white)
    );
}

#[test]
fn the_pages_of_hdr_reviews_agree_with_their_json_too() {
    for (name, plan, eotf) in [("pq", plans::PQ, "pq"), ("hlg", plans::HLG, "hlg")] {
        let plan = Plan::read(std::path::Path::new("hdr.toml"), plan)
            .unwrap_or_else(|problems| panic!("{problems}"));
        let display = format!(
            "display = \"self-emitting\"\neotf = \"{eotf}\"\nprimaries = \"bt2020\"\npeak_cd_m2 = 1000.0\nblack_cd_m2 = 0.005\ncrosstalk = 0.03\n"
        );
        agree(&Forms::of(&format!("agreement-{name}"), &observer::review(&display, &plan, Noise::USUAL, 3)));
    }
}
