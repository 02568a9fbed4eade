//! A client's own words: echoed, never interpreted.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The most characters a client's own text may have.
pub const LONGEST_TEXT: usize = 200;

/// A label, purpose or client name: up to 200 characters without control characters.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "String")]
#[schemars(extend("maxLength" = LONGEST_TEXT))]
pub struct Text(String);

impl Text {
    /// The words.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl TryFrom<String> for Text {
    type Error = BadText;

    fn try_from(text: String) -> Result<Self, BadText> {
        let fits = text.chars().count() <= LONGEST_TEXT && !text.chars().any(char::is_control);
        if fits { Ok(Self(text)) } else { Err(BadText) }
    }
}

/// Text that is too long, or has control characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BadText;

impl std::fmt::Display for BadText {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "expected at most {LONGEST_TEXT} characters without control characters")
    }
}

impl std::error::Error for BadText {}
