//! One recorded reading, or one word about its series, and the full decoder of JSON: it takes whatever is JSON, and says what is
//! wrong with the rest. Numbers are read by [`decimal`](super::decimal), whichever way a line takes.

use std::borrow::Cow;

use serde::Deserialize;
use serde_json::value::RawValue;
use settled_protocol::quantity::Photometric;
use settled_protocol::settling::Criteria;

use super::cautions::Cautions;
use super::decimal;
use super::mistake::{LIGHT, Missing, Mistake, quote};

/// A line of input.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Record<'a> {
    /// The series; one without a name is as good as any.
    pub(super) id: Cow<'a, str>,
    /// The clock that the times belong to, where it is told.
    pub(super) boot: Option<Cow<'a, str>>,
    /// The correction that the light went through, where it went through one.
    pub(super) correction: Option<Cow<'a, str>>,
    /// By whose eye the light is meant, where it is told.
    pub(super) observer: Option<Cow<'a, str>>,
    pub(super) t_s: Option<f64>,
    pub(super) y: Option<f64>,
    /// What `y` is the amount of, where it is told.
    pub(super) photometric: Option<Photometric>,
    /// u′ and v′, where known.
    pub(super) uv: Option<[f64; 2]>,
    pub(super) integration_s: Option<f64>,
    pub(super) criteria: Option<Criteria>,
    pub(super) resolution: Option<f64>,
    pub(super) cautions: Cautions,
    pub(super) end: bool,
}

impl Record<'_> {
    /// Time and luminance, if it is a reading.
    pub(super) fn point(&self) -> Option<(f64, f64)> {
        self.t_s.zip(self.y)
    }

    /// What it lacks, if it is neither a reading nor a word about the series.
    pub(super) fn missing(&self) -> Option<Missing> {
        let says_something = self.criteria.is_some() || self.end || self.resolution.is_some();
        if self.point().is_some() || says_something {
            return None;
        }
        Some(Missing { time: self.t_s.is_none(), light: self.y.is_none() })
    }

    /// The same, of its own.
    pub(super) fn into_owned(self) -> Record<'static> {
        Record {
            id: Cow::Owned(self.id.into_owned()),
            boot: self.boot.map(|boot| Cow::Owned(boot.into_owned())),
            correction: self.correction.map(|correction| Cow::Owned(correction.into_owned())),
            observer: self.observer.map(|observer| Cow::Owned(observer.into_owned())),
            t_s: self.t_s,
            y: self.y,
            photometric: self.photometric,
            uv: self.uv,
            integration_s: self.integration_s,
            criteria: self.criteria,
            resolution: self.resolution,
            cautions: self.cautions,
            end: self.end,
        }
    }
}

/// The members that mean something, as they were written.
#[derive(Deserialize)]
struct Members<'a> {
    #[serde(borrow)]
    id: Option<&'a RawValue>,
    #[serde(borrow)]
    meter: Option<&'a RawValue>,
    #[serde(borrow)]
    boot: Option<&'a RawValue>,
    #[serde(borrow)]
    correction: Option<&'a RawValue>,
    #[serde(borrow)]
    observer: Option<&'a RawValue>,
    #[serde(borrow)]
    t_s: Option<&'a RawValue>,
    #[serde(borrow, rename = "Y")]
    y: Option<&'a RawValue>,
    #[serde(borrow)]
    luminance_cd_m2: Option<&'a RawValue>,
    #[serde(borrow)]
    illuminance_lx: Option<&'a RawValue>,
    #[serde(borrow)]
    u_prime: Option<&'a RawValue>,
    #[serde(borrow)]
    v_prime: Option<&'a RawValue>,
    #[serde(borrow)]
    chromaticity: Option<&'a RawValue>,
    #[serde(borrow)]
    integration_s: Option<&'a RawValue>,
    #[serde(borrow)]
    criteria: Option<&'a RawValue>,
    #[serde(borrow)]
    resolution_cd_m2: Option<&'a RawValue>,
    #[serde(borrow)]
    flags: Option<&'a RawValue>,
    #[serde(borrow)]
    end: Option<&'a RawValue>,
}

/// A chromaticity as readings of the daemon carry it.
#[derive(Deserialize)]
struct Colour<'a> {
    #[serde(borrow)]
    u_prime: Option<&'a RawValue>,
    #[serde(borrow)]
    v_prime: Option<&'a RawValue>,
}

/// The record that a line of JSON is.
pub(super) fn json(line: &[u8]) -> Result<Record<'_>, Mistake> {
    let text = std::str::from_utf8(line).map_err(|_| Mistake::NotText)?;
    let members: Members<'_> = object("the line", text)?;
    let id = word("id", members.id)?.or(word("meter", members.meter)?);
    let (y, photometric) = light(&members)?;
    let record = Record {
        id: id.unwrap_or_default(),
        boot: word("boot", members.boot)?,
        correction: word("correction", members.correction)?,
        observer: word("observer", members.observer)?,
        t_s: number("t_s", members.t_s)?,
        y,
        photometric,
        uv: colour(&members)?,
        integration_s: number("integration_s", members.integration_s)?,
        criteria: members.criteria.map(|raw| criteria(raw.get())).transpose()?,
        resolution: number("resolution_cd_m2", members.resolution_cd_m2)?,
        cautions: cautions(members.flags),
        end: truth("end", members.end)?,
    };
    match record.missing() {
        None => Ok(record),
        Some(missing) => Err(Mistake::Missing { missing, found: names(text) }),
    }
}

/// `text` as an object of members that are known.
fn object<'a, T: Deserialize<'a>>(what: &str, text: &'a str) -> Result<T, Mistake> {
    if !text.trim_start().starts_with('{') {
        return Err(Mistake::NotObject { what: what.to_owned() });
    }
    serde_json::from_str(text).map_err(|error| {
        let words = error.to_string();
        let words = words.split(" at line ").next().unwrap_or(&words).to_owned();
        let words = match words.strip_prefix("duplicate field ") {
            Some(name) => format!("{name} is there twice"),
            None => words,
        };
        Mistake::Json { words, column: error.column() }
    })
}

fn light(members: &Members<'_>) -> Result<(Option<f64>, Option<Photometric>), Mistake> {
    let raw = [members.y, members.luminance_cd_m2, members.illuminance_lx];
    for ((name, photometric), raw) in LIGHT.into_iter().zip(raw) {
        if let Some(value) = number(name, raw)? {
            return Ok((Some(value), photometric));
        }
    }
    Ok((None, None))
}

fn colour(members: &Members<'_>) -> Result<Option<[f64; 2]>, Mistake> {
    let flat = number("u_prime", members.u_prime)?.zip(number("v_prime", members.v_prime)?);
    let nested = match members.chromaticity {
        None => None,
        Some(raw) => {
            let colour: Colour<'_> = object("chromaticity", raw.get())?;
            number("u_prime", colour.u_prime)?.zip(number("v_prime", colour.v_prime)?)
        }
    };
    Ok(nested.or(flat).map(|(u, v)| [u, v]))
}

/// Flags that aren't a list of names are none of ours.
fn cautions(raw: Option<&RawValue>) -> Cautions {
    let names: Vec<Cow<'_, str>> =
        raw.and_then(|raw| serde_json::from_str(raw.get()).ok()).unwrap_or_default();
    Cautions::of(names.iter().map(AsRef::as_ref))
}

fn number(name: &'static str, raw: Option<&RawValue>) -> Result<Option<f64>, Mistake> {
    let Some(text) = raw.map(RawValue::get) else { return Ok(None) };
    match decimal::leading(text.as_bytes()) {
        Some((value, length)) if length == text.len() => Ok(Some(value)),
        _ => Err(Mistake::Not { expected: "a number", name, found: describe(text) }),
    }
}

fn word<'a>(name: &'static str, raw: Option<&'a RawValue>) -> Result<Option<Cow<'a, str>>, Mistake> {
    let Some(text) = raw.map(RawValue::get) else { return Ok(None) };
    let plain = text.strip_prefix('"').and_then(|text| text.strip_suffix('"'));
    if let Some(plain) = plain.filter(|plain| !plain.contains('\\')) {
        return Ok(Some(Cow::Borrowed(plain)));
    }
    serde_json::from_str::<String>(text).map(|word| Some(Cow::Owned(word))).map_err(|_| Mistake::Not {
        expected: "a text",
        name,
        found: describe(text),
    })
}

fn truth(name: &'static str, raw: Option<&RawValue>) -> Result<bool, Mistake> {
    match raw.map(RawValue::get) {
        None | Some("false") => Ok(false),
        Some("true") => Ok(true),
        Some(text) => Err(Mistake::Not { expected: "true or false", name, found: describe(text) }),
    }
}

/// What a value is, in words.
fn describe(text: &str) -> String {
    match text.as_bytes().first() {
        Some(b'"') => quote(&serde_json::from_str::<String>(text).unwrap_or_default()),
        Some(b'{') => "an object".to_owned(),
        Some(b'[') => "a list".to_owned(),
        Some(b't' | b'f') => text.to_owned(),
        _ => format!("the number {text}"),
    }
}

fn criteria(text: &str) -> Result<Criteria, Mistake> {
    let members: serde_json::Map<String, serde_json::Value> = object("criteria", text)?;
    const NAMES: [&str; 8] = [
        "luminance",
        "luminance_floor_cd_m2",
        "chromaticity",
        "chromaticity_knee_cd_m2",
        "hold_s",
        "confidence",
        "min_wait_s",
        "max_wait_s",
    ];
    for name in NAMES {
        if let Some(value) = members.get(name).filter(|value| !value.is_number() && !value.is_null()) {
            return Err(Mistake::Not { expected: "a number", name, found: describe(&value.to_string()) });
        }
    }
    serde_json::from_value(members.into()).map_err(|error| Mistake::Criteria(error.to_string()))
}

/// The names of the members that there are.
fn names(text: &str) -> Vec<String> {
    let members: serde_json::Map<String, serde_json::Value> = serde_json::from_str(text).unwrap_or_default();
    members.into_iter().map(|(name, _)| name).collect()
}
