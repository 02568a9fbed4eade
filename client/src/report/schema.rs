//! The forms of the figures in JSON, as JSON Schemas (2020-12) made from the types. `client/report.schema.json` and its like are these, checked in.

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;
use serde_json::Value;

use crate::report::night::Figures;
use crate::review::compare::Comparison;
use crate::review::evaluation::Evaluation;

/// The schema of what `settle report --figures` writes of a review.
#[must_use]
pub fn schema() -> Value {
    of::<Evaluation>()
}

/// The schema of what it writes of a run.
#[must_use]
pub fn of_run() -> Value {
    of::<Figures>()
}

/// The schema of what it writes of two reviews side by side.
#[must_use]
pub fn of_comparison() -> Value {
    of::<Comparison>()
}

fn of<T: JsonSchema>() -> Value {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    settings.into_generator().into_root_schema_for::<T>().to_value()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_schemas_that_ship_are_those_of_the_types() {
        let shipped = [
            ("", schema(), include_str!("../../report.schema.json")),
            ("run", of_run(), include_str!("../../report-run.schema.json")),
            ("comparison", of_comparison(), include_str!("../../report-comparison.schema.json")),
        ];
        for (of, made, shipped) in shipped {
            let shipped: Value = serde_json::from_str(shipped).unwrap();
            assert_eq!(made, shipped, "cargo run -p settle --example report_schema {of}");
        }
    }
}
