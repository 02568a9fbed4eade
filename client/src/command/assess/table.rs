//! Rows of CSV. The header says once what each column is; a row is split and read in one pass, unless there are quotes in it.

use std::borrow::Cow;

use csv::{ByteRecord, ReaderBuilder};
use settled_protocol::quantity::Photometric;

use super::cautions::Cautions;
use super::decimal;
use super::mistake::{LIGHT, Missing, Mistake, TIME, quote};
use super::record::Record;

/// What may stand between fields.
const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];

/// What a column is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Column {
    Id,
    Boot,
    Correction,
    Observer,
    Time,
    Light,
    /// The unit of the light.
    Unit,
    U,
    V,
    Integration,
    Resolution,
    Flags,
    End,
}

/// Every name a column may have; of those that mean the same, the first that is there counts.
const NAMES: [(&str, Column); 16] = [
    ("id", Column::Id),
    ("meter", Column::Id),
    ("boot", Column::Boot),
    ("correction", Column::Correction),
    ("observer", Column::Observer),
    (TIME, Column::Time),
    (LIGHT[0].0, Column::Light),
    (LIGHT[1].0, Column::Light),
    (LIGHT[2].0, Column::Light),
    ("unit", Column::Unit),
    ("u_prime", Column::U),
    ("v_prime", Column::V),
    ("integration_s", Column::Integration),
    ("resolution_cd_m2", Column::Resolution),
    ("flags", Column::Flags),
    ("end", Column::End),
];

/// A table, as its header describes it.
#[derive(Debug)]
pub(super) struct Table {
    columns: Vec<Option<(Column, &'static str)>>,
    delimiter: u8,
    photometric: Option<Photometric>,
}

impl Table {
    /// The table that has this header. An error says in words what is wrong with it.
    pub(super) fn new(header: &[u8]) -> Result<Self, String> {
        let text = std::str::from_utf8(header).map_err(|_| Mistake::NotText.to_string())?;
        if text.contains('\0') {
            return Err(Mistake::NotText.to_string());
        }
        // The delimiter that splits off the most columns of a known name; where none is known, the most columns.
        let tables = DELIMITERS.iter().rev().map(|delimiter| Self::split(text, *delimiter));
        let best = tables.max_by_key(|(_, columns)| (columns.iter().flatten().count(), columns.len()));
        let Some(((delimiter, names), columns)) = best else { return Err(Mistake::OpenQuote.to_string()) };
        let is_there =
            |wanted: Column| columns.iter().flatten().filter(|(column, _)| *column == wanted).count();
        let missing = Missing { time: is_there(Column::Time) == 0, light: is_there(Column::Light) == 0 };
        if missing.time || missing.light {
            return Err(lacks(missing, &names));
        }
        if let Some((_, name)) = columns.iter().flatten().find(|(column, _)| is_there(*column) > 1) {
            return Err(format!("there are two columns called {name}"));
        }
        let light = columns.iter().flatten().find(|(column, _)| *column == Column::Light);
        let photometric = LIGHT
            .into_iter()
            .find(|(name, _)| light.is_some_and(|(_, it)| it == name))
            .and_then(|(_, of)| of);
        Ok(Self { columns, delimiter, photometric })
    }

    /// The names that are in a header if `delimiter` stands between them, and what they mean.
    #[expect(clippy::type_complexity, reason = "taken apart where it is called")]
    fn split(text: &str, delimiter: u8) -> ((u8, Vec<String>), Vec<Option<(Column, &'static str)>>) {
        let record = quoted(text.as_bytes(), delimiter).unwrap_or_default();
        let names: Vec<String> =
            record.iter().map(|name| String::from_utf8_lossy(name).trim().to_owned()).collect();
        let counts = |name: &str, column: Column| {
            NAMES
                .iter()
                .find(|(known, it)| *it == column && names.iter().any(|name| name == known))
                .is_some_and(|(known, _)| *known == name)
        };
        let meaning = |name: &String| {
            let (known, column) = NAMES.iter().find(|(known, _)| known == name)?;
            counts(known, *column).then_some((*column, *known))
        };
        let columns = names.iter().map(meaning).collect();
        ((delimiter, names), columns)
    }

    /// The record that a row is.
    #[inline]
    pub(super) fn row<'a>(&self, line: &'a [u8]) -> Result<Record<'a>, Mistake> {
        let line = line.strip_suffix(b"\n").unwrap_or(line);
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.contains(&b'"') {
            return self.quoted_row(line);
        }
        let mut record = self.blank();
        let mut uv = (None, None);
        let mut rest = Some(line);
        for column in &self.columns {
            let Some(fields) = rest else { return Err(self.misfit(line)) };
            let (number, field, after) = self.field(fields, *column);
            if let Some((column, name)) = column {
                fill(&mut record, &mut uv, (*column, name), number, field)?;
            }
            rest = after;
        }
        if rest.is_some() { Err(self.misfit(line)) } else { finished(record, uv) }
    }

    fn blank<'a>(&self) -> Record<'a> {
        Record { photometric: self.photometric, ..Record::default() }
    }

    fn misfit(&self, line: &[u8]) -> Mistake {
        let found = line.iter().filter(|byte| **byte == self.delimiter).count() + 1;
        Mistake::Fields { found, expected: self.columns.len() }
    }

    /// The next field, as a number if that is what it plainly is; the field as it stands, and what comes after it if anything does.
    #[inline]
    fn field<'a>(
        &self,
        fields: &'a [u8],
        column: Option<(Column, &str)>,
    ) -> (Option<f64>, &'a [u8], Option<&'a [u8]>) {
        if column.is_some_and(|(column, _)| column.is_number())
            && let Some((value, length)) = decimal::leading(fields)
        {
            let after = fields.get(length);
            if after.is_none_or(|byte| *byte == self.delimiter) {
                return (
                    Some(value),
                    &fields[..length],
                    fields.get(length + 1..).filter(|_| after.is_some()),
                );
            }
        }
        let end = fields.iter().position(|byte| *byte == self.delimiter);
        let field = end.map_or(fields, |end| &fields[..end]);
        (None, field, end.map(|end| &fields[end + 1..]))
    }

    /// A row with quotes in it.
    fn quoted_row(&self, line: &[u8]) -> Result<Record<'static>, Mistake> {
        let fields = quoted(line, self.delimiter)?;
        if fields.len() != self.columns.len() {
            return Err(Mistake::Fields { found: fields.len(), expected: self.columns.len() });
        }
        let mut record = self.blank();
        let mut uv = (None, None);
        for (field, column) in fields.iter().zip(&self.columns) {
            if let Some(column) = column {
                fill(&mut record, &mut uv, *column, None, field)?;
            }
        }
        finished(record, uv).map(Record::into_owned)
    }
}

impl Column {
    #[inline]
    fn is_number(self) -> bool {
        matches!(self, Self::Time | Self::Light | Self::U | Self::V | Self::Integration | Self::Resolution)
    }
}

/// The fields of a row by the rules of CSV, quotes and all.
fn quoted(line: &[u8], delimiter: u8) -> Result<ByteRecord, Mistake> {
    if line.iter().filter(|byte| **byte == b'"').count() % 2 == 1 {
        return Err(Mistake::OpenQuote);
    }
    let mut reader = ReaderBuilder::new().has_headers(false).delimiter(delimiter).from_reader(line);
    let mut record = ByteRecord::new();
    reader.read_byte_record(&mut record).map_err(|_| Mistake::OpenQuote)?;
    Ok(record)
}

/// Why a header won't do.
fn lacks(missing: Missing, names: &[String]) -> String {
    let quoted: Vec<String> = names.iter().map(|name| format!("{name:?}")).collect();
    let found = quoted.join(", ");
    let hint = if names.iter().all(|name| decimal::whole(name.as_bytes()).is_some()) {
        "; the first line must name the columns"
    } else {
        ""
    };
    format!(
        "the header lacks {missing}; its columns are {found}{hint} (a comma, semicolon, tab or bar splits them)"
    )
}

/// Puts a field where it belongs.
#[inline]
fn fill<'a>(
    record: &mut Record<'a>,
    uv: &mut (Option<f64>, Option<f64>),
    (column, name): (Column, &'static str),
    known: Option<f64>,
    field: &'a [u8],
) -> Result<(), Mistake> {
    let number = || match known {
        Some(value) => Ok(Some(value)),
        None => number(name, field),
    };
    match column {
        Column::Id => record.id = Cow::Borrowed(word(field)?),
        Column::Boot => record.boot = Some(Cow::Borrowed(word(field)?)).filter(|boot| !boot.is_empty()),
        Column::Correction => {
            record.correction = Some(Cow::Borrowed(word(field)?)).filter(|correction| !correction.is_empty());
        }
        Column::Observer => {
            record.observer = Some(Cow::Borrowed(word(field)?)).filter(|observer| !observer.is_empty());
        }
        Column::Time => record.t_s = number()?,
        Column::Light => record.y = number()?,
        Column::Unit => record.photometric = photometric(field).or(record.photometric),
        Column::U => uv.0 = number()?,
        Column::V => uv.1 = number()?,
        Column::Integration => record.integration_s = number()?,
        Column::Resolution => record.resolution = number()?,
        Column::Flags => record.cautions = Cautions::of(word(field)?.split_ascii_whitespace()),
        Column::End => record.end = truth(name, field)?,
    }
    Ok(())
}

fn finished<'a>(mut record: Record<'a>, (u, v): (Option<f64>, Option<f64>)) -> Result<Record<'a>, Mistake> {
    record.uv = u.zip(v).map(|(u, v)| [u, v]);
    match record.missing() {
        None => Ok(record),
        Some(missing) => Err(Mistake::Missing { missing, found: vec!["an empty field".to_owned()] }),
    }
}

/// An empty field is a number that isn't known.
fn number(name: &'static str, field: &[u8]) -> Result<Option<f64>, Mistake> {
    if field.trim_ascii().is_empty() {
        return Ok(None);
    }
    match decimal::whole(field) {
        Some(value) => Ok(Some(value)),
        None => Err(Mistake::Not { expected: "a number", name, found: quote(word(field)?) }),
    }
}

fn word(field: &[u8]) -> Result<&str, Mistake> {
    std::str::from_utf8(field.trim_ascii()).map_err(|_| Mistake::NotText)
}

fn truth(name: &'static str, field: &[u8]) -> Result<bool, Mistake> {
    match word(field)? {
        "" | "0" | "false" => Ok(false),
        "1" | "true" => Ok(true),
        other => Err(Mistake::Not { expected: "true or false", name, found: quote(other) }),
    }
}

fn photometric(field: &[u8]) -> Option<Photometric> {
    match field.trim_ascii() {
        b"lx" => Some(Photometric::Illuminance),
        b"cd/m2" => Some(Photometric::Luminance),
        _ => None,
    }
}
