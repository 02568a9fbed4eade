//! The OpenRPC document, generated from the types. `protocol/openrpc.json` is this, checked in.

use schemars::JsonSchema;
use schemars::generate::{SchemaGenerator, SchemaSettings};
use serde_json::{Map, Value, json};

use crate::error::ErrorKind;
use crate::method::{self, Method, Visitor};
use crate::notification::{MeterChanged, Missed, Notification, ReadingTaken, RunChanged, SettleProgress};

pub mod reference;

/// The document: every method with its params, result and errors, and every notification (as `x-notifications`).
#[must_use]
pub fn document() -> Value {
    let settings = SchemaSettings::draft07().with(|settings| {
        settings.definitions_path = "/components/schemas".into();
        settings.meta_schema = None;
    });
    let mut methods = Methods { generator: settings.into_generator(), list: Vec::new() };
    method::visit(&mut methods);
    let Methods { mut generator, list } = methods;
    let notifications = [
        notification::<ReadingTaken>(&mut generator),
        notification::<MeterChanged>(&mut generator),
        notification::<SettleProgress>(&mut generator),
        notification::<RunChanged>(&mut generator),
        notification::<Missed>(&mut generator),
    ];
    let errors: Map<String, Value> = ErrorKind::ALL
        .iter()
        .map(|kind| {
            let name = serde_json::to_value(kind).unwrap_or_default();
            (name.as_str().unwrap_or_default().to_owned(), json!({ "code": kind.code(), "message": name }))
        })
        .collect();
    json!({
        "openrpc": "1.3.2",
        "info": { "title": "settled", "version": method::PROTOCOL_VERSION.to_string(), "license": { "name": "MIT" } },
        "methods": list,
        "x-notifications": notifications,
        "components": { "schemas": generator.take_definitions(true), "errors": errors },
    })
}

struct Methods {
    generator: SchemaGenerator,
    list: Vec<Value>,
}

impl Visitor for Methods {
    fn method<M: Method>(&mut self) {
        self.list.push(json!({
            "name": M::NAME,
            "summary": M::SUMMARY,
            "paramStructure": "by-name",
            "params": params_of::<M::Params>(&mut self.generator),
            "result": { "name": "result", "schema": self.generator.subschema_for::<M::Output>() },
        }));
    }
}

/// OpenRPC lists params one by one: the members of the params' object.
fn params_of<P: JsonSchema>(generator: &mut SchemaGenerator) -> Vec<Value> {
    let schema = generator.root_schema_for::<P>().to_value();
    let required: Vec<&str> =
        schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    let members = schema["properties"].as_object().cloned().unwrap_or_default();
    members
        .into_iter()
        .map(|(name, schema)| json!({ "name": name, "required": required.contains(&name.as_str()), "schema": schema }))
        .collect()
}

fn notification<N: Notification>(generator: &mut SchemaGenerator) -> Value {
    json!({ "name": N::NAME, "params": generator.subschema_for::<N>() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checked_in_document_is_the_generated_one() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/openrpc.json");
        let written: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        assert!(
            written == document(),
            "protocol/openrpc.json is stale: cargo run -p settled-protocol --example openrpc > protocol/openrpc.json"
        );
    }

    #[test]
    fn every_reference_leads_to_a_schema() {
        let document = document();
        let text = document.to_string();
        let schemas = document["components"]["schemas"].as_object().unwrap();
        let references: Vec<&str> = text
            .split("\"#/components/schemas/")
            .skip(1)
            .map(|rest| rest.split('"').next().unwrap())
            .collect();
        assert!(references.len() > 20);
        for name in references {
            assert!(schemas.contains_key(name), "{name} is not defined");
        }
    }
}
