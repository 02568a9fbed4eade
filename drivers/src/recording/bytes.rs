//! Bytes as text that can be read: each character is one byte, U+0000 to U+00FF.

use std::fmt;

use serde::de::{Error, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Bytes that crossed a link.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Bytes(pub Vec<u8>);

impl Serialize for Bytes {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let text: String = self.0.iter().map(|byte| char::from(*byte)).collect();
        serializer.serialize_str(&text)
    }
}

impl<'de> Deserialize<'de> for Bytes {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_str(Text)
    }
}

struct Text;

impl Visitor<'_> for Text {
    type Value = Bytes;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text in which each character is a byte, U+0000 to U+00FF")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Bytes, E> {
        let bytes: Result<Vec<u8>, _> = text.chars().map(u8::try_from).collect();
        bytes.map(Bytes).map_err(|_| E::custom("a character beyond U+00FF is no byte"))
    }
}

/// JSON in ASCII alone: whatever else is in its strings is escaped.
#[must_use]
pub fn in_ascii(json: &str) -> String {
    let mut text = String::with_capacity(json.len());
    for c in json.chars() {
        // What is neither ASCII nor a control character of ASCII that JSON has escaped already.
        if c.is_ascii() && c != '\u{7f}' {
            text.push(c);
        } else {
            let mut units = [0; 2];
            for unit in c.encode_utf16(&mut units) {
                text.push_str(&format!("\\u{unit:04x}"));
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_byte_comes_back_and_text_stays_readable() {
        let every = Bytes((0..=255).collect());
        let written = in_ascii(&serde_json::to_string(&every).unwrap());
        assert!(written.is_ascii() && written.contains("ABC") && written.contains("\\r"), "{written}");
        assert_eq!(serde_json::from_str::<Bytes>(&written).unwrap(), every);
        assert_eq!(in_ascii("\"cd/m² 😀\""), "\"cd/m\\u00b2 \\ud83d\\ude00\"");
    }

    #[test]
    fn what_is_no_byte_is_refused() {
        assert!(serde_json::from_str::<Bytes>("\"\u{100}\"").is_err());
        assert!(serde_json::from_str::<Bytes>("[1, 2]").is_err());
    }
}
