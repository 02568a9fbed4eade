//! What can be wrong with a line of input, in words for whoever wrote it.

use std::fmt;

use settled_protocol::quantity::Photometric;

/// Names of the time.
pub(super) const TIME: &str = "t_s";

/// Names of the light, and what each is the amount of, if the name tells; the first that is there counts.
pub(super) const LIGHT: [(&str, Option<Photometric>); 3] = [
    ("Y", None),
    ("luminance_cd_m2", Some(Photometric::Luminance)),
    ("illuminance_lx", Some(Photometric::Illuminance)),
];

/// Longest piece of the input that is repeated in a message, in characters.
const LONGEST_QUOTE: usize = 40;

/// A line that can't be used, and why.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Mistake {
    /// Longer than a line may be, in bytes.
    TooLong(usize),
    /// Not UTF-8.
    NotText,
    /// Not JSON: what is wrong, and in which column.
    Json { words: String, column: usize },
    /// JSON, but no object.
    NotObject { what: String },
    /// Of another type than the member or column has.
    Not { expected: &'static str, name: &'static str, found: String },
    /// Criteria that nobody can ask for.
    Criteria(String),
    /// A reading without its time or its light, and what there was instead.
    Missing { missing: Missing, found: Vec<String> },
    /// A row of more or fewer fields than the header.
    Fields { found: usize, expected: usize },
    /// A quote that doesn't end on its line.
    OpenQuote,
    /// An exchange text that isn't one, in words.
    Exchange(String),
    /// A time that doesn't rise.
    Backwards { id: String, t_s: f64, last_t_s: f64 },
}

/// What a reading can't do without.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Missing {
    pub(super) time: bool,
    pub(super) light: bool,
}

impl Mistake {
    /// Whether a number is written with a decimal comma: who does that once does it throughout.
    pub(super) fn is_decimal_comma(&self) -> bool {
        matches!(self, Self::Not { found, .. } if is_decimal_comma(found))
    }
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let light = LIGHT.map(|(name, _)| name).join(" or ");
        match self {
            Self { time: true, light: false } => write!(f, "{TIME}"),
            Self { time: false, .. } => write!(f, "{light}"),
            Self { time: true, light: true } => write!(f, "{TIME}, and {light}"),
        }
    }
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLong(longest) => write!(f, "the line is longer than {longest} bytes"),
            Self::NotText => f.write_str("this is not text in UTF-8"),
            Self::Json { words, column } => write!(f, "no object to read: {words}, at column {column}"),
            Self::NotObject { what } => {
                write!(f, "{what} must be a JSON object, such as {{\"t_s\": 1.5, …}}")
            }
            Self::Not { expected, name, found } => {
                write!(f, "{expected} is expected for {name}, not {found}")?;
                if is_decimal_comma(found) { f.write_str("; write a decimal point") } else { Ok(()) }
            }
            Self::Criteria(words) => write!(f, "criteria: {words}"),
            Self::Missing { missing, found } => {
                let found = if found.is_empty() { "nothing".to_owned() } else { found.join(", ") };
                write!(f, "a reading needs {missing}; here there is {found}")
            }
            Self::Fields { found, expected } => {
                write!(f, "the header has {expected} fields, this row {found}")
            }
            Self::OpenQuote => f.write_str("a quote is opened but not closed on the line"),
            Self::Exchange(words) => f.write_str(words),
            Self::Backwards { id, t_s, last_t_s } => {
                write!(f, "series {id:?}: times must rise, but {t_s} s follows {last_t_s} s")
            }
        }
    }
}

/// Whether it would be a number with a point for its comma.
fn is_decimal_comma(found: &str) -> bool {
    let text = found.trim_start_matches("the text ").trim_matches('"');
    text.matches(',').count() == 1 && super::decimal::whole(text.replace(',', ".").as_bytes()).is_some()
}

/// A text as a message repeats it: quoted, and not at length.
pub(super) fn quote(text: &str) -> String {
    let short: String = text.chars().take(LONGEST_QUOTE).collect();
    let dots = if short.len() < text.len() { "…" } else { "" };
    format!("the text {:?}", short + dots)
}
