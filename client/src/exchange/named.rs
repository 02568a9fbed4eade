//! A reading out of named texts, as the rows of tables have them: an empty one is not known.

use serde_json::{Map, Number, Value, json};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::Chromaticity;
use settled_protocol::reading::Reading;
use settled_protocol::spectrum::Spectrum;

/// The reading that `fields`, by the names of the columns of our CSV, and `spectrum` are; an error says in words what is wrong.
pub(super) fn reading<'a>(
    fields: impl Iterator<Item = (&'a str, &'a str)>,
    spectrum: Option<Spectrum>,
) -> Result<Reading, String> {
    let mut object = Map::new();
    let (mut x, mut y, mut z, mut unit, mut colour) = (None, None, None, "", (None, None));
    for (name, text) in fields.filter(|(_, text)| !text.is_empty()) {
        match name {
            "meter" | "at" | "boot" | "correction" => drop(object.insert(name.to_owned(), text.into())),
            "sequence" => drop(object.insert(name.to_owned(), whole(name, text)?.into())),
            "t_s" | "began_s" | "integration_s" | "temperature_c" | "bandwidth_nm" => {
                object.insert(name.to_owned(), Value::Number(number(name, text)?));
            }
            "X" => x = Some(number(name, text)?),
            "Y" => y = Some(number(name, text)?),
            "Z" => z = Some(number(name, text)?),
            "unit" => unit = text,
            "chromaticity_x" => colour.0 = number(name, text)?.as_f64(),
            "chromaticity_y" => colour.1 = number(name, text)?.as_f64(),
            "flags" => drop(object.insert(name.to_owned(), text.split(' ').collect())),
            "runs" => {
                let runs: Result<Vec<u64>, String> = text.split(' ').map(|run| whole(name, run)).collect();
                object.insert(name.to_owned(), runs?.into());
            }
            "observer" if text != Observer::default().name() => {
                object.insert(name.to_owned(), text.into());
            }
            _ => {}
        }
    }
    let Some(y) = y else { return Err("there is no Y".to_owned()) };
    let amount = match unit {
        "cd/m2" => "luminance_cd_m2",
        "lx" => "illuminance_lx",
        other => return Err(format!("the unit must be cd/m2 or lx, not {other:?}")),
    };
    if let Some((x, z)) = x.zip(z) {
        object.insert("xyz".to_owned(), json!([x, y, z]));
    }
    object.insert(amount.to_owned(), Value::Number(y));
    if let (Some(x), Some(y)) = colour {
        let colour = Chromaticity::from_xy(x, y).map_err(|error| format!("chromaticity: {error}"))?;
        object.insert("chromaticity".to_owned(), json!(colour));
    }
    object.entry("flags").or_insert_with(|| json!([]));
    let mut reading: Reading =
        serde_json::from_value(Value::Object(object)).map_err(|error| error.to_string())?;
    reading.spectrum = spectrum;
    Ok(reading)
}

/// A finite number.
pub(super) fn number(name: &str, text: &str) -> Result<Number, String> {
    let value = text.parse().ok().and_then(Number::from_f64);
    value.ok_or_else(|| format!("{name} must be a number, not {text:?}"))
}

fn whole(name: &str, text: &str) -> Result<u64, String> {
    text.parse().map_err(|_| format!("{name} must be a whole number, not {text:?}"))
}
