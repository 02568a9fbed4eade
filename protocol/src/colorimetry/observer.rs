//! The CIE's observers: what X, Y and Z are by definition.
//!
//! The tables hold 1 nm steps: 360 to 830 nm (1931, 1964: ISO/CIE 11664-1), 390 to 830 nm (2015: CIE 170-2). Beside each
//! stands its source.

use std::sync::LazyLock;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// By whose eye X, Y and Z are meant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub enum Observer {
    /// CIE 1931, 2°: what is meant wherever nothing is said. Its Y is luminance.
    #[default]
    #[serde(rename = "1931-2")]
    Cie1931Deg2,
    /// CIE 1964, 10°.
    #[serde(rename = "1964-10")]
    Cie1964Deg10,
    /// CIE 2015 (170-2), 2°: from cone fundamentals.
    #[serde(rename = "2015-2")]
    Cie2015Deg2,
    /// CIE 2015 (170-2), 10°: from cone fundamentals.
    #[serde(rename = "2015-10")]
    Cie2015Deg10,
}

/// x̄, ȳ and z̄ at every nm.
#[derive(Debug)]
pub(super) struct Table {
    start_nm: f64,
    rows: Vec<[f64; 3]>,
}

static TABLES: [LazyLock<Table>; 4] = [
    LazyLock::new(|| Table::read(include_str!("cmf/cie_1931_2.csv"))),
    LazyLock::new(|| Table::read(include_str!("cmf/cie_1964_10.csv"))),
    LazyLock::new(|| Table::read(include_str!("cmf/cie_2015_2.csv"))),
    LazyLock::new(|| Table::read(include_str!("cmf/cie_2015_10.csv"))),
];

impl Observer {
    /// Every observer.
    pub const ALL: [Self; 4] = [Self::Cie1931Deg2, Self::Cie1964Deg10, Self::Cie2015Deg2, Self::Cie2015Deg10];

    /// The observer as it is written, on the wire and in the config.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Cie1931Deg2 => "1931-2",
            Self::Cie1964Deg10 => "1964-10",
            Self::Cie2015Deg2 => "2015-2",
            Self::Cie2015Deg10 => "2015-10",
        }
    }

    /// The observer of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|observer| observer.name() == name)
    }

    /// What must be said of it: nothing of CIE 1931, 2°, which is meant where nothing is said.
    #[must_use]
    pub fn unusual(self) -> Option<Self> {
        (self != Self::default()).then_some(self)
    }

    pub(super) fn table(self) -> &'static Table {
        let [cie_1931, cie_1964, cie_2015_2, cie_2015_10] = &TABLES;
        match self {
            Self::Cie1931Deg2 => cie_1931,
            Self::Cie1964Deg10 => cie_1964,
            Self::Cie2015Deg2 => cie_2015_2,
            Self::Cie2015Deg10 => cie_2015_10,
        }
    }

    /// x̄, ȳ and z̄ at a wavelength in nm: linear between two rows of the table (ISO/CIE 11664-1, from memory), 0 beyond its ends.
    #[must_use]
    pub fn at(self, wavelength_nm: f64) -> [f64; 3] {
        self.table().at(wavelength_nm)
    }
}

impl Table {
    /// Reads the table's text: comments, a header, then wavelength and values, evenly spaced. A test holds that every row is there.
    fn read(text: &str) -> Self {
        let mut start_nm = None;
        let rows =
            text.lines().filter(|line| line.starts_with(|c: char| c.is_ascii_digit())).filter_map(|line| {
                let mut numbers = line.split(',').map_while(|number| number.parse::<f64>().ok());
                let nm = numbers.next()?;
                start_nm.get_or_insert(nm);
                Some([numbers.next()?, numbers.next()?, numbers.next()?])
            });
        let rows = rows.collect();
        Self { start_nm: start_nm.unwrap_or(0.0), rows }
    }

    /// Every wavelength, in nm.
    pub(super) fn wavelengths(&self) -> impl Iterator<Item = f64> {
        (0_u32..).zip(&self.rows).map(|(index, _)| self.start_nm + f64::from(index))
    }

    /// The last wavelength, in nm.
    #[expect(clippy::cast_precision_loss, reason = "a table has some hundred rows")]
    fn end_nm(&self) -> f64 {
        self.start_nm + self.rows.len().saturating_sub(1) as f64
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the position lies within the table"
    )]
    fn at(&self, wavelength_nm: f64) -> [f64; 3] {
        let position = wavelength_nm - self.start_nm;
        // False for what is not a number, too.
        let is_within = position >= 0.0 && wavelength_nm <= self.end_nm();
        let Some(low) = is_within.then(|| self.rows.get(position as usize)).flatten() else {
            return [0.0; 3];
        };
        let share = position.fract();
        let high = self.rows.get(position as usize + 1).unwrap_or(low);
        std::array::from_fn(|axis| low[axis] + share * (high[axis] - low[axis]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_of_every_table_is_there() {
        for observer in Observer::ALL {
            let table = observer.table();
            let (first, count) =
                if observer.name().starts_with("2015") { (390.0, 441) } else { (360.0, 471) };
            assert_eq!(
                (table.start_nm, table.end_nm(), table.rows.len()),
                (first, 830.0, count),
                "{observer:?}"
            );
            assert!(table.rows.iter().flatten().all(|value| value.is_finite() && *value >= 0.0));
        }
    }

    /// The 5 nm tables of ISO/CIE 11664-1, which came here on their own.
    #[test]
    fn every_fifth_row_is_that_of_the_5_nm_table() {
        let tables = [
            (
                Observer::Cie1931Deg2,
                include_str!("../../../tests/reference/spectral/cmf_cie1931_2deg_5nm.csv"),
            ),
            (
                Observer::Cie1964Deg10,
                include_str!("../../../tests/reference/spectral/cmf_cie1964_10deg_5nm.csv"),
            ),
        ];
        for (observer, text) in tables {
            let coarse = Table::read(text);
            assert!(coarse.rows.len() >= 81, "{observer:?}: {}", coarse.rows.len());
            for (index, expected) in (0_u32..).zip(&coarse.rows) {
                let found = observer.at(coarse.start_nm + 5.0 * f64::from(index));
                for (found, expected) in found.into_iter().zip(expected) {
                    assert!(
                        (found - expected).abs() < 5.1e-7,
                        "{observer:?}, row {index}: {found} is not {expected}"
                    );
                }
            }
        }
    }

    #[test]
    fn names_are_those_on_the_wire_and_nothing_is_beyond_a_table() {
        for observer in Observer::ALL {
            assert_eq!(serde_json::to_value(observer).unwrap(), observer.name());
            assert_eq!(Observer::named(observer.name()), Some(observer));
            for beyond in [359.9, 830.1, f64::NAN, f64::INFINITY, -1.0] {
                assert_eq!(observer.at(beyond), [0.0; 3]);
            }
            let [_, low, _] = observer.at(500.0);
            let [_, high, _] = observer.at(501.0);
            assert!((observer.at(500.25)[1] - (0.75 * low + 0.25 * high)).abs() < 1e-15);
        }
        // V(λ) is 1 at 555 nm (CIE 1931, ISO/CIE 11664-1).
        assert_eq!(Observer::Cie1931Deg2.at(555.0)[1], 1.0);
        assert_eq!(Observer::default().unusual(), None);
        assert_eq!(Observer::named("1931"), None);
    }
}
