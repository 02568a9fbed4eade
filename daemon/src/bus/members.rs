//! Between JSON's objects and D-Bus's dictionaries: members have the same names and units on the bus as on the socket.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Map, Number, Value};
use settled_protocol::error::{ErrorKind, RpcError};
use zbus::{OwnedVariant, Variant};

/// A dictionary of named values, `a{sv}`, in the order of the alphabet.
pub(super) type Members = BTreeMap<String, OwnedVariant>;

/// A value's members. What isn't known is absent.
///
/// # Errors
/// `internal`, never in practice: nothing of ours is more than numbers, words, lists of one of them, and objects of these.
pub(super) fn of(value: &impl Serialize) -> Result<Members, RpcError> {
    let failed = |error: &dyn std::fmt::Display| {
        RpcError::new(ErrorKind::Internal, format!("writing the answer for D-Bus: {error}"))
    };
    let Value::Object(object) = serde_json::to_value(value).map_err(|error| failed(&error))? else {
        return Err(failed(&"it has no members"));
    };
    members(object).map_err(|error| failed(&error))
}

/// How a word is written on the wire; empty for what isn't one.
pub(super) fn word(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(Value::String(word)) => word,
        _ => String::new(),
    }
}

fn members(object: Map<String, Value>) -> zbus::Result<Members> {
    let known = object.into_iter().filter(|(_, value)| !value.is_null());
    known.map(|(name, value)| Ok((name, OwnedVariant::try_from(variant(value)?)?))).collect()
}

fn variant(value: Value) -> zbus::Result<Variant<'static>> {
    Ok(match value {
        Value::Null => Variant::from(""),
        Value::Bool(flag) => flag.into(),
        Value::Number(number) => numeral(&number),
        Value::String(text) => text.into(),
        Value::Object(object) => members(object)?.into(),
        Value::Array(values) => match values.iter().map(Value::as_f64).collect::<Option<Vec<f64>>>() {
            Some(numbers) if !numbers.is_empty() => numbers.into(),
            // Lists that may be empty are lists of words.
            _ => values.iter().map(word).collect::<Vec<String>>().into(),
        },
    })
}

fn numeral(number: &Number) -> Variant<'static> {
    match (number.as_u64(), number.as_i64()) {
        (Some(count), _) => count.into(),
        (None, Some(count)) => count.into(),
        (None, None) => number.as_f64().unwrap_or(f64::NAN).into(),
    }
}

/// What a caller asks for, as JSON's object, if every member is one of those `known`.
///
/// # Errors
/// `invalid_params`, with the first member, in the order of the alphabet, that isn't known or is neither a number, a text nor a flag.
pub(super) fn asked(options: &Members, known: &[&str]) -> Result<Map<String, Value>, RpcError> {
    let refuse = |message| RpcError::new(ErrorKind::InvalidParams, message);
    let mut object = Map::new();
    for (name, value) in options {
        if !known.contains(&name.as_str()) {
            return Err(refuse(format!("params.{name} is not known here; there are {}", known.join(", "))));
        }
        let wrong = || {
            let signature = value.value_signature();
            refuse(format!("params.{name} must be a finite number, a text or a flag, not {signature}"))
        };
        object.insert(name.clone(), json(value).ok_or_else(wrong)?);
    }
    Ok(object)
}

fn json(value: &Variant<'_>) -> Option<Value> {
    Some(match value {
        Variant::Bool(flag) => (*flag).into(),
        Variant::U8(number) => (*number).into(),
        Variant::I16(number) => (*number).into(),
        Variant::U16(number) => (*number).into(),
        Variant::I32(number) => (*number).into(),
        Variant::U32(number) => (*number).into(),
        Variant::I64(number) => (*number).into(),
        Variant::U64(number) => (*number).into(),
        Variant::F64(number) => Value::Number(Number::from_f64(*number)?),
        Variant::Str(text) => text.as_str().into(),
        Variant::Variant(inner) => json(inner)?,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn options(members: &[(&str, Variant<'static>)]) -> Members {
        let owned = |value: &Variant<'static>| value.try_to_owned().unwrap();
        members.iter().map(|(name, value)| ((*name).to_owned(), owned(value))).collect()
    }

    #[test]
    fn members_keep_their_names_and_numbers_to_the_last_bit() {
        let members = of(&json!({
            "sequence": 7, "y": 0.1 + 0.2, "whole": 5.0, "xyz": [1, 2.5, 3], "flags": [], "rule": "trend",
            "failing": ["too_few"], "value": {"y": 1.5}, "gone": null, "covered": true,
        }))
        .unwrap();
        let signature = |name: &str| members[name].value_signature().to_string();
        let signatures = ["sequence", "y", "whole", "xyz", "flags", "rule", "failing", "value", "covered"];
        assert_eq!(signatures.map(signature), ["t", "d", "d", "ad", "as", "s", "as", "a{sv}", "b"]);
        assert_eq!(*members["y"], Variant::F64(0.1 + 0.2));
        assert!(!members.contains_key("gone"), "what isn't known is absent");
    }

    #[test]
    fn what_is_not_known_or_is_no_plain_value_is_refused_by_its_name() {
        let known = ["hold_s", "preset"];
        let good = options(&[("hold_s", 5_u32.into()), ("preset", "trend".into())]);
        assert_eq!(Value::Object(asked(&good, &known).unwrap()), json!({"hold_s": 5, "preset": "trend"}));
        let wrapped = options(&[("hold_s", Variant::Variant(Box::new(2.5.into())))]);
        assert_eq!(asked(&wrapped, &known).unwrap()["hold_s"], json!(2.5));
        for (name, value, found) in [
            ("hold", 5.0.into(), "params.hold is not known here; there are hold_s, preset"),
            ("hold_s", f64::NAN.into(), "params.hold_s must be a finite number, a text or a flag, not d"),
            ("hold_s", vec![5.0].into(), "params.hold_s must be a finite number, a text or a flag, not ad"),
        ] {
            let error = asked(&options(&[(name, value)]), &known).unwrap_err();
            assert_eq!((error.kind(), error.message.as_str()), (ErrorKind::InvalidParams, found));
        }
    }
}
