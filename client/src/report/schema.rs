//! The form of the figures in JSON, as a JSON Schema (2020-12) made from the types. `client/report.schema.json` is this, checked in.

use schemars::generate::SchemaSettings;
use serde_json::Value;

use crate::review::evaluation::Evaluation;

/// The schema of what `settle report --figures` writes of a review.
#[must_use]
pub fn schema() -> Value {
    let settings = SchemaSettings::draft2020_12().for_serialize();
    settings.into_generator().into_root_schema_for::<Evaluation>().to_value()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_schema_that_ships_is_that_of_the_types() {
        let shipped: Value = serde_json::from_str(include_str!("../../report.schema.json")).unwrap();
        assert_eq!(
            schema(),
            shipped,
            "cargo run -p settle --example report_schema > client/report.schema.json"
        );
    }
}
