//! Lines of JSON as programs write them, decoded in one pass and without allocating.
//!
//! It knows plain objects: text without escapes, no member twice. Whatever else comes is left to [`record::json`](super::record::json),
//! which also says what is wrong; where both decode a line, they give the same record (a property test holds that).

use std::borrow::Cow;

use settled_protocol::quantity::Photometric;

use super::cautions::Cautions;
use super::decimal;
use super::record::Record;

/// Objects and lists within each other that are passed over here; deeper ones are left to the full decoder.
const DEEPEST: usize = 4;

/// The record that a line is, if it is as plain as that and is a reading, or ends a series.
pub(super) fn json(line: &[u8]) -> Option<Record<'_>> {
    let text = std::str::from_utf8(line).ok()?;
    let mut cursor = Cursor { text, at: 0 };
    let mut record = Record::default();
    let mut flat = (None, None);
    let mut seen = 0;
    cursor.members(|cursor, name| {
        let member = Member::of(name);
        if seen & member.bit() != 0 {
            return None;
        }
        seen |= member.bit();
        match member {
            Member::Id => record.id = Cow::Borrowed(cursor.string()?),
            Member::Boot => record.boot = Some(Cow::Borrowed(cursor.string()?)),
            Member::Correction => record.correction = Some(Cow::Borrowed(cursor.string()?)),
            Member::Observer => record.observer = Some(Cow::Borrowed(cursor.string()?)),
            Member::Time => record.t_s = Some(cursor.number()?),
            Member::Light(photometric) => {
                record.y = Some(cursor.number()?);
                record.photometric = photometric;
            }
            Member::U => flat.0 = Some(cursor.number()?),
            Member::V => flat.1 = Some(cursor.number()?),
            Member::Integration => record.integration_s = Some(cursor.number()?),
            Member::Chromaticity => record.uv = cursor.colour()?,
            Member::Flags => record.cautions = cursor.cautions()?,
            Member::Resolution => record.resolution = Some(cursor.number()?),
            Member::End => record.end = cursor.literal("true").map(|()| true)?,
            Member::Other => cursor.pass_over(DEEPEST)?,
            Member::Rare => return None,
        }
        Some(())
    })?;
    cursor.blanks();
    let complete = cursor.at == text.len() && record.missing().is_none();
    record.uv = record.uv.or_else(|| flat.0.zip(flat.1).map(|(u, v)| [u, v]));
    complete.then_some(record)
}

/// What a member is, by its name.
#[derive(Clone, Copy)]
enum Member {
    Id,
    Boot,
    Correction,
    Observer,
    Time,
    Light(Option<Photometric>),
    U,
    V,
    Integration,
    Chromaticity,
    Resolution,
    Flags,
    End,
    /// Means something, but comes too seldom to be known here.
    Rare,
    Other,
}

impl Member {
    #[inline]
    fn of(name: &str) -> Self {
        match name {
            "id" | "meter" => Self::Id,
            "boot" => Self::Boot,
            "correction" => Self::Correction,
            "observer" => Self::Observer,
            "t_s" => Self::Time,
            "Y" => Self::Light(None),
            "luminance_cd_m2" => Self::Light(Some(Photometric::Luminance)),
            "illuminance_lx" => Self::Light(Some(Photometric::Illuminance)),
            "u_prime" => Self::U,
            "v_prime" => Self::V,
            "integration_s" => Self::Integration,
            "chromaticity" => Self::Chromaticity,
            "resolution_cd_m2" => Self::Resolution,
            "flags" => Self::Flags,
            "end" => Self::End,
            "criteria" => Self::Rare,
            _ => Self::Other,
        }
    }

    /// A bit of its own for whatever must not come twice.
    #[inline]
    fn bit(self) -> u16 {
        match self {
            Self::Id => 1,
            Self::Boot => 1 << 1,
            Self::Time => 1 << 2,
            Self::Light(_) => 1 << 3,
            Self::U => 1 << 4,
            Self::V => 1 << 5,
            Self::Integration => 1 << 6,
            Self::Chromaticity => 1 << 7,
            Self::Resolution => 1 << 8,
            Self::End => 1 << 9,
            Self::Flags => 1 << 10,
            Self::Correction => 1 << 11,
            Self::Observer => 1 << 12,
            Self::Rare | Self::Other => 0,
        }
    }
}

/// A place in the text. Every method gives nothing where the text isn't what it is for.
struct Cursor<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Cursor<'a> {
    #[inline]
    fn rest(&self) -> &'a [u8] {
        self.text.as_bytes().get(self.at..).unwrap_or_default()
    }

    #[inline]
    fn blanks(&mut self) {
        while matches!(self.rest().first(), Some(b' ' | b'\t' | b'\n' | b'\r')) {
            self.at += 1;
        }
    }

    /// Takes `byte`, blanks before it aside.
    #[inline]
    fn take(&mut self, byte: u8) -> Option<()> {
        self.blanks();
        (self.rest().first() == Some(&byte)).then(|| self.at += 1)
    }

    #[inline]
    fn literal(&mut self, word: &str) -> Option<()> {
        self.blanks();
        self.rest().starts_with(word.as_bytes()).then(|| self.at += word.len())
    }

    #[inline]
    fn string(&mut self) -> Option<&'a str> {
        self.take(b'"')?;
        let start = self.at;
        let length = self.rest().iter().position(|byte| matches!(byte, b'"' | b'\\') || *byte < b' ')?;
        self.at += length;
        self.take_here(b'"')?;
        self.text.get(start..start + length)
    }

    #[inline]
    fn take_here(&mut self, byte: u8) -> Option<()> {
        (self.rest().first() == Some(&byte)).then(|| self.at += 1)
    }

    #[inline]
    fn number(&mut self) -> Option<f64> {
        self.blanks();
        let (value, length) = decimal::leading(self.rest())?;
        self.at += length;
        Some(value)
    }

    /// Takes an object; `value` takes the value of each member.
    #[inline]
    fn members(&mut self, mut value: impl FnMut(&mut Self, &'a str) -> Option<()>) -> Option<()> {
        self.take(b'{')?;
        if self.take(b'}').is_some() {
            return Some(());
        }
        loop {
            let name = self.string()?;
            self.take(b':')?;
            value(self, name)?;
            if self.take(b',').is_none() {
                return self.take(b'}');
            }
        }
    }

    /// A chromaticity: both of its members, or neither.
    fn colour(&mut self) -> Option<Option<[f64; 2]>> {
        let (mut u, mut v) = (None, None);
        self.members(|cursor, name| {
            let known = match name {
                "u_prime" => &mut u,
                "v_prime" => &mut v,
                _ => return cursor.pass_over(DEEPEST),
            };
            if known.is_some() {
                return None;
            }
            *known = Some(cursor.number()?);
            Some(())
        })?;
        Some(u.zip(v).map(|(u, v)| [u, v]))
    }

    /// A list of names.
    fn cautions(&mut self) -> Option<Cautions> {
        let mut cautions = Cautions::default();
        self.take(b'[')?;
        if self.take(b']').is_some() {
            return Some(cautions);
        }
        loop {
            self.blanks();
            cautions.take(self.string()?);
            if self.take(b',').is_none() {
                return self.take(b']').map(|()| cautions);
            }
        }
    }

    /// Takes a value that nobody asks for.
    fn pass_over(&mut self, deepest: usize) -> Option<()> {
        self.blanks();
        match self.rest().first()? {
            b'"' => self.string().map(drop),
            b't' => self.literal("true"),
            b'f' => self.literal("false"),
            b'n' => self.literal("null"),
            b'{' if deepest > 0 => self.members(|cursor, _| cursor.pass_over(deepest - 1)),
            b'[' if deepest > 0 => self.list(deepest - 1),
            b'-' | b'0'..=b'9' => self.number().map(drop),
            _ => None,
        }
    }

    fn list(&mut self, deepest: usize) -> Option<()> {
        self.take(b'[')?;
        if self.take(b']').is_some() {
            return Some(());
        }
        loop {
            self.pass_over(deepest)?;
            if self.take(b',').is_none() {
                return self.take(b']');
            }
        }
    }
}
