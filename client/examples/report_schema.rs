//! Writes the schema of a report's figures to standard output: `client/report.schema.json`.

#![expect(clippy::print_stdout, reason = "it is what this program is for")]

fn main() {
    println!("{:#}", settle::report::schema::schema());
}
