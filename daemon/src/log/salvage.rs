//! Saving the rows of a damaged log into a new one, page by page.
//!
//! First come the pages that each table's tree leads to. Where a page in the middle of a tree is damaged, those below it are found
//! all the same: whatever is a leaf of a table, is in no tree and isn't free is looked at, and its rows are told by their shape.

use std::collections::HashSet;

use rusqlite::types::Value;
use rusqlite::{Connection, Statement, params_from_iter};

use super::pages::{Pages, Record};

/// Rows that are written in one commit.
const AT_ONCE: usize = 10_000;

/// Stretches of sequences that are told of as missing.
const MOST_LOST: usize = 20;

/// The highest key that is believed: twice what a clock gives.
const HIGHEST_KEY: i64 = 1 << 52;

/// Columns that rows of earlier versions have, where those had fewer.
const EARLIER: [(&str, usize); 3] = [("readings", 14), ("events", 7), ("numbers", 1)];

/// Tables that a new log has a row in.
const SINGLE: [&str; 2] = ["identity", "numbers"];

/// What could be saved, and what couldn't.
#[derive(Debug, Default)]
pub(super) struct Saved {
    /// Pages of trees, and records, that can't be read.
    pub(super) pages: usize,
    pub(super) records: usize,
    /// From which to which sequence readings may be missing.
    pub(super) lost: Vec<(i64, i64)>,
    /// What the old log said of numbers: the last that was set aside, its identity, and the last of each table.
    pub(super) reserved: Option<i64>,
    pub(super) identity: Option<String>,
    pub(super) last: Vec<(String, i64)>,
}

/// A table of the new log.
struct Table<'a> {
    name: String,
    columns: Vec<Column>,
    insert: Statement<'a>,
}

/// A column of it.
struct Column {
    kind: Kind,
    may_be_null: bool,
    /// It is the row's key.
    key: bool,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Integer,
    Real,
    Text,
    Blob,
}

impl Column {
    fn takes(&self, value: &Value) -> bool {
        match (self.kind, value) {
            (_, Value::Null) => self.may_be_null || self.key,
            (Kind::Integer | Kind::Real, Value::Integer(_)) => true,
            (Kind::Real, Value::Real(number)) => number.is_finite(),
            (Kind::Text, Value::Text(_)) | (Kind::Blob, Value::Blob(_)) => true,
            _ => false,
        }
    }
}

impl Table<'_> {
    /// Whether a record may be a row of it.
    fn fits(&self, record: &Record) -> bool {
        let earlier = EARLIER.iter().find(|(name, _)| *name == self.name).map(|(_, count)| *count);
        let count = record.values.len();
        let keys = self.columns.iter().any(|column| column.key);
        (count == self.columns.len() || Some(count) == earlier)
            && self.columns.iter().zip(&record.values).all(|(column, value)| column.takes(value))
            && record.key.is_none_or(|key| !keys || (1..=HIGHEST_KEY).contains(&key))
            && (self.name != "spectra" || is_spectrum(&record.values))
    }

    fn save(&mut self, record: Record) -> rusqlite::Result<()> {
        let Record { key, mut values } = record;
        values.resize(self.columns.len(), Value::Null);
        for (column, value) in self.columns.iter().zip(&mut values) {
            if column.key && *value == Value::Null {
                *value = key.map_or(Value::Null, Value::Integer);
            }
        }
        self.insert.execute(params_from_iter(values)).map(drop)
    }
}

/// Whether the three values after the key make a spectrum.
fn is_spectrum(values: &[Value]) -> bool {
    let number = |value: &Value| match value {
        Value::Real(number) => Some(*number),
        #[expect(clippy::cast_precision_loss, reason = "SQLite keeps whole numbers so, and small ones only")]
        Value::Integer(number) => Some(*number as f64),
        _ => None,
    };
    let [_, start, step, Value::Blob(bytes)] = values else { return false };
    let (numbers, rest) = bytes.as_chunks::<8>();
    let numbers = numbers.iter().map(|bytes| f64::from_le_bytes(*bytes)).collect::<Vec<f64>>();
    let made = number(start)
        .zip(number(step))
        .map(|(start, step)| settled_protocol::spectrum::Spectrum::new(start, step, numbers).is_ok());
    made == Some(true) && rest.is_empty()
}

/// Saves every row that can be read.
pub(super) fn save(pages: &Pages, connection: &Connection) -> rusqlite::Result<Saved> {
    let mut saving = Saving::new(pages, connection)?;
    let roots = pages.roots();
    for index in 0..saving.tables.len() {
        if let Some(root) = saving.tables.get(index).and_then(|table| roots.get(&table.name)) {
            saving.tree(index, *root)?;
        }
    }
    if let Some(root) = roots.get("sqlite_sequence") {
        saving.counters(*root);
    }
    saving.strays()?;
    connection.execute_batch("COMMIT")?;
    Ok(saving.saved)
}

struct Saving<'a> {
    pages: &'a Pages,
    connection: &'a Connection,
    tables: Vec<Table<'a>>,
    seen: HashSet<u32>,
    since: usize,
    saved: Saved,
}

impl<'a> Saving<'a> {
    fn new(pages: &'a Pages, connection: &'a Connection) -> rusqlite::Result<Self> {
        let mut names = connection
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")?;
        let names = names.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()?;
        let tables = names.into_iter().map(|name| table(connection, name)).collect::<Result<_, _>>()?;
        connection.execute_batch("BEGIN")?;
        Ok(Self { pages, connection, tables, seen: HashSet::from([1]), since: 0, saved: Saved::default() })
    }

    /// Saves what a table's tree leads to.
    fn tree(&mut self, index: usize, root: u32) -> rusqlite::Result<()> {
        // Each page with the keys between which its own are, as far as the pages above it say.
        let mut waiting = vec![(root, 0, None)];
        while let Some((number, above, up_to)) = waiting.pop() {
            if number == 0 || number > self.pages.count || !self.seen.insert(number) {
                continue;
            }
            let Some(content) = self.pages.content(number) else {
                self.saved.pages += 1;
                self.lose(index, above, up_to);
                // Who reads it as a stray would find nothing either.
                continue;
            };
            let mut from = above;
            for (child, key) in content.children {
                let end = key.or(up_to);
                waiting.push((child, from, end));
                from = key.unwrap_or(from);
            }
            self.saved.records += content.damaged;
            if content.damaged > 0 {
                self.lose(index, above, up_to);
            }
            for record in content.records {
                self.row(index, record)?;
            }
        }
        Ok(())
    }

    /// Takes note of where readings may be missing.
    fn lose(&mut self, index: usize, above: i64, up_to: Option<i64>) {
        let is_readings = self.tables.get(index).is_some_and(|table| table.name == "readings");
        if is_readings && self.saved.lost.len() < MOST_LOST {
            self.saved.lost.push((above.saturating_add(1), up_to.unwrap_or(i64::MAX)));
        }
    }

    fn row(&mut self, index: usize, record: Record) -> rusqlite::Result<()> {
        let Some(table) = self.tables.get_mut(index) else { return Ok(()) };
        if !table.fits(&record) {
            self.saved.records += 1;
            return Ok(());
        }
        match (table.name.as_str(), &record.values[..]) {
            ("identity", [Value::Text(id)]) => self.saved.identity = Some(id.clone()),
            ("numbers", [Value::Integer(reserved), ..]) => self.saved.reserved = Some(*reserved),
            _ => table.save(record)?,
        }
        self.since += 1;
        if self.since >= AT_ONCE {
            self.since = 0;
            self.connection.execute_batch("COMMIT; BEGIN")?;
        }
        Ok(())
    }

    /// The last number that SQLite says each table has come to.
    fn counters(&mut self, root: u32) {
        self.seen.insert(root);
        for record in self.pages.content(root).into_iter().flat_map(|content| content.records) {
            if let [Value::Text(table), Value::Integer(last)] = &record.values[..] {
                self.saved.last.push((table.clone(), *last));
            }
        }
    }

    /// Saves the rows on leaves that no tree leads to.
    fn strays(&mut self) -> rusqlite::Result<()> {
        self.seen.extend(self.pages.free());
        for number in 1..=self.pages.count {
            if self.seen.contains(&number) {
                continue;
            }
            let Some(content) = self.pages.content(number).filter(|content| content.leaf) else { continue };
            for record in content.records {
                if let Some(index) = self.guess(&record) {
                    self.row(index, record)?;
                }
            }
        }
        Ok(())
    }

    /// The table that a record has the shape of.
    fn guess(&self, record: &Record) -> Option<usize> {
        let name = match &record.values[..] {
            // A boot is called by a UUID, with or without a word before it.
            [Value::Null, Value::Text(name)] if name.matches('-').count() >= 4 => Some("boots"),
            [Value::Null, Value::Text(_)] => Some("meters"),
            _ => None,
        };
        let mut fits = self.tables.iter().enumerate().filter(|(_, table)| table.fits(record));
        match name {
            Some(name) => fits.find(|(_, table)| table.name == name),
            // Rows that have no key of their own could be of many.
            None => fits.find(|(_, table)| {
                table.columns.iter().any(|column| column.key) || SINGLE.contains(&table.name.as_str())
            }),
        }
        .map(|(index, _)| index)
    }
}

fn table(connection: &Connection, name: String) -> rusqlite::Result<Table<'_>> {
    let mut columns = connection.prepare("SELECT type, \"notnull\", pk FROM pragma_table_info(?1)")?;
    let columns = columns
        .query_map([&name], |row| {
            let (kind, not_null, key): (String, bool, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let kind = match kind.as_str() {
                "INTEGER" => Kind::Integer,
                "REAL" => Kind::Real,
                "BLOB" => Kind::Blob,
                _ => Kind::Text,
            };
            Ok((Column { kind, may_be_null: !not_null, key: false }, key))
        })?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    // A row's own key is the only column of its table's primary key, and whole.
    let keys = columns.iter().filter(|(_, key)| *key > 0).count();
    let columns: Vec<Column> = columns
        .into_iter()
        .map(|(column, key)| Column { key: key > 0 && keys == 1 && column.kind == Kind::Integer, ..column })
        .collect();
    let values = vec!["?"; columns.len()].join(", ");
    let insert = connection.prepare(&format!("INSERT OR IGNORE INTO {name} VALUES ({values})"))?;
    Ok(Table { name, columns, insert })
}
