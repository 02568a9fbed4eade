//! Writes the schema of a report's figures to standard output: without an argument that of a review, `client/report.schema.json`; with `run`
//! or `comparison` those of `client/report-run.schema.json` and `client/report-comparison.schema.json`.

#![expect(clippy::print_stdout, reason = "it is what this program is for")]

use settle::report::schema;

fn main() {
    let made = match std::env::args().nth(1).as_deref() {
        Some("run") => schema::of_run(),
        Some("comparison") => schema::of_comparison(),
        _ => schema::schema(),
    };
    println!("{made:#}");
}
