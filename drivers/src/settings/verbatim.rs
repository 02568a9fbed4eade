//! What is handed on as it stands: words of a command, tables for somebody else.

use serde_json::{Map, Number, Value};
use toml::de::{DeTable, DeValue};

use super::{Table, integer, number};

impl Table<'_> {
    /// The string under a key that is read, and complained about, elsewhere.
    pub fn told(&mut self, key: &str) -> Option<String> {
        match self.get(key)?.get_ref() {
            DeValue::String(text) => Some(text.to_string()),
            _ => None,
        }
    }

    /// The words of a command, the program first: an array of strings, at least one, none with a NUL, the first not empty.
    pub fn words(&mut self, key: &str) -> Option<Vec<String>> {
        let value = self.get(key)?;
        let words = match value.get_ref() {
            DeValue::Array(items) => items
                .iter()
                .map(|item| match item.get_ref() {
                    DeValue::String(text) if !text.contains('\0') => Some(text.to_string()),
                    _ => None,
                })
                .collect::<Option<Vec<String>>>()
                .filter(|words| words.first().is_some_and(|word| !word.is_empty())),
            _ => None,
        };
        if words.is_none() {
            self.wrong(key, value, "a program and its arguments, as a list of strings");
        }
        words
    }

    /// A table of whatever keys, as JSON: dates and times become strings. Nothing in it is unknown.
    pub fn json(&mut self, key: &str) -> Option<Map<String, Value>> {
        let value = self.get(key)?;
        let object = match value.get_ref() {
            DeValue::Table(table) => object(table),
            _ => None,
        };
        if object.is_none() {
            self.wrong(key, value, "a table of what JSON has, finite numbers among it");
        }
        object
    }
}

fn object(table: &DeTable<'_>) -> Option<Map<String, Value>> {
    table.iter().map(|(key, value)| Some((key.get_ref().to_string(), json(value.get_ref())?))).collect()
}

fn json(value: &DeValue<'_>) -> Option<Value> {
    Some(match value {
        DeValue::String(text) => Value::String(text.to_string()),
        DeValue::Integer(_) => Value::Number(integer(value)?.into()),
        DeValue::Float(_) => Value::Number(Number::from_f64(number(value)?)?),
        DeValue::Boolean(flag) => Value::Bool(*flag),
        DeValue::Datetime(at) => Value::String(at.to_string()),
        DeValue::Array(items) => {
            Value::Array(items.iter().map(|item| json(item.get_ref())).collect::<Option<_>>()?)
        }
        DeValue::Table(table) => Value::Object(object(table)?),
    })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use crate::settings::read;

    #[test]
    fn a_table_is_handed_on_as_it_stands() {
        let text = "[settings]\nport = \"/dev/x\"\nbaud = 9_600\ngain = 0.5\non = true\nsince = 2026-01-02\n\
                    list = [1, [2.5, \"a\"]]\ndeep.er = 0x10\n";
        let object = read("t.toml", text, |table| table.json("settings")).unwrap();
        let expected = json!({"port": "/dev/x", "baud": 9600, "gain": 0.5, "on": true, "since": "2026-01-02",
            "list": [1, [2.5, "a"]], "deep": {"er": 16}});
        assert_eq!(serde_json::Value::Object(object), expected);
    }

    #[test]
    fn what_json_has_not_is_a_mistake() {
        for text in ["settings = 1\n", "[settings]\na = [nan]\n", "settings.a = inf\n"] {
            let problems = read("t.toml", text, |table| table.json("settings")).unwrap_err();
            assert!(
                problems.to_string().contains("settings: expected a table of what JSON has"),
                "{problems}"
            );
        }
    }

    #[test]
    fn a_command_is_words_and_no_line_for_a_shell() {
        let words = read("t.toml", "c = [\"./a b\", \"\"]\n", |table| table.words("c")).unwrap();
        assert_eq!(words, ["./a b", ""]);
        for text in
            ["c = \"./meter --port 1\"\n", "c = []\n", "c = [\"\"]\n", "c = [1]\n", "c = [\"a\\u0000\"]\n"]
        {
            let problems = read("t.toml", text, |table| table.words("c")).unwrap_err();
            assert!(problems.to_string().contains("as a list of strings"), "{problems}");
        }
    }
}
