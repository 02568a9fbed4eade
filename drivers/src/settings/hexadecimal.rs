//! Numbers that are written in hexadecimal, and told like that.

use toml::de::DeInteger;

use super::{Table, integer};

impl Table<'_> {
    /// A whole number from `min` to `max` that everybody writes in hexadecimal, with `digits` of them; it need not be.
    pub fn hexadecimal(&mut self, key: &str, min: u32, max: u32, digits: usize) -> Option<u32> {
        let value = self.get(key)?;
        let integer = integer(value.get_ref()).and_then(|integer| u32::try_from(integer).ok());
        let integer = integer.filter(|integer| (min..=max).contains(integer));
        if integer.is_none() {
            let expected = format!("a whole number from 0x{min:0digits$x} to 0x{max:0digits$x}");
            self.wrong(key, value, &expected);
        }
        integer
    }
}

/// A number in the digits, and with the prefix, that it was written in.
pub(super) fn as_written(integer: &DeInteger<'_>) -> String {
    let prefix = match integer.radix() {
        16 => "0x",
        8 => "0o",
        2 => "0b",
        _ => "",
    };
    format!("{prefix}{}", integer.as_str())
}
