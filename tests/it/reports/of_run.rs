//! A run's page held against its JSON.

use serde_json::{Value, json};
use settle::show;

use super::agreement::{Place, Row, Scale, Tables};

/// The quantities of a run: the member, and how a row begins.
const QUANTITIES: [(&str, &str); 4] = [
    ("value", "luminance, cd/m²"),
    ("u_prime", "u′"),
    ("v_prime", "v′"),
    ("temperature_c", "meter's temperature, °C"),
];
/// A spread below this share of the mean is what sums leave behind where nothing moves.
const STILL: f64 = 1e-7;

/// Every cell of every table but that of events is what the JSON has there.
pub(crate) fn agrees(page: &Value, json: &Value) {
    let statistics = &json["run"]["statistics"];
    light(page, statistics);
    if statistics["value"].get("drift").is_some() {
        drift(page, statistics);
    }
    if !page["plots"].as_array().unwrap().iter().any(|plot| plot["section"] == "Steadiness") {
        assert!(
            json["against"].is_null() && statistics["value"]["allan"].as_array().is_none_or(Vec::is_empty)
        );
        return;
    }
    steadiness(page, &statistics["value"]["allan"]);
    if let Some(against) = json.get("against") {
        beside(page, against);
    }
}

fn place(pointer: String, table: &str, row: Row, column: &str) -> Place {
    Place { pointer, table: table.to_owned(), row, column: column.to_owned(), scale: Scale::One }
}

fn number(series: &Value, name: &str) -> Option<f64> {
    series.get(name).and_then(Value::as_f64)
}

fn around(value: f64, half: f64) -> Value {
    json!({"value": value, "low": value - half, "high": value + half})
}

fn moves(series: &Value) -> bool {
    number(series, "sd").is_some_and(|sd| sd >= STILL * number(series, "mean").unwrap().abs())
}

fn light(page: &Value, statistics: &Value) {
    let mut tables = Tables::of(page, "Light");
    for (name, begins) in QUANTITIES {
        let Some(series) = statistics.get(name) else { continue };
        let mut told = series.clone();
        let mean = number(series, "mean").unwrap();
        if let Some(half) = number(series, "uncertainty").filter(|half| *half >= STILL * mean.abs()) {
            told["mean"] = around(mean, half);
        }
        if !moves(series) && series.get("sd").is_some() {
            told["sd"] = json!(0.0);
        }
        for (member, column) in [
            ("/count", "readings"),
            ("/mean", "mean ± standard uncertainty"),
            ("/sd", "standard deviation"),
            ("/min", "smallest"),
            ("/max", "largest"),
        ] {
            tables.check(
                &told,
                &place(member.to_owned(), "All readings", Row::Named(begins.to_owned()), column),
            );
        }
    }
    tables.has_nothing_else(&[]);
}

fn drift(page: &Value, statistics: &Value) {
    let mut tables = Tables::of(page, "Drift");
    for (name, begins) in QUANTITIES {
        let Some(series) = statistics.get(name).filter(|series| moves(series)) else { continue };
        let Some(drift) = series.get("drift") else { continue };
        let [value, low, high] = ["per_h", "low_per_h", "high_per_h"].map(|end| number(drift, end).unwrap());
        let mean = number(series, "mean").unwrap();
        let mut told =
            json!({"drift": {"value": value, "low": low, "high": high}, "caution": drift.get("caution")});
        if name == "value" {
            let [value, low, high] = [value, low, high].map(|end| 100.0 * end / mean);
            told["percent"] = json!({"value": value, "low": low, "high": high});
        }
        for (member, column) in [("/drift", "drift"), ("/percent", "% of the mean"), ("/caution", "caution")]
        {
            let row = Row::Named(begins.to_owned());
            tables.check(&told, &place(member.to_owned(), "An hour, with 95 %", row, column));
        }
    }
    tables.has_nothing_else(&[]);
}

fn steadiness(page: &Value, deviations: &Value) {
    let mut tables = Tables::of(page, "Steadiness");
    for (index, deviation) in deviations.as_array().unwrap().iter().enumerate() {
        let begins = show::span(number(deviation, "tau_s").unwrap());
        let told = json!({
            "deviation": deviation["deviation"], "count": deviation["count"],
            "ends": {"value": deviation["deviation"], "low": deviation["low"], "high": deviation["high"]},
        });
        for (member, column) in
            [("/deviation", "deviation, cd/m²"), ("/ends", "with 95 %"), ("/count", "differences")]
        {
            let row = Row::At(index, begins.clone());
            tables.check(&told, &place(member.to_owned(), "Allan deviation", row, column));
        }
    }
    tables.has_nothing_else(&[]);
}

fn beside(page: &Value, against: &Value) {
    let mut tables = Tables::of(page, &format!("Beside run {}", against["run"]));
    for (member, begins) in [
        ("mean", "mean, cd/m²"),
        ("u_prime", "u′"),
        ("v_prime", "v′"),
        ("drift_per_h", "drift an hour, cd/m²"),
    ] {
        let pointer = format!("/comparison/{member}");
        let column = "this run less that one, with 95 %";
        tables.check(against, &place(pointer, "Differences", Row::Named(begins.to_owned()), column));
        let Some(differs) = against["comparison"][member].get("differs") else { continue };
        let words = if *differs == true { "differs" } else { "can't be told apart" };
        let told = json!({"words": words});
        tables.check(&told, &place("/words".to_owned(), "Differences", Row::Named(begins.to_owned()), ""));
    }
    tables.has_nothing_else(&[]);
}
