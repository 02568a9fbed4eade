//! `settle report` of a review: what a browser and parsers that aren't ours make of it, and whether its forms say the same.
//!
//! `REPORTS=FOLDER cargo test -p settled-tests --test it reports::` leaves what was written, printed and seen in that folder, to look at.

use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::{Value, json};
use settle::review::plan::Plan;
use settle::review::record::{Entry, Record};
use tempfile::TempDir;

use crate::outside::python;
use crate::review_loop::observer::{self, Noise};
use crate::review_loop::plans;
use crate::support::daemon::program;

pub(crate) mod agreement;
mod held;
mod map;
pub(crate) mod of_run;
mod of_two;
mod seen;
mod slips;
pub(crate) mod told;

/// A display with a fault of every kind.
const FAULTY: &str = "display = \"self-emitting\"\neotf = \"power\"\ngamma = 2.3\nprimaries = \"bt709\"\npeak_cd_m2 = 180.0\nblack_cd_m2 = 0.06\nwhite_error = [0.003, -0.003]\n\
    near_black_gamma = 0.2\ncrosstalk = 0.04\nfalloff = 0.2\nlimiter_knee_percent = 25.0\nlimiter_exponent = 0.8\ncreep = [-0.02, 0.01]\ncreep_s = [10.0, 75.0]\n\
    cold = [-0.1, -0.05]\ncold_s = [60.0, 600.0]\nretention = 0.03\nretention_s = [300.0, 200.0]\nglare_cd_m2 = 0.01\n";

/// Where reports are made; left behind where somebody wants to look at them.
struct Place {
    folder: PathBuf,
    own: Option<TempDir>,
}

impl Place {
    fn new(name: &str) -> Self {
        match std::env::var_os("REPORTS") {
            Some(folder) => {
                let folder = Path::new(&folder).join(name);
                let _gone = std::fs::remove_dir_all(&folder).is_ok();
                std::fs::create_dir_all(&folder).unwrap();
                Self { folder, own: None }
            }
            None => {
                let own = tempfile::tempdir().unwrap();
                Self { folder: own.path().to_owned(), own: Some(own) }
            }
        }
    }

    fn is_looked_at(&self) -> bool {
        self.own.is_none()
    }

    fn path(&self, name: &str) -> String {
        self.folder.join(name).display().to_string()
    }

    fn names(&self) -> BTreeSet<String> {
        let entries = std::fs::read_dir(&self.folder).unwrap();
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
    }

    fn write(&self, name: &str, record: &Record) -> String {
        let entries = record.entries.iter().map(|entry| serde_json::to_string(entry).unwrap());
        let lines: Vec<String> =
            std::iter::once(serde_json::to_string(&record.header).unwrap()).chain(entries).collect();
        std::fs::write(self.path(name), lines.join("\n") + "\n").unwrap();
        self.path(name)
    }

    /// The report of a record, read back.
    fn report(&self, record: &str) -> Value {
        let into = self.path("report.html");
        succeed(&["report", record, "--into", &into, "--replace"]);
        read(&["html", &into])
    }
}

fn settle(arguments: &[&str]) -> Output {
    Command::new(program("settle")).args(arguments).stdin(Stdio::null()).output().unwrap()
}

fn succeed(arguments: &[&str]) -> String {
    let output = settle(arguments);
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{words}");
    words
}

/// What tests/report/read.py makes of a file.
pub(crate) fn read(arguments: &[&str]) -> Value {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("report/read.py");
    let output = Command::new(python()).arg("-B").arg(script).args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Every kind of sequence that there is.
fn every_kind() -> Plan {
    Plan::read(Path::new("every-kind.toml"), plans::SDR).unwrap_or_else(|problems| panic!("{problems}"))
}

fn faulty() -> Record {
    observer::review(FAULTY, &every_kind(), Noise::USUAL, 5)
}

type Numbers = [String; 5];

fn numbers(of: impl Fn(&str) -> String) -> Numbers {
    ["value", "low", "high", "coverage", "together"].map(of)
}

/// Every figure within a value: an object with a value, a low and a high end, and what they cover.
fn figures(value: &Value, found: &mut BTreeSet<Numbers>) {
    match value {
        Value::Object(members) if ["low", "coverage"].iter().all(|name| members.contains_key(*name)) => {
            found.insert(numbers(|name| match members.get(name) {
                Some(Value::Bool(_)) | None => members.contains_key(name).to_string(),
                Some(number) => number.as_f64().unwrap().to_string(),
            }));
        }
        Value::Object(members) => members.values().for_each(|value| figures(value, found)),
        Value::Array(values) => values.iter().for_each(|value| figures(value, found)),
        _ => {}
    }
}

/// Every form of one report.
struct Forms {
    place: Place,
    said: String,
    /// The figures as JSON.
    evaluation: Value,
    rows: Vec<HashMap<String, String>>,
    page: Value,
}

impl Forms {
    fn of(name: &str, record: &Record) -> Self {
        let place = Place::new(name);
        let record = place.write("record.jsonl", record);
        let [page, json, csv, svg, png] =
            ["report.html", "figures.json", "figures.csv", "svg", "png"].map(|name| place.path(name));
        let said = succeed(&[
            "report",
            &record,
            "--into",
            &page,
            "--figures",
            &json,
            "--csv",
            &csv,
            "--svg",
            &svg,
            "--png",
            &png,
        ]);
        let evaluation = serde_json::from_str(&std::fs::read_to_string(&json).unwrap()).unwrap();
        let rows = csv::Reader::from_path(&csv).unwrap().deserialize().map(Result::unwrap).collect();
        Self { said, evaluation, rows, page: read(&["html", &page]), place }
    }

    fn findings(&self) -> &[Value] {
        self.evaluation["findings"].as_array().unwrap()
    }

    fn judged(&self) -> Vec<&HashMap<String, String>> {
        self.rows.iter().filter(|row| !row["verdict"].is_empty()).collect()
    }
}

#[test]
fn the_table_has_every_figure_of_the_json_and_no_other_and_the_json_is_what_its_schema_says() {
    let forms = Forms::of("figures", &faulty());
    let record = forms.place.path("record.jsonl");
    let shown = settle(&["--json", "review", "show", &record]);
    assert_eq!(forms.evaluation, serde_json::from_slice::<Value>(&shown.stdout).unwrap());
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("../client/report.schema.json");
    let json = forms.place.path("figures.json");
    assert_eq!(read(&["schema", schema.to_str().unwrap(), &json])["mistakes"], json!([]));

    let mut in_json = BTreeSet::new();
    figures(&forms.evaluation, &mut in_json);
    let known = forms.rows.iter().filter(|row| !row["value"].is_empty());
    let in_csv: BTreeSet<Numbers> = known.map(|row| numbers(|name| written(&row[name]))).collect();
    assert!(in_json.len() > 300, "{}", in_json.len());
    let missing: Vec<_> = in_json.symmetric_difference(&in_csv).collect();
    assert!(missing.is_empty(), "{missing:?}");
    for row in forms.rows.iter().filter(|row| !row["value"].is_empty()) {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        let half = (number("high") - number("low")) / 2.0;
        assert!(!row["unit"].is_empty(), "{row:?}");
        // What is judged together with others has a wider interval than that of 95 % that it has by itself.
        if row["together"] == "true" {
            assert!(row["coverage"] == "0.99" && number("u95") <= half + 1e-9, "{row:?}");
        } else {
            assert!(row["coverage"] == "0.95" && (number("u95") - half).abs() < 1e-9, "{row:?}");
        }
    }
    let together = |sequence: &str, quantity: &str| {
        let row = forms.rows.iter().find(|row| row["sequence"] == sequence && row["quantity"] == quantity);
        row.unwrap()["together"].clone()
    };
    assert_eq!(
        (together("white_black", "peak"), together("grey", "tracking")),
        ("false".into(), "true".into())
    );
}

/// A number as JSON's numbers are written here; what is none as it is.
fn written(cell: &str) -> String {
    cell.parse::<f64>().map_or_else(|_| cell.to_owned(), |number| number.to_string())
}

#[test]
fn the_page_and_the_table_have_every_verdict_of_the_json_with_its_tolerance_and_source() {
    let forms = Forms::of("verdicts", &faulty());
    let (judged, findings) = (forms.judged(), forms.findings());
    let statements = forms.page["statements"].as_array().unwrap();
    assert_eq!((statements.len(), judged.len()), (findings.len(), findings.len()));
    // A page has those beyond a tolerance first, and minuses where JSON has hyphens.
    let rank = |statement: &&Value| {
        let verdict = statement["verdict"].as_str().unwrap();
        ["beyond", "undecided", "within", "told"].iter().position(|standing| verdict.ends_with(standing))
    };
    assert!(statements.is_sorted_by_key(|statement| rank(&statement)), "{statements:?}");
    let hyphens = |text: &str| text.replace('\u{2212}', "-");
    for (finding, row) in findings.iter().zip(&judged) {
        let begins = hyphens(finding["words"].as_str().unwrap()).replace('\u{a0}', " ");
        let place =
            format!("{}, {}", finding["set"].as_str().unwrap(), finding["sequence"].as_str().unwrap());
        let statement = statements.iter().find(|statement| {
            hyphens(statement["words"].as_str().unwrap()).starts_with(&begins)
                && statement["place"] == place.replace('_', " ").as_str()
        });
        let statement = statement.unwrap_or_else(|| panic!("{finding} isn't on the page"));
        let words = hyphens(statement["words"].as_str().unwrap());
        let (subject, standing) =
            (finding["subject"].as_str().unwrap(), finding["standing"].as_str().unwrap());
        // A parser takes any blank for a blank.
        let said = hyphens(finding["words"].as_str().unwrap()).replace('\u{a0}', " ");
        assert!(words.starts_with(&said), "{words}");
        assert!(statement["verdict"].as_str().unwrap().ends_with(standing), "{statement}");
        assert_eq!((row["quantity"].as_str(), row["verdict"].as_str()), (subject, standing));
        if let Some(source) = finding["tolerance"]["source"].as_str() {
            assert!(words.contains(source) && row["source"] == source, "{words}");
        }
    }
}

/// Of every plot that there should be, a part of its title.
const PLOTS: [&str; 13] = [
    "from signal to light",
    "the colour of greys",
    "greys near black",
    "gamut in u′v′",
    "saturation in u′v′",
    "of 129 colours",
    "the colours themselves",
    "white by area",
    "peak over time",
    "warming up",
    "left behind",
    "evenness",
    "the colour of white",
];

#[test]
fn every_plot_is_on_the_page_with_words_for_who_can_not_see_it_and_in_a_file_of_its_own() {
    let forms = Forms::of("plots", &faulty());
    let plots = forms.page["plots"].as_array().unwrap();
    let count = |folder: &str| std::fs::read_dir(forms.place.path(folder)).unwrap().count();
    assert_eq!((count("svg"), count("png")), (plots.len(), plots.len()));
    assert!(forms.said.contains(&format!("{} plots in", plots.len())), "{}", forms.said);
    for title in PLOTS {
        let plot = plots.iter().find(|plot| plot["title"].as_str().unwrap().contains(title));
        let plot = plot.unwrap_or_else(|| panic!("{title}: no such plot"));
        assert!(plot["description"].as_str().unwrap().starts_with("SIMULATED data."), "{plot}");
        assert!(plot["caption"].as_str().unwrap().len() > 40, "{plot}");
    }
    // A light for each stimulus of a ramp: the greys of the plan, but for black, which has none on an axis of decades below the meter's range.
    let drawn = |title: &str, role: &str| {
        let plot = plots.iter().find(|plot| plot["title"].as_str().unwrap().contains(title)).unwrap();
        plot["roles"][role].as_u64().unwrap()
    };
    assert!((20..=21).contains(&drawn("SDR, grey: from signal to light", "measured")));
    assert_eq!((drawn("evenness", "spot"), drawn("the colours themselves", "swatch")), (9, 258));
}

#[test]
fn whatever_a_record_holds_and_whatever_it_lacks_the_page_is_text_and_asks_for_nothing() {
    let place = Place::new("hostile");
    let hostile = "</title></style><script>alert(1)</script> <img src=x onerror=alert(1)> \"quoted\" & 'so' \u{202e}\u{0}\u{1b}[31m] { } \\";
    let mut record = faulty();
    record.header.display = hostile.to_owned();
    record.header.meter = hostile.to_owned();
    record.header.serial = Some(hostile.to_owned());
    record.header.plan.title = hostile.to_owned();
    let at = record.header.began;
    record.entries.push(Entry::Note { at, words: hostile.to_owned() });
    for entry in &mut record.entries {
        if let Entry::Patch(patch) = entry {
            patch.patch.name = format!("{hostile}{}", patch.patch.name);
        }
    }
    let page = place.report(&place.write("hostile.jsonl", &record));
    assert!(page["title"].as_str().unwrap().contains("<script>alert(1)</script>"), "{}", page["title"]);
    assert!(page["policy"][0].as_str().unwrap().starts_with("default-src 'none'"));

    // Nothing but the header; then half of everything; then nothing that has a value.
    let mut empty = record.clone();
    empty.entries.clear();
    let page = place.report(&place.write("empty.jsonl", &empty));
    assert!(page["text"].as_str().unwrap().contains("Not measured."), "{}", page["text"]);
    assert_eq!((page["plots"].as_array().unwrap().len(), page["marks"].as_array().unwrap().len()), (0, 0));
    for parity in [0, 1] {
        let mut half = record.clone();
        let mut index = 0;
        half.entries.retain(|_| {
            index += 1;
            index % 2 == parity
        });
        let page = place.report(&place.write("half.jsonl", &half));
        assert!(!page["plots"].as_array().unwrap().is_empty());
    }
    for entry in &mut record.entries {
        match entry {
            Entry::Patch(patch) => patch.value = None,
            Entry::Course(course) => course.points.truncate(2),
            _ => {}
        }
    }
    let page = place.report(&place.write("without.jsonl", &record));
    assert!(page["text"].as_str().unwrap().contains("Too little was measured"), "{}", page["text"]);
}

#[test]
fn hdr_reviews_have_a_page_too() {
    let place = Place::new("hdr");
    for (name, plan, eotf) in [("pq", plans::PQ, "pq"), ("hlg", plans::HLG, "hlg")] {
        let plan = Plan::read(Path::new("hdr.toml"), plan).unwrap_or_else(|problems| panic!("{problems}"));
        let display = format!(
            "display = \"self-emitting\"\neotf = \"{eotf}\"\nprimaries = \"bt2020\"\npeak_cd_m2 = 1000.0\nblack_cd_m2 = 0.005\ncrosstalk = 0.03\n"
        );
        let record = observer::review(&display, &plan, Noise::USUAL, 3);
        let file = place.write(&format!("{name}.jsonl"), &record);
        let into = place.path(&format!("{name}.html"));
        succeed(&["report", &file, "--into", &into]);
        let page = read(&["html", &into]);
        assert!(page["text"].as_str().unwrap().contains("ΔE ITP"), "{name}");
        assert!(page["plots"].as_array().unwrap().len() >= 6, "{name}");
    }
}
