//! A curve in text, for when people would rather look than read.
//!
//! Each character cell holds 2 × 4 dots of braille (Unicode block U+2800), or one `*` (`-` for a level) where only ASCII will do.

/// How a plot looks.
#[derive(Clone, Copy, Debug)]
pub struct Plot<'a> {
    /// Columns of the curve itself, without the axis.
    pub width: usize,
    /// Rows of the curve itself.
    pub height: usize,
    /// Horizontal lines at these values, such as a band.
    pub levels: &'a [f64],
    /// Only ASCII.
    pub ascii: bool,
    /// From where to where the axis below goes; from the first point to the last where that isn't said.
    pub across: Option<(f64, f64)>,
}

/// Dots of a braille cell, by column and row.
const DOTS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

/// What a cell of ASCII holds.
const POINT: u8 = 1;
const LEVEL: u8 = 2;
const RANGE: u8 = 4;

/// Columns that the axis takes, its line included.
const AXIS: usize = 11;

impl Plot<'_> {
    /// The rows, top first, with the values of the axis. Points are `(x, y)`; what isn't finite is left out. Empty without points.
    #[must_use]
    pub fn rows(&self, points: &[(f64, f64)]) -> Vec<String> {
        self.rows_with_ranges(points, &[])
    }

    /// The same, with ranges `(x, low, high)` behind the points: thinner than those, where braille will do.
    #[must_use]
    pub fn rows_with_ranges(&self, points: &[(f64, f64)], ranges: &[(f64, f64, f64)]) -> Vec<String> {
        let ends = ranges.iter().flat_map(|(x, low, high)| [(*x, *low), (*x, *high)]);
        let all: Vec<(f64, f64)> = points.iter().copied().chain(ends).collect();
        let finite = |(x, y): &(f64, f64)| x.is_finite() && y.is_finite();
        let known = || points.iter().copied().filter(finite);
        let Some(frame) = self.frame(all.iter().copied().filter(finite)) else {
            return Vec::new();
        };
        let (columns, lines) =
            if self.ascii { (self.width, self.height) } else { (2 * self.width, 4 * self.height) };
        let mut cells = vec![vec![0_u8; self.width]; self.height];
        let mut dot = |x: f64, y: f64, plain: u8| {
            let (column, line) = (index(x, columns), index(1.0 - y, lines));
            let (cell, bit) = if self.ascii {
                ((column, line), plain)
            } else {
                ((column / 2, line / 4), DOTS[column % 2][line % 4])
            };
            if let Some(cell) = cells.get_mut(cell.1).and_then(|row| row.get_mut(cell.0)) {
                *cell |= bit;
            }
        };
        for level in self.levels {
            for column in (0..columns).step_by(3) {
                dot(position(column, columns), frame.y(*level), LEVEL);
            }
        }
        for (x, low, high) in ranges {
            let (low, high) = (frame.y(*low), frame.y(*high));
            let (bottom, top) = (index(low, lines), index(high, lines));
            let column = index(frame.x(*x), columns);
            // Every other dot, so that neighbouring bars are no area.
            for line in (bottom..=top).filter(|line| self.ascii || (line + column).is_multiple_of(2)) {
                dot(frame.x(*x), position(line, lines), RANGE);
            }
        }
        let points: Vec<(f64, f64)> = known().map(|(x, y)| (frame.x(x), frame.y(y))).collect();
        let filled = if ranges.is_empty() { Vec::new() } else { between(&points, columns, lines) };
        for (x, y) in points.into_iter().chain(filled) {
            dot(x, y, POINT);
        }
        cells
            .iter()
            .enumerate()
            .map(|(row, cells)| {
                self.label(&frame, row) + &cells.iter().map(|cell| self.glyph(*cell)).collect::<String>()
            })
            .collect()
    }

    /// What is drawn; nothing without points.
    fn frame(&self, points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Frame> {
        let frame = Frame::around(points, self.levels)?;
        let (left, right) = self.across.unwrap_or((frame.left, frame.right));
        Some(Frame { left, right, ..frame })
    }

    /// The unit of the axis, for the line above the rows.
    #[must_use]
    pub fn unit(&self, unit: &str) -> String {
        format!("{unit:>width$}", width = AXIS - 2)
    }

    /// The axis between the rows and the foot, with marks `(x, sign)` on it. Nothing without points.
    #[must_use]
    pub fn axis(&self, points: &[(f64, f64)], marks: &[(f64, char)]) -> Option<String> {
        let known = points.iter().copied().filter(|(x, y)| x.is_finite() && y.is_finite());
        let frame = self.frame(known)?;
        let (corner, line) = if self.ascii { ('+', '-') } else { ('└', '─') };
        let mut signs = vec![line; self.width];
        for (x, mark) in marks {
            if let Some(sign) = signs.get_mut(index(frame.x(*x), self.width)) {
                *sign = *mark;
            }
        }
        let signs: String = signs.into_iter().collect();
        Some(format!("{corner:>AXIS$}{signs}"))
    }

    /// The axis below: its ends, `from` and `to`, in words.
    #[must_use]
    pub fn foot(&self, from: &str, to: &str) -> String {
        let gap = self.width.saturating_sub(from.chars().count() + to.chars().count());
        format!("{}{from}{}{to}", " ".repeat(AXIS), " ".repeat(gap.max(1)))
    }

    fn label(&self, frame: &Frame, row: usize) -> String {
        let bar = if self.ascii { '|' } else { '│' };
        let value = match row {
            0 => crate::show::number(frame.top),
            row if row + 1 == self.height => crate::show::number(frame.bottom),
            _ => String::new(),
        };
        format!("{value:>width$} {bar}", width = AXIS - 2)
    }

    fn glyph(&self, cell: u8) -> char {
        match (cell, self.ascii) {
            (0, _) => ' ',
            (LEVEL, true) => '-',
            (plain, true) if plain & POINT == 0 => ':',
            (_, true) => '*',
            (dots, false) => char::from_u32(0x2800 + u32::from(dots)).unwrap_or('*'),
        }
    }
}

/// What the plot spans.
struct Frame {
    left: f64,
    right: f64,
    bottom: f64,
    top: f64,
}

impl Frame {
    fn around(points: impl Iterator<Item = (f64, f64)> + Clone, levels: &[f64]) -> Option<Self> {
        points.clone().next()?;
        let xs = points.clone().map(|(x, _)| x);
        let ys = points.map(|(_, y)| y).chain(levels.iter().copied());
        let least = |values: &mut dyn Iterator<Item = f64>| values.fold(f64::INFINITY, f64::min);
        let most = |values: &mut dyn Iterator<Item = f64>| values.fold(f64::NEG_INFINITY, f64::max);
        Some(Self {
            left: least(&mut xs.clone()),
            right: most(&mut xs.clone()),
            bottom: least(&mut ys.clone()),
            top: most(&mut ys.clone()),
        })
    }

    fn x(&self, x: f64) -> f64 {
        share(x, self.left, self.right)
    }

    fn y(&self, y: f64) -> f64 {
        share(y, self.bottom, self.top)
    }
}

/// What makes a line of points in neighbouring columns: shares of the width and height, as the points are.
fn between(points: &[(f64, f64)], columns: usize, lines: usize) -> Vec<(f64, f64)> {
    let place = |(x, y): (f64, f64)| (index(x, columns), index(y, lines));
    let pairs = points.windows(2).filter(|pair| place(pair[1]).0.abs_diff(place(pair[0]).0) <= 1);
    let filled = pairs.flat_map(|pair| {
        let (from, to) = (place(pair[0]).1, place(pair[1]).1);
        (from.min(to)..=from.max(to)).map(|line| (pair[1].0, position(line, lines)))
    });
    filled.collect()
}

/// Where `value` lies from `low` (0) to `high` (1); the middle if they are one.
fn share(value: f64, low: f64, high: f64) -> f64 {
    if high > low { (value - low) / (high - low) } else { 0.5 }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "clamped to the plot's columns or lines"
)]
fn index(share: f64, count: usize) -> usize {
    ((share * count as f64) as usize).min(count.saturating_sub(1))
}

#[expect(clippy::cast_precision_loss, reason = "columns are few")]
fn position(column: usize, columns: usize) -> f64 {
    (column as f64 + 0.5) / columns as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_climbs_from_corner_to_corner() {
        let plot = Plot { width: 5, height: 5, levels: &[], ascii: true, across: None };
        let points: Vec<(f64, f64)> = (0..40).map(|i| (f64::from(i), f64::from(i))).collect();
        let rows = plot.rows(&points);
        let curve: Vec<&str> = rows.iter().map(|row| row.split('|').nth(1).unwrap()).collect();
        assert_eq!(curve, ["    *", "   * ", "  *  ", " *   ", "*    "]);
        assert!(rows[0].contains("39.000") && rows[4].starts_with("        0 |"), "{rows:?}");
    }

    #[test]
    fn marks_stand_where_they_belong_and_levels_are_told_from_points() {
        let plot = Plot { width: 10, height: 3, levels: &[0.0, 2.0], ascii: true, across: None };
        let points: Vec<(f64, f64)> = (0..=10).map(|i| (f64::from(i), 1.0)).collect();
        let axis = plot.axis(&points, &[(0.0, '^'), (10.0, 'v')]).unwrap();
        assert_eq!(axis.trim_start(), "+^--------v");
        let rows = plot.rows(&points);
        assert!(axis.len() == rows[0].len() && axis.find('+') == rows[0].find('|'), "{rows:?}");
        assert!(rows[0].contains('-') && rows[1].contains('*') && !rows[1].contains('-'), "{rows:?}");
        assert!(plot.axis(&[], &[]).is_none() && plot.unit("lx").ends_with("lx"));
    }

    #[test]
    fn ranges_stand_behind_their_points_and_nothing_stands_in_a_gap() {
        let plot = Plot { width: 12, height: 5, levels: &[], ascii: true, across: None };
        let xs = || (0..12_u32).filter(|x| !(4..8).contains(x)).map(f64::from);
        let points: Vec<(f64, f64)> = xs().map(|x| (x, 1.0)).collect();
        let ranges: Vec<(f64, f64, f64)> = xs().map(|x| (x, 0.0, 2.0)).collect();
        let rows = plot.rows_with_ranges(&points, &ranges);
        let curve: Vec<&str> = rows.iter().map(|row| row.split('|').nth(1).unwrap()).collect();
        assert_eq!(curve, ["::::    ::::", "::::    ::::", "****    ****", "::::    ::::", "::::    ::::"]);
        assert!(rows[0].contains("2.0000") && rows[4].trim_start().starts_with("0 |"), "{rows:?}");
        let fine = Plot { ascii: false, ..plot }.rows_with_ranges(&points, &ranges);
        let dots =
            |row: &str| row.chars().map(|c| (u32::from(c).max(0x2800) - 0x2800).count_ones()).sum::<u32>();
        assert!(dots(&fine[2]) > 1 && dots(&fine[0]) > 0 && fine[0].contains("    "), "{fine:?}");
    }

    #[test]
    fn each_point_has_its_range_in_whichever_half_of_a_cell_it_lies() {
        let plot = Plot { width: 8, height: 5, levels: &[], ascii: false, across: None };
        for column in 0..16 {
            let at = |column: i32| f64::from(column);
            let points: Vec<(f64, f64)> = [0, column, 16].map(|column| (at(column), 1.0)).to_vec();
            let rows = plot.rows_with_ranges(&points, &[(at(column), 0.0, 2.0)]);
            for row in [&rows[0], &rows[4]] {
                let curve: String =
                    row.split('│').nth(1).unwrap().chars().filter(|sign| *sign != ' ').collect();
                assert_eq!(curve.chars().count(), 1, "{column}: {rows:?}");
            }
        }
    }

    #[test]
    fn a_level_line_of_one_value_lies_in_the_middle_and_nothing_gives_nothing() {
        let plot = Plot { width: 10, height: 3, levels: &[], ascii: false, across: None };
        let rows = plot.rows(&[(0.0, 7.0), (1.0, 7.0)]);
        assert!(rows[1].chars().any(|c| ('\u{2801}'..='\u{28ff}').contains(&c)), "{rows:?}");
        assert!(plot.rows(&[(f64::NAN, 1.0)]).is_empty());
        assert_eq!(plot.foot("18:00", "06:00").chars().count(), AXIS + 11);
    }
}
