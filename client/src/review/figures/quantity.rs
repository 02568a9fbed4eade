//! Every figure of a sequence as a list, for tables that programs read: each is called as its member is in JSON.

use crate::evaluate::figure::Figure;

/// One figure, its name and its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// Which patch, place or time it is of; empty where it is of the whole sequence.
    pub of: String,
    /// What it is: a stable name for scripts, within its sequence.
    pub name: String,
    /// Its unit; a bare number if empty.
    pub unit: &'static str,
    /// The figure.
    pub figure: Figure,
}

/// Figures that are being listed.
#[derive(Debug, Default)]
pub(super) struct Quantities(Vec<Quantity>);

impl Quantities {
    /// Lists a figure of the whole sequence, where there is one.
    pub(super) fn whole(self, name: &str, unit: &'static str, figure: impl Into<Option<Figure>>) -> Self {
        self.of("", name, unit, figure)
    }

    /// Lists a figure of one patch, place or time.
    pub(super) fn of(
        mut self,
        of: &str,
        name: &str,
        unit: &'static str,
        figure: impl Into<Option<Figure>>,
    ) -> Self {
        if let Some(figure) = figure.into() {
            self.0.push(Quantity { of: of.to_owned(), name: name.to_owned(), unit, figure });
        }
        self
    }

    /// Lists those of each of some items.
    pub(super) fn each<T>(self, items: impl IntoIterator<Item = T>, list: impl Fn(Self, T) -> Self) -> Self {
        items.into_iter().fold(self, list)
    }

    pub(super) fn all(self) -> Vec<Quantity> {
        self.0
    }
}

/// What a signal is called: `12.5 %`.
pub(super) fn signal(signal: f64) -> String {
    format!("{} %", super::sentence::plain(100.0 * signal))
}
