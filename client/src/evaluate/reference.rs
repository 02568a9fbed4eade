//! Tables of published values, as tests read them: comments, a header, rows.

/// A table.
pub(super) struct Table {
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// One of its rows.
pub(super) struct Row<'a> {
    columns: &'a [String],
    cells: &'a [String],
}

impl Table {
    pub(super) fn read(text: &str) -> Self {
        let mut lines = text
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| line.split(',').map(str::to_owned).collect::<Vec<_>>());
        let columns = lines.next().unwrap();
        let rows: Vec<_> = lines.collect();
        assert!(!rows.is_empty() && rows.iter().all(|row| row.len() == columns.len()));
        Self { columns, rows }
    }

    pub(super) fn rows(&self) -> impl ExactSizeIterator<Item = Row<'_>> {
        self.rows.iter().map(|cells| Row { columns: &self.columns, cells })
    }
}

impl Row<'_> {
    pub(super) fn text(&self, column: &str) -> &str {
        let index = self.columns.iter().position(|known| known == column);
        &self.cells[index.unwrap_or_else(|| panic!("no column {column}"))]
    }

    /// The number in a column; nothing where the cell is empty.
    pub(super) fn known(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        (!text.is_empty()).then(|| text.parse().unwrap())
    }

    pub(super) fn number(&self, column: &str) -> f64 {
        self.known(column).unwrap()
    }

    pub(super) fn numbers<const N: usize>(&self, columns: [&str; N]) -> [f64; N] {
        columns.map(|column| self.number(column))
    }
}

#[track_caller]
pub(super) fn assert_near(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((found - expected).abs() <= tolerance, "{what}: {found} is not {expected} ± {tolerance}");
}
