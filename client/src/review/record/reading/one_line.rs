//! Text in a record made safe to show: records come from elsewhere too, and what they hold goes to terminals.

use serde_json::Value;

/// A line in which each control character of any text (Unicode category Cc: escapes, ends of lines, NUL) is the replacement character instead;
/// nothing where it has none, or is no JSON.
pub(super) fn tamed(line: &[u8]) -> Option<Value> {
    // They are escaped, or DEL, or two bytes of which the first is 0xC2: most lines have none of these and need no second look.
    if !line.iter().any(|byte| [b'\\', 0x7f, 0xc2].contains(byte)) {
        return None;
    }
    let mut value = serde_json::from_slice(line).ok()?;
    tame(&mut value).then_some(value)
}

/// Whether there was something to be replaced.
fn tame(value: &mut Value) -> bool {
    match value {
        Value::String(text) if text.contains(char::is_control) => {
            *text = text.replace(char::is_control, "\u{fffd}");
            true
        }
        Value::Array(items) => all(items.iter_mut()),
        Value::Object(members) => all(members.values_mut()),
        Value::String(_) | Value::Null | Value::Bool(_) | Value::Number(_) => false,
    }
}

/// Each of them, also once something was found.
fn all<'a>(values: impl Iterator<Item = &'a mut Value>) -> bool {
    values.map(tame).filter(|found| *found).count() > 0
}
