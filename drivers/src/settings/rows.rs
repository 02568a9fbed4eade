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
        if let Some((row, column, item)) = self.no_number(value.get_ref(), min, max) {
            let expected = format!("number {column} of row {row} to be from {min} to {max}");
            self.wrong(key, item, &expected);
            return None;
        }
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

    /// The first element of an array of arrays that is no number from `min` to `max`, with its row and column, from 1 on.
    fn no_number<'v>(
        &self,
        value: &'v DeValue<'_>,
        min: f64,
        max: f64,
    ) -> Option<(usize, usize, &'v toml::Spanned<DeValue<'v>>)> {
        let DeValue::Array(rows) = value else { return None };
        let numbers = rows.iter().zip(1..).filter_map(|(row, at)| match row.get_ref() {
            DeValue::Array(items) => Some((at, items)),
            _ => None,
        });
        numbers
            .flat_map(|(at, items)| items.iter().zip(1..).map(move |(item, column)| (at, column, item)))
            .find(|(_, _, item)| !number(item.get_ref()).is_some_and(|number| (min..=max).contains(&number)))
    }
}
