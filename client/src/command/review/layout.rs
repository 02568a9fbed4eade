//! Text and tables on a page of 80 columns.

use crate::review::figures::Table;
use crate::wrap::behind;

/// Columns of a page: every terminal has as many, and paper too.
const WIDTH: usize = 80;
/// Between two columns of a table.
const GAP: usize = 2;

/// `text` as lines, the first behind `lead`, the others as far in. A number stays with its unit and its interval.
pub(super) fn wrapped(lead: &str, text: &str) -> Vec<String> {
    behind(lead, text, WIDTH)
}

/// A table, `indent` columns in. Where it is too wide for a page its columns follow below each other, the first one each time.
pub(super) fn table(table: &Table, indent: usize) -> Vec<String> {
    let table = &known(table);
    let count = table.columns.len();
    let cell = |row: &[String], column: usize| row.get(column).cloned().unwrap_or_default();
    let width = |column: usize| {
        let cells = table.rows.iter().map(|row| cell(row, column).chars().count());
        cells
            .chain([table.columns.get(column).map_or(0, |head| head.chars().count())])
            .max()
            .unwrap_or_default()
    };
    let widths: Vec<usize> = (0..count).map(width).collect();
    let line = |columns: &[usize], row: &[String]| {
        let cells: Vec<String> = columns
            .iter()
            .map(|column| {
                let (text, width) = (cell(row, *column), widths.get(*column).copied().unwrap_or_default());
                // Names stand at the left, numbers with their last digits below each other.
                if *column == 0 { format!("{text:<width$}") } else { format!("{text:>width$}") }
            })
            .collect();
        format!("{}{}", " ".repeat(indent), cells.join(&" ".repeat(GAP))).trim_end().to_owned()
    };
    let mut lines = Vec::new();
    for columns in pages(&widths, WIDTH.saturating_sub(indent)) {
        if !lines.is_empty() {
            lines.push(String::new());
        }
        lines.push(line(&columns, &table.columns));
        lines.extend(table.rows.iter().map(|row| line(&columns, row)));
    }
    lines
}

/// The same without columns of which nothing is known in any row.
fn known(table: &Table) -> Table {
    let columns = table.columns_known();
    let of = |row: &Vec<String>| {
        columns.iter().map(|column| row.get(*column).cloned().unwrap_or_default()).collect()
    };
    Table {
        title: table.title.clone(),
        columns: of(&table.columns),
        rows: table.rows.iter().map(of).collect(),
    }
}

/// Which columns stand beside each other: the first is on every page, and each page has another one at least.
fn pages(widths: &[usize], room: usize) -> Vec<Vec<usize>> {
    let first = widths.first().copied().unwrap_or_default();
    let mut pages: Vec<Vec<usize>> = Vec::new();
    let mut used = 0;
    for (column, width) in widths.iter().enumerate() {
        match pages.last_mut() {
            Some(page) if used + GAP + width <= room || page.len() < 2 => {
                page.push(column);
                used += GAP + width;
            }
            Some(_) => {
                pages.push(vec![0, column]);
                used = first + GAP + width;
            }
            None => {
                pages.push(vec![column]);
                used = *width;
            }
        }
    }
    pages
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(columns: &[&str], rows: &[&[&str]]) -> Table {
        let owned = |cells: &[&str]| cells.iter().map(|cell| (*cell).to_owned()).collect();
        Table {
            title: String::new(),
            columns: owned(columns),
            rows: rows.iter().map(|row| owned(row)).collect(),
        }
    }

    #[test]
    fn lines_end_before_the_page_does_and_numbers_keep_their_intervals() {
        let text = "peak falls from 610 ± 4 cd/m² at a quarter of the screen's area to 340 ± 3 cd/m² at the whole of it";
        let lines = wrapped("  ! beyond    ", text);
        assert!(lines.len() == 2 && lines.iter().all(|line| line.chars().count() <= WIDTH), "{lines:?}");
        assert!(lines[1].starts_with("              "), "{lines:?}");
        for whole in ["610 ± 4 cd/m²", "340 ± 3 cd/m²"] {
            assert!(lines.iter().any(|line| line.contains(whole)), "{whole}: {lines:?}");
        }
    }

    #[test]
    fn numbers_stand_below_each_other_and_what_is_not_known_is_blank() {
        let lines = table(&made(&["step", "cd/m²"], &[&["black", "0.05"], &["white", "203.5"], &["off"]]), 2);
        assert_eq!(lines, ["  step   cd/m²", "  black   0.05", "  white  203.5", "  off"]);
        let lines = table(&made(&["step", "gamma", "cd/m²"], &[&["black", "", "0.05"]]), 0);
        assert_eq!(lines, ["step   cd/m²", "black   0.05"], "nothing is known of any gamma");
    }

    #[test]
    fn a_table_too_wide_goes_on_below_with_its_first_column_again() {
        let wide = "x".repeat(30);
        let lines = table(&made(&["step", &wide, &wide, &wide], &[&["a", "1", "2", "3"]]), 0);
        assert!(lines.iter().all(|line| line.chars().count() <= WIDTH), "{lines:?}");
        assert_eq!(lines.iter().filter(|line| line.starts_with("step")).count(), 2);
        let numbers: String = lines.concat().chars().filter(char::is_ascii_digit).collect();
        assert_eq!(numbers, "123");
    }
}
