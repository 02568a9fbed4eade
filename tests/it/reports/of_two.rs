//! The page of two reviews beside each other held against its JSON.

use std::collections::HashMap;

use serde_json::{Value, json};
use settle::review::compare::{Comparison, words};
use settle::review::record::Record;

use super::agreement::{Place, Row, Scale, Tables, Units, figures};
use super::{FAULTY, Place as Folder, every_kind, faulty, read, settle, succeed};
use crate::review_loop::observer::{self, Noise};

/// One display as it was, and with less wrong: dimmer, and its near black mended.
fn two() -> [Record; 2] {
    let mended = FAULTY
        .replace("peak_cd_m2 = 180.0", "peak_cd_m2 = 150.0")
        .replace("near_black_gamma = 0.2", "near_black_gamma = 0.0");
    let mut other = observer::review(&mended, &every_kind(), Noise::USUAL, 6);
    let one = faulty();
    other.header.display.clone_from(&one.header.display);
    [one, other]
}

/// Each cell of a section's table is a figure of the row that it belongs to.
fn cells_agree(page: &Value, json: &Value, comparison: &Comparison) {
    let mut sections: Vec<String> = Vec::new();
    for (index, row) in comparison.rows.iter().enumerate() {
        let section = format!("{}, {}", row.set, row.sequence.replace('_', " "));
        if !sections.contains(&section) {
            sections.push(section.clone());
        }
        let before = comparison.rows[..index].iter();
        let place = before.filter(|other| (&other.set, &other.sequence) == (&row.set, &row.sequence)).count();
        let unit = words::unit(row).map(|unit| format!(", {unit}")).unwrap_or_default();
        let begins = format!("{}{unit}", words::subject(row));
        let mut tables = Tables::of(page, &section);
        let told = json!({"row": json["rows"][index], "change": words::change(row.change)});
        for (pointer, column) in [
            ("/row/a", "A"),
            ("/row/b", "B"),
            ("/row/difference", "B − A"),
            ("/row/relative_percent", "of A, %"),
            ("/change", ""),
        ] {
            let place = Place {
                pointer: pointer.to_owned(),
                table: "Figures of both, each with its own interval of 95 %".to_owned(),
                row: Row::At(place, begins.clone()),
                column: column.to_owned(),
                scale: Scale::One,
            };
            tables.check(&told, &place);
        }
    }
    let of_tables = page["tables"].as_array().unwrap().iter();
    let rows: usize = of_tables.map(|table| table["rows"].as_array().unwrap().len() - 1).sum();
    assert_eq!((rows, comparison.rows.len() > 20, sections.len() > 8), (comparison.rows.len(), true, true));
}

/// What is better, worse or different stands in the summary with both figures and their difference.
fn sentences_agree(page: &Value, json: &Value, comparison: &Comparison, units: &Units) {
    let statements = page["statements"].as_array().unwrap();
    let mut told = 0;
    for (row, figures) in comparison.rows.iter().zip(json["rows"].as_array().unwrap()) {
        let is_told = figures["change"] != "alike" || figures["standing_a"] != figures["standing_b"];
        let place = format!("{}, {}", row.set, row.sequence.replace('_', " "));
        let begins = format!("{}: from ", words::subject(row));
        let found: Vec<&Value> = statements
            .iter()
            .filter(|said| {
                said["place"] == place.as_str() && said["words"].as_str().unwrap().starts_with(&begins)
            })
            .collect();
        assert_eq!(found.len(), usize::from(is_told), "{place}, {begins}");
        let Some(said) = found.first() else { continue };
        told += 1;
        assert!(said["verdict"].as_str().unwrap().ends_with(words::change(row.change)), "{said}");
        for name in ["a", "b", "difference"] {
            assert!(
                units.tells(said["words"].as_str().unwrap(), &figures[name]),
                "{name} of {figures}: {said}"
            );
        }
    }
    assert!(told > 3 && told == statements.len(), "{told} of {}", statements.len());
}

/// Those of each review by itself, and of the comparison.
fn units(folder: &Folder, records: [&str; 2], json: &Value) -> Units {
    let mut lines: Vec<HashMap<String, String>> = Vec::new();
    for record in records {
        let into = folder.path("one.csv");
        succeed(&["report", record, "--csv", &into, "--replace"]);
        lines.extend(csv::Reader::from_path(&into).unwrap().deserialize().map(Result::unwrap));
    }
    let mut units = Units::of(&lines);
    for row in json["rows"].as_array().unwrap() {
        let unit = Some(row["unit"].as_str().unwrap()).filter(|unit| !unit.is_empty()).unwrap_or("1");
        for name in ["a", "b", "difference"] {
            units = units.with(&row[name], unit);
        }
        if let Some(percent) = row.get("relative_percent") {
            units = units.with(percent, "%");
        }
    }
    units
}

#[test]
fn each_cell_and_sentence_of_two_reviews_beside_each_other_is_a_figure_of_the_json() {
    let folder = Folder::new("agreement-of-two");
    let records = two();
    let [a, b] =
        [("a.jsonl", &records[0]), ("b.jsonl", &records[1])].map(|(name, record)| folder.write(name, record));
    let [page, figures_file] = ["both.html", "both.json"].map(|name| folder.path(name));
    succeed(&["report", &b, "--against", &a, "--into", &page, "--figures", &figures_file]);
    let json: Value = serde_json::from_str(&std::fs::read_to_string(&figures_file).unwrap()).unwrap();
    let page = read(&["html", &page]);
    let comparison = Comparison::of(&records[0], &records[1]);
    cells_agree(&page, &json, &comparison);
    let units = units(&folder, [&a, &b], &json);
    sentences_agree(&page, &json, &comparison, &units);
    // Captions and text alternatives tell figures of the two reviews, and of their differences.
    let shown: [Value; 2] = [&a, &b]
        .map(|file| serde_json::from_slice(&settle(&["--json", "review", "show", file]).stdout).unwrap());
    let all = json!({"of": shown, "rows": json["rows"]});
    let known: Vec<&Value> = figures(&all).iter().map(|pointer| all.pointer(pointer).unwrap()).collect();
    for plot in page["plots"].as_array().unwrap() {
        units.tells_nothing_else(&format!("{} | {}", plot["description"], plot["caption"]), &known, &[]);
    }
}
