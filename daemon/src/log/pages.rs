//! The pages of a database, read one by one without SQLite: however damaged the file is, each page that isn't can be read.
//!
//! As <https://www.sqlite.org/fileformat2.html> describes them: trees of pages, whose leaves hold records. Nothing is written, and
//! nothing that is found is believed before it has been measured against the page.

use std::collections::HashMap;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use rusqlite::types::Value;

use super::wal::{Wal, page_size};

/// The size of the pages of a new database.
pub(super) const USUAL_SIZE: usize = 4096;

/// Bytes of the file's header, which stands at the beginning of its first page.
const HEADER: usize = 100;

/// Bytes that a record may have: a spectrum's, with room. A length beyond it is damaged.
const LARGEST: usize = 1 << 20;

/// The farthest page that a write-ahead log is believed to hold: 64 GiB of usual ones.
const FARTHEST: u32 = 1 << 24;

/// Kinds of pages, by their first byte.
const TABLE_LEAF: u8 = 0x0d;
const TABLE_INNER: u8 = 0x05;
const KEYS_LEAF: u8 = 0x0a;
const KEYS_INNER: u8 = 0x02;

/// A record: its key, in a table that has one, and its values.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Record {
    pub(super) key: Option<i64>,
    pub(super) values: Vec<Value>,
}

/// What a page holds.
#[derive(Debug, Default)]
pub(super) struct Content {
    pub(super) records: Vec<Record>,
    /// Records of it that can't be read.
    pub(super) damaged: usize,
    /// The pages below it, each with the highest key that is in it, if that is said.
    pub(super) children: Vec<(u32, Option<i64>)>,
    /// Whether it is a leaf of a table with keys.
    pub(super) leaf: bool,
}

/// A database's pages, those of its write-ahead log included.
#[derive(Debug)]
pub(super) struct Pages {
    file: File,
    wal: Wal,
    size: usize,
    /// How many there are.
    pub(super) count: u32,
}

impl Pages {
    pub(super) fn open(path: &Path) -> std::io::Result<Self> {
        let (file, wal) = (File::open(path)?, Wal::read(path)?);
        let length = file.metadata()?.len();
        // A number that was damaged must not have one look for pages for ever.
        let highest = wal.highest().min(FARTHEST);
        let count =
            |size: usize| u32::try_from(length.div_ceil(size as u64)).unwrap_or(u32::MAX).max(highest);
        let size = wal.page_size.or(told_size(path)).unwrap_or(USUAL_SIZE);
        let pages = Self { file, wal, size, count: count(size) };
        // A size that was damaged is no size that any page has.
        if size != USUAL_SIZE && (1..=pages.count).all(|number| pages.content(number).is_none()) {
            return Ok(Self { size: USUAL_SIZE, count: count(USUAL_SIZE), ..pages });
        }
        Ok(pages)
    }

    /// A page's bytes; what the file has no more of is zero.
    fn bytes(&self, number: u32) -> Option<Vec<u8>> {
        if let Some(page) = self.wal.page(number) {
            return Some(page.to_vec());
        }
        let mut page = vec![0; self.size];
        let at = u64::from(number.checked_sub(1)?) * self.size as u64;
        let (mut read, mut at) = (0, at);
        while read < page.len() {
            match self.file.read_at(page.get_mut(read..)?, at) {
                Ok(0) => break,
                Ok(count) => (read, at) = (read + count, at + count as u64),
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                // A sector that can't be read is as good as none.
                Err(_) => return None,
            }
        }
        Some(page)
    }

    /// What a page holds; nothing if it isn't a page of a tree.
    pub(super) fn content(&self, number: u32) -> Option<Content> {
        let page = self.bytes(number)?;
        let start = if number == 1 { HEADER } else { 0 };
        let kind = *page.get(start)?;
        let inner = matches!(kind, TABLE_INNER | KEYS_INNER);
        if !inner && !matches!(kind, TABLE_LEAF | KEYS_LEAF) {
            return None;
        }
        let (count, head) = (usize::from(short(&page, start + 3)?), if inner { 12 } else { 8 });
        if start + head + 2 * count > self.size {
            return None;
        }
        let mut content = Content { leaf: kind == TABLE_LEAF, ..Content::default() };
        for index in 0..count {
            let at = usize::from(short(&page, start + head + 2 * index)?);
            if at < start + head + 2 * count || self.cell(&page, kind, at, &mut content).is_none() {
                content.damaged += 1;
            }
        }
        if inner {
            content.children.push((number_at(&page, start + 8)?, None));
        }
        Some(content)
    }

    /// Reads a page's cell into what it holds.
    fn cell(&self, page: &[u8], kind: u8, at: usize, content: &mut Content) -> Option<()> {
        let mut at = at;
        let child = matches!(kind, TABLE_INNER | KEYS_INNER).then(|| number_at(page, at));
        if let Some(child) = child {
            let child = child?;
            at += 4;
            let key = if kind == TABLE_INNER { Some(varint(page, &mut at)?) } else { None };
            content.children.push((child, key));
        }
        if kind == TABLE_INNER {
            return Some(());
        }
        let length = usize::try_from(varint(page, &mut at)?).ok().filter(|length| *length <= LARGEST)?;
        let key = if kind == TABLE_LEAF { Some(varint(page, &mut at)?) } else { None };
        let payload = self.payload(page, at, length, kind == TABLE_LEAF)?;
        content.records.push(Record { key, values: values(&payload)? });
        Some(())
    }

    /// A record's bytes, those on pages of their own included.
    fn payload(&self, page: &[u8], at: usize, length: usize, table: bool) -> Option<Vec<u8>> {
        let room = self.size;
        let most = if table { room - 35 } else { (room - 12) * 64 / 255 - 23 };
        if length <= most {
            return page.get(at..at + length).map(<[u8]>::to_vec);
        }
        let least = (room - 12) * 32 / 255 - 23;
        let here = least + (length - least) % (room - 4);
        let here = if here <= most { here } else { least };
        let mut payload = page.get(at..at + here)?.to_vec();
        let mut next = number_at(page, at + here)?;
        // Each of them holds something, so this ends.
        while payload.len() < length {
            if next == 0 || next > self.count {
                return None;
            }
            let page = self.bytes(next)?;
            let part = (length - payload.len()).min(room - 4);
            payload.extend_from_slice(page.get(4..4 + part)?);
            next = number_at(&page, 0)?;
        }
        Some(payload)
    }

    /// The pages that are free: what stands on them was taken away.
    pub(super) fn free(&self) -> Vec<u32> {
        let mut free = Vec::new();
        let mut next = self.bytes(1).and_then(|page| number_at(&page, 32)).unwrap_or(0);
        while next > 0 && next <= self.count && free.len() < self.count as usize {
            free.push(next);
            let Some(page) = self.bytes(next) else { break };
            let count = number_at(&page, 4).unwrap_or(0).min(u32::try_from(self.size / 4 - 2).unwrap_or(0));
            free.extend((0..count as usize).filter_map(|index| number_at(&page, 8 + 4 * index)));
            next = number_at(&page, 0).unwrap_or(0);
        }
        free
    }

    /// The first page of each table, by its name.
    pub(super) fn roots(&self) -> HashMap<String, u32> {
        let mut roots = HashMap::new();
        let (mut waiting, mut seen) = (vec![1], 0);
        while let Some(number) = waiting.pop() {
            seen += 1;
            let Some(content) = self.content(number).filter(|_| seen <= self.count) else { continue };
            waiting.extend(content.children.iter().map(|(child, _)| *child));
            for record in content.records {
                if let [Value::Text(kind), Value::Text(name), _, Value::Integer(root), ..] =
                    &record.values[..]
                    && kind == "table"
                    && let Ok(root) = u32::try_from(*root)
                {
                    roots.insert(name.clone(), root);
                }
            }
        }
        roots
    }
}

/// The size of pages that a file's header tells, if it is one.
pub(super) fn told_size(path: &Path) -> Option<usize> {
    let mut header = [0; HEADER];
    File::open(path).and_then(|file| file.read_exact_at(&mut header, 0)).ok()?;
    let told = u32::from(u16::from_be_bytes([header[16], header[17]]));
    page_size(if told == 1 { 65_536 } else { told })
}

fn short(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
}

fn number_at(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

/// A number of one to nine bytes.
fn varint(bytes: &[u8], at: &mut usize) -> Option<i64> {
    let mut number = 0_u64;
    for index in 0..9 {
        let byte = *bytes.get(*at)?;
        *at += 1;
        if index == 8 {
            return Some((number << 8 | u64::from(byte)).cast_signed());
        }
        number = number << 7 | u64::from(byte & 0x7f);
        if byte < 0x80 {
            break;
        }
    }
    Some(number.cast_signed())
}

/// The values of a record.
fn values(payload: &[u8]) -> Option<Vec<Value>> {
    let mut at = 0;
    let header = usize::try_from(varint(payload, &mut at)?).ok().filter(|header| *header <= payload.len())?;
    let (mut values, mut body) = (Vec::new(), header);
    while at < header {
        let kind = varint(payload, &mut at)?;
        let (value, length) = value(kind, payload.get(body..)?)?;
        values.push(value);
        body += length;
    }
    // Nothing may be left over: else it is no record.
    (at == header && body == payload.len()).then_some(values)
}

/// A value of a kind from the beginning of these bytes, and how many of them it takes.
fn value(kind: i64, bytes: &[u8]) -> Option<(Value, usize)> {
    let integer = |length: usize| {
        let bytes = bytes.get(..length)?;
        let sign = if bytes.first()? & 0x80 == 0 { 0 } else { -1 };
        let number = bytes.iter().fold(sign, |number: i64, byte| number << 8 | i64::from(*byte));
        Some((Value::Integer(number), length))
    };
    match kind {
        0 => Some((Value::Null, 0)),
        1..=4 => integer(usize::try_from(kind).ok()?),
        5 => integer(6),
        6 => integer(8),
        7 => Some((Value::Real(f64::from_be_bytes(bytes.get(..8)?.try_into().ok()?)), 8)),
        8 | 9 => Some((Value::Integer(kind - 8), 0)),
        12.. => {
            let length = usize::try_from((kind - 12) / 2).ok()?;
            let bytes = bytes.get(..length)?.to_vec();
            let value =
                if kind % 2 == 0 { Value::Blob(bytes) } else { Value::Text(String::from_utf8(bytes).ok()?) };
            Some((value, length))
        }
        _ => None,
    }
}
