//! Spectra in the log: a row for each reading that has one, its values as they are.
//!
//! A value takes eight bytes, little end first: what is read again is the same to the last bit, so that whatever was summed
//! from it can be summed again. (Four would do for the precision of instruments, and save a 401-value spectrum 1.6 kB.)

use rusqlite::types::Type;
use rusqlite::{Row, Transaction, params};
use settled_protocol::quantity::Unphysical;
use settled_protocol::spectrum::Spectrum;

/// Columns of a spectrum, and where they come from.
pub(super) const COLUMNS: &str = ", s.start_nm, s.step_nm, s.f64_le";
/// Joined one-sided: a reading without a spectrum is still a reading.
pub(super) const JOIN: &str = "LEFT JOIN spectra s ON s.sequence = t.sequence";

/// Bytes of a value.
const VALUE: usize = size_of::<f64>();

pub(super) fn insert(
    transaction: &Transaction<'_>,
    sequence: u64,
    spectrum: &Spectrum,
) -> rusqlite::Result<()> {
    let bytes: Vec<u8> = spectrum.values().iter().flat_map(|value| value.to_le_bytes()).collect();
    transaction
        .prepare_cached("INSERT INTO spectra (sequence, start_nm, step_nm, f64_le) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![super::writer::signed(sequence), spectrum.start_nm(), spectrum.step_nm(), bytes])
        .map(drop)
}

/// The spectrum in a row whose columns from `first` on are [`COLUMNS`]; nothing if the reading has none.
pub(super) fn read(row: &Row<'_>, first: usize) -> rusqlite::Result<Option<Spectrum>> {
    let Some(bytes) = row.get::<_, Option<Vec<u8>>>(first + 2)? else { return Ok(None) };
    let (values, rest) = bytes.as_chunks::<VALUE>();
    let values: Vec<f64> = values.iter().map(|bytes| f64::from_le_bytes(*bytes)).collect();
    let damaged =
        |error: Unphysical| rusqlite::Error::FromSqlConversionFailure(first + 2, Type::Blob, Box::new(error));
    let spectrum = Spectrum::new(row.get(first)?, row.get(first + 1)?, values).map_err(damaged)?;
    if rest.is_empty() {
        Ok(Some(spectrum))
    } else {
        Err(rusqlite::Error::InvalidColumnType(first + 2, "f64_le".to_owned(), Type::Blob))
    }
}
