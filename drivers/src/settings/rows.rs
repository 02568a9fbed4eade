//! Arrays of arrays of numbers: matrices.

use toml::de::DeValue;

use super::{Table, number};

impl Table<'_> {
    /// Rows of numbers, each finite and from `min` to `max`: exactly `N` rows, all of `columns` numbers.
    pub fn rows<const N: usize>(
        &mut self,
        key: &str,
        columns: usize,
        min: f64,
        max: f64,
    ) -> Option<[Vec<f64>; N]> {
        let value = self.get(key)?;
        let row = |value: &DeValue<'_>| -> Option<Vec<f64>> {
            let DeValue::Array(items) = value else { return None };
            let within = |number: &f64| (min..=max).contains(number);
            let row =
                items.iter().map(|item| number(item.get_ref()).filter(within)).collect::<Option<Vec<_>>>();
            row.filter(|row| row.len() == columns)
        };
        let rows = match value.get_ref() {
            DeValue::Array(items) => items.iter().map(|item| row(item.get_ref())).collect::<Option<Vec<_>>>(),
            _ => None,
        };
        let rows = rows.and_then(|rows| rows.try_into().ok());
        if rows.is_none() {
            self.wrong(key, value, &format!("{N} rows of {columns} numbers from {min} to {max}"));
        }
        rows
    }
}
