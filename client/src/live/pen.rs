//! Words into the cells of a screen, within what the terminal can show: with or without colour, in Unicode or in ASCII.

use std::borrow::Cow;

use ratatui_core::buffer::{Buffer, CellWidth};
use ratatui_core::layout::Rect;
use ratatui_core::style::{Color, Modifier, Style};

use super::view::{Said, Tone};

/// What the terminal can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Means {
    /// Whether there may be colours. Weight is told apart all the same.
    pub colour: bool,
    /// Only ASCII.
    pub ascii: bool,
}

/// Writes into a buffer.
#[derive(Debug)]
pub struct Pen<'a> {
    buffer: &'a mut Buffer,
    means: Means,
}

impl<'a> Pen<'a> {
    /// Into this buffer.
    pub fn new(buffer: &'a mut Buffer, means: Means) -> Self {
        Self { buffer, means }
    }

    /// What the terminal can show.
    #[must_use]
    pub fn means(&self) -> Means {
        self.means
    }

    /// How a tone looks.
    #[must_use]
    pub fn style(&self, tone: Tone) -> Style {
        let bold = Style::new().add_modifier(Modifier::BOLD);
        let coloured = |colour: Color| if self.means.colour { bold.fg(colour) } else { bold };
        match tone {
            Tone::Plain => Style::new(),
            Tone::Good => coloured(Color::Green),
            Tone::Caution => coloured(Color::Yellow),
            Tone::Bad => coloured(Color::Red),
            Tone::Strong => bold,
            Tone::Faint => Style::new().add_modifier(Modifier::DIM),
        }
    }

    /// Writes words from a place on, in no more than `width` columns: what doesn't fit is cut off, with a sign. Gives the column behind them.
    pub fn text(&mut self, (x, y): (u16, u16), width: u16, tone: Tone, words: &str) -> u16 {
        let area = *self.buffer.area();
        if y < area.top() || y >= area.bottom() || x < area.left() || x >= area.right() {
            return x;
        }
        let width = usize::from(width.min(area.right() - x));
        let words = self.in_means(words);
        let words = cut(&words, width, self.more());
        let style = self.style(tone);
        self.buffer.set_stringn(x, y, words, width, style).0
    }

    /// The same, ending at a column.
    pub fn text_right(&mut self, (right, y): (u16, u16), width: u16, tone: Tone, words: &str) {
        let length = self.columns(words).min(width);
        self.text((right.saturating_sub(length), y), length, tone, words);
    }

    /// Several words in a row, two columns apart, for as long as there is room; none of them is begun that can't be ended.
    pub fn row(&mut self, (mut x, y): (u16, u16), width: u16, parts: &[Said]) -> u16 {
        let end = x.saturating_add(width);
        for (index, (tone, words)) in parts.iter().enumerate() {
            if index > 0 {
                x = x.saturating_add(2);
            }
            if x >= end {
                return end;
            }
            // A single word that is too long isn't begun, and of several no more than are whole.
            let is_room = self.columns(first_word(words)) + 2 <= end - x || self.columns(words) <= end - x;
            x = self.text((x, y), end - x, *tone, if is_room { words } else { self.more() });
        }
        x
    }

    /// Words of parts that stand two columns apart: no part is begun that can't be ended, but the first, and a sign says that there are more.
    pub fn parts(&mut self, (x, y): (u16, u16), width: u16, tone: Tone, words: &str) -> u16 {
        let fits = |words: &str| self.columns(words) <= width;
        if fits(words) {
            return self.text((x, y), width, tone, words);
        }
        let ends = words.match_indices("  ").map(|(end, _)| end);
        let whole = ends.filter_map(|end| words.get(..end)).map(|part| format!("{part}  {}", self.more()));
        match whole.filter(|whole| fits(whole)).last() {
            Some(whole) => self.text((x, y), width, tone, &whole),
            None => self.text((x, y), width, tone, words),
        }
    }

    /// The sign that there is more.
    #[must_use]
    pub fn more(&self) -> &'static str {
        if self.means.ascii { "~" } else { "…" }
    }

    /// The columns that words take, as they are written.
    #[must_use]
    pub fn columns(&self, words: &str) -> u16 {
        u16::try_from(columns(&self.in_means(words))).unwrap_or(u16::MAX)
    }

    /// Words over no more than as many lines as an area has; the rest is cut off. Gives how many lines they took.
    pub fn paragraph(&mut self, area: Rect, tone: Tone, words: &str) -> u16 {
        self.paragraph_and(area, tone, words, "")
    }

    /// The same; where some of it is cut off, `more` says at its end how the rest is had.
    pub fn paragraph_and(&mut self, area: Rect, tone: Tone, words: &str, more: &str) -> u16 {
        let lines = self.wrapped(words, area.width);
        let room = usize::from(area.height);
        for (index, (y, line)) in area.rows().map(|row| row.y).zip(&lines).enumerate() {
            if index + 1 == room && lines.len() > room {
                let rest = lines.get(index..).unwrap_or_default().join(" ");
                let (left, length) = (area.width.saturating_sub(self.columns(more)), self.columns(more));
                let end = self.text((area.x, y), left, tone, &rest);
                self.text((end, y), length, tone, more);
            } else {
                self.text((area.x, y), area.width, tone, line);
            }
        }
        u16::try_from(lines.len().min(room)).unwrap_or(area.height)
    }

    /// Words as lines of no more than so many columns.
    #[must_use]
    pub fn wrapped(&self, words: &str, width: u16) -> Vec<String> {
        wrapped(&self.in_means(words), usize::from(width))
    }

    /// A line across, with a title in it.
    pub fn rule(&mut self, (x, y): (u16, u16), width: u16, title: &str) {
        let line = "─".repeat(usize::from(width));
        self.text((x, y), width, Tone::Faint, &line);
        if !title.is_empty() {
            self.text((x.saturating_add(2), y), width.saturating_sub(2), Tone::Strong, &format!(" {title} "));
        }
    }

    /// One sign at a place.
    pub fn sign(&mut self, (x, y): (u16, u16), tone: Tone, sign: char) {
        let mut text = [0; 4];
        let text = sign.encode_utf8(&mut text);
        self.text((x, y), 1, tone, text);
    }

    fn in_means<'w>(&self, words: &'w str) -> Cow<'w, str> {
        if self.means.ascii && !words.is_ascii() { Cow::Owned(in_ascii(words)) } else { Cow::Borrowed(words) }
    }
}

/// The columns that words take.
fn columns(words: &str) -> usize {
    usize::from(words.cell_width())
}

fn first_word(words: &str) -> &str {
    words.split(' ').next().unwrap_or_default()
}

/// Words in no more than so many columns, with a sign at the end where some are cut off: behind a whole word, unless there is only one.
fn cut<'a>(words: &'a str, width: usize, sign: &str) -> Cow<'a, str> {
    if columns(words) <= width {
        return Cow::Borrowed(words);
    }
    let mut short = String::new();
    for letter in words.chars() {
        let mut longer = short.clone();
        longer.push(letter);
        if columns(&longer) + 1 > width {
            break;
        }
        short = longer;
    }
    // What is cut in the middle of a word ends with the word before it; a number is one with its sign and its unit.
    let whole = |joined: &str| joined.get(..short.len())?.rfind(' ').filter(|end| *end > 0);
    if let Some(whole) = whole(&joined(words, "\0")).or_else(|| whole(words)) {
        short.truncate(whole + 1);
    }
    if width > 0 {
        short.push_str(sign);
    }
    Cow::Owned(short)
}

/// A number with its sign and its unit as one word, by what is put in the place of the spaces between them.
fn joined(words: &str, by: &str) -> String {
    words
        .replace(" %", &format!("{by}%"))
        .replace(" ± ", &format!("{by}±{by}"))
        .replace(" +/- ", &format!("{by}+/-{by}"))
}

/// Lines of no more than so many columns. A number stays with its sign and its unit.
fn wrapped(words: &str, width: usize) -> Vec<String> {
    let words = joined(words, "\u{a0}");
    let mut lines: Vec<String> = Vec::new();
    for word in words.split(' ').filter(|word| !word.is_empty()) {
        match lines.last_mut() {
            Some(line) if columns(line) + 1 + columns(word) <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.iter().map(|line| line.replace('\u{a0}', " ")).collect()
}

/// The same in signs that every terminal has.
#[must_use]
pub fn in_ascii(words: &str) -> String {
    let mut plain = String::new();
    for sign in words.chars() {
        match sign {
            '±' => plain.push_str("+/-"),
            '²' => plain.push('2'),
            '°' => plain.push_str(" deg"),
            '′' | '’' | '‘' => plain.push('\''),
            '“' | '”' => plain.push('"'),
            '▲' => plain.push('^'),
            '▽' | '▼' => plain.push('v'),
            '▸' => plain.push('>'),
            '─' | '━' | '–' | '╌' => plain.push('-'),
            '┄' | '═' => plain.push('='),
            '│' => plain.push('|'),
            '└' | '┴' | '┤' | '├' => plain.push('+'),
            '\u{a0}' => plain.push(' '),
            '…' => plain.push_str("..."),
            sign if sign.is_ascii() => plain.push(sign),
            _ => plain.push('?'),
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(width: u16, means: Means, write: impl FnOnce(&mut Pen<'_>)) -> String {
        let mut buffer = Buffer::empty(Rect::new(0, 0, width, 3));
        write(&mut Pen::new(&mut buffer, means));
        let rows = buffer.content().chunks(usize::from(width));
        let lines: Vec<String> = rows
            .map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>().trim_end().to_owned())
            .collect();
        lines.join("\n").trim_end().to_owned()
    }

    const RICH: Means = Means { colour: true, ascii: false };
    const POOR: Means = Means { colour: false, ascii: true };

    #[test]
    fn what_does_not_fit_is_cut_off_with_a_sign_and_never_written_elsewhere() {
        assert_eq!(
            written(8, RICH, |pen| {
                pen.text((2, 0), 99, Tone::Plain, "luminance");
            }),
            "  lumin…"
        );
        assert_eq!(
            written(8, POOR, |pen| {
                pen.text((0, 1), 5, Tone::Plain, "a ± b");
            }),
            "\na ~"
        );
        assert_eq!(
            written(8, RICH, |pen| {
                pen.text((8, 0), 5, Tone::Plain, "x");
            }),
            ""
        );
        assert_eq!(
            written(8, RICH, |pen| {
                pen.text((0, 9), 5, Tone::Plain, "x");
            }),
            ""
        );
        // A sign that is two columns wide is not cut in half.
        assert_eq!(
            written(4, RICH, |pen| {
                pen.text((0, 0), 4, Tone::Plain, "a光光光");
            }),
            "a光 …"
        );
    }

    #[test]
    fn no_word_is_cut_in_the_middle_where_another_is_whole() {
        let text = |words: &str| {
            written(16, RICH, |pen| {
                pen.text((0, 0), 16, Tone::Plain, words);
            })
        };
        assert_eq!(text("luminance drifts by 4 %"), "luminance …");
        assert_eq!(text("luminance drift"), "luminance drift");
        assert_eq!(text("chromaticities-of-all"), "chromaticities-…");
        let row = |words: &[&str]| {
            let parts: Vec<Said> = words.iter().map(|words| (Tone::Plain, (*words).to_owned())).collect();
            written(16, RICH, |pen| {
                pen.row((0, 0), 16, &parts);
            })
        };
        assert_eq!(row(&["SIMULATED", "MEASURING"]), "SIMULATED  …");
        assert_eq!(row(&["SIMULATED", "ZERO"]), "SIMULATED  ZERO");
        let poor: Vec<Said> =
            ["SIMULATED", "MEASURING"].map(|words| (Tone::Plain, words.to_owned())).to_vec();
        let written = written(16, POOR, |pen| {
            pen.row((0, 0), 16, &poor);
        });
        assert_eq!(written, "SIMULATED  ~");
        assert_eq!(row(&["ABSENT", "the port has gone"]), "ABSENT  the …");
    }

    #[test]
    fn words_from_elsewhere_bring_no_control_characters_to_the_terminal() {
        assert_eq!(
            written(12, RICH, |pen| {
                pen.text((0, 0), 12, Tone::Plain, "a\x1b[31mb\r\nc");
            }),
            "a[31mbc"
        );
    }

    #[test]
    fn a_paragraph_keeps_numbers_whole_and_says_where_it_is_cut_off() {
        let text = "drifted by +0.02 ± 0.10 % per 60 s and so on";
        let lines = written(20, RICH, |pen| {
            pen.paragraph(Rect::new(0, 0, 20, 3), Tone::Plain, text);
        });
        assert_eq!(lines, "drifted by\n+0.02 ± 0.10 % per\n60 s and so on");
        let cut = written(20, RICH, |pen| {
            pen.paragraph(Rect::new(0, 0, 20, 2), Tone::Plain, text);
        });
        assert_eq!(cut, "drifted by\n+0.02 ± 0.10 % per …");
    }
}
