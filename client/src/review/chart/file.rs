//! A chart from a CSV file.

use std::collections::HashMap;
use std::fmt;

use settled_protocol::stage::Range;

use super::Colour;
use crate::review::patch::Coding;
use crate::review::plan::reading::fits_a_line;

/// The most colours that a chart may have: at some 10 s each they take a day.
pub const MOST_COLOURS: usize = 10_000;
/// So many mistakes are named at once: those that follow are mostly the same.
const MOST_MISTAKES: usize = 20;

/// A chart file that isn't one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadChart {
    /// What is wrong with it, from its top; one at least, and no more than twenty.
    pub mistakes: Vec<Mistake>,
}

/// One mistake in a chart file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// The line, from 1.
    pub line: u64,
    /// The column, from 1, where it is in one.
    pub column: Option<usize>,
    /// What is wrong, and what should be there.
    pub why: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(column) = self.column {
            write!(f, ", column {column}")?;
        }
        write!(f, ": {}", self.why)
    }
}

impl fmt::Display for BadChart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words: Vec<String> = self.mistakes.iter().map(Mistake::to_string).collect();
        f.write_str(&words.join("\n"))
    }
}

impl std::error::Error for BadChart {}

/// What the numbers of a file are, as its head says.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Scale {
    Signals,
    Codes(Coding),
}

/// Reads a chart: CSV with a head, one colour a line. Lines that begin with # are notes.
///
/// The head says what the numbers are. `name,r,g,b` are signals from 0 to 1; `name,r8,g8,b8` are code values of 8 bits in full range, so are
/// `r10` … and `r12` … of 10 and 12; `r10_narrow` … are code values in narrow range (ITU-R BT.2100-2, table 9). Narrow code values below black
/// and above white are refused, as there is no aim for them.
///
/// # Errors
/// [`BadChart`], with the line and the column of each mistake.
pub fn read(text: &str) -> Result<Vec<Colour>, BadChart> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(text.as_bytes());
    let head = reader.headers().map_err(|error| alone(mistake(1, None, error.to_string())))?;
    let line = line(text, head.position());
    let heads: Vec<String> = head.iter().map(str::to_lowercase).collect();
    let Some(scale) = scale(&heads) else {
        let found = heads.join(",");
        let why = format!(
            "the head must be name,r,g,b for signals from 0 to 1, or name,r8,g8,b8 (r10, r12; r8_narrow) for code values, \
             with commas between: it is {found:?}"
        );
        return Err(alone(mistake(line, None, why)));
    };
    let mut rows =
        Rows { text, heads, scale, seen: HashMap::new(), colours: Vec::new(), mistakes: Vec::new() };
    for record in reader.records() {
        match record {
            Ok(record) => rows.take(&record),
            Err(error) => {
                rows.mistakes.push(mistake(self::line(text, error.position()), None, error.to_string()))
            }
        }
        if rows.mistakes.len() >= MOST_MISTAKES {
            break;
        }
    }
    rows.finish(line)
}

/// What the head's columns are in; nothing where they are no head of ours.
fn scale(heads: &[String]) -> Option<Scale> {
    let [name, colours @ ..] = heads else { return None };
    let [r, g, b] = colours else { return None };
    let (r, g, b) = (r.strip_prefix('r')?, g.strip_prefix('g')?, b.strip_prefix('b')?);
    if name != "name" || r != g || g != b {
        return None;
    }
    let (bits, range) = r.strip_suffix("_narrow").map_or((r, Range::Full), |bits| (bits, Range::Narrow));
    match (bits, range) {
        ("", Range::Full) => Some(Scale::Signals),
        ("8" | "10" | "12", _) => Some(Scale::Codes(Coding { bits: bits.parse().ok()?, range })),
        _ => None,
    }
}

impl Scale {
    /// The signal that `cell` says, or what should be there instead.
    fn signal(self, cell: &str) -> Result<f64, String> {
        match self {
            Self::Signals => {
                let signal = cell.parse::<f64>().ok().filter(|signal| (0.0..=1.0).contains(signal));
                signal.ok_or_else(|| "a signal from 0 to 1".to_owned())
            }
            Self::Codes(coding) => {
                let (black, white) = (coding.code(0.0), coding.code(1.0));
                let code = cell.parse::<u16>().ok().filter(|code| (black..=white).contains(code));
                code.map(|code| coding.signal(code))
                    .ok_or_else(|| format!("a whole code value from {black} to {white}"))
            }
        }
    }
}

/// The line, from 1, of a record that begins at `position` or behind the notes and empty lines there.
fn line(text: &str, position: Option<&csv::Position>) -> u64 {
    let begin = position.and_then(|position| usize::try_from(position.byte()).ok()).unwrap_or(0);
    let (before, behind) = text.split_at_checked(begin).unwrap_or((text, ""));
    let skipped = behind.lines().take_while(|line| line.is_empty() || line.starts_with('#')).count();
    let before = before.bytes().filter(|byte| *byte == b'\n').count();
    u64::try_from(before + skipped).unwrap_or(u64::MAX).saturating_add(1)
}

/// The rows of a file, as they are read.
struct Rows<'a> {
    text: &'a str,
    heads: Vec<String>,
    scale: Scale,
    /// Where each name was first.
    seen: HashMap<String, csv::Position>,
    colours: Vec<Colour>,
    mistakes: Vec<Mistake>,
}

impl Rows<'_> {
    fn take(&mut self, record: &csv::StringRecord) {
        let text = self.text;
        let line = || self::line(text, record.position());
        if record.len() != self.heads.len() {
            let why = format!("there should be {} columns, there are {}", self.heads.len(), record.len());
            self.mistakes.push(mistake(line(), None, why));
            return;
        }
        let before = self.mistakes.len();
        let name = record.get(0).unwrap_or_default();
        if name.is_empty() {
            self.mistakes.push(mistake(line(), Some(1), "the colour has no name".to_owned()));
        } else if !fits_a_line(name) {
            let why = format!("a colour's name has 1 to 80 characters on one line, it is {name:?}");
            self.mistakes.push(mistake(line(), Some(1), why));
        } else if let Some(first) = self.seen.get(name) {
            let first = self::line(text, Some(first));
            let why = format!("{name:?} is what the colour of line {first} is called");
            self.mistakes.push(mistake(line(), Some(1), why));
        } else if let Some(position) = record.position() {
            self.seen.insert(name.to_owned(), position.clone());
        }
        let mut signal = [0.0; 3];
        for (index, place) in signal.iter_mut().enumerate() {
            let column = index + 1;
            let cell = record.get(column).unwrap_or_default();
            match self.scale.signal(cell) {
                Ok(found) => *place = found,
                Err(expected) => {
                    let head = self.heads.get(column).map_or("", String::as_str);
                    let why = format!("{head} should be {expected}, it is {cell:?}");
                    self.mistakes.push(mistake(line(), Some(column + 1), why));
                }
            }
        }
        if self.colours.len() >= MOST_COLOURS {
            self.mistakes.push(mistake(line(), None, format!("a chart has {MOST_COLOURS} colours at most")));
        } else if before == self.mistakes.len() {
            self.colours.push(Colour { name: name.to_owned(), signal });
        }
    }

    fn finish(mut self, head: u64) -> Result<Vec<Colour>, BadChart> {
        if self.colours.is_empty() && self.mistakes.is_empty() {
            self.mistakes.push(mistake(head, None, "there are no colours below the head".to_owned()));
        }
        self.mistakes.truncate(MOST_MISTAKES);
        if self.mistakes.is_empty() { Ok(self.colours) } else { Err(BadChart { mistakes: self.mistakes }) }
    }
}

fn mistake(line: u64, column: Option<usize>, why: String) -> Mistake {
    Mistake { line, column, why }
}

fn alone(mistake: Mistake) -> BadChart {
    BadChart { mistakes: vec![mistake] }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> Vec<String> {
        read(text).unwrap_err().mistakes.iter().map(Mistake::to_string).collect()
    }

    #[test]
    fn signals_are_read_as_they_are_and_notes_are_passed_over() {
        let colours = read("# ours\nname,r,g,b\nskin, 0.8,0.6,0.5\n\"leaf, dark\",0.2,0.3,0.1\r\n").unwrap();
        assert_eq!(colours[0], Colour { name: "skin".into(), signal: [0.8, 0.6, 0.5] });
        assert_eq!(colours[1].name, "leaf, dark");
        assert_eq!(colours.len(), 2);
    }

    #[test]
    fn code_values_are_those_of_the_depth_and_range_that_the_head_says() {
        // ITU-R BT.2100-2, table 9: 64 is black and 940 white of 10 bits in narrow range, 502 half way.
        assert_eq!(
            read("name,r10_narrow,g10_narrow,b10_narrow\na,64,502,940").unwrap()[0].signal,
            [0.0, 0.5, 1.0]
        );
        assert_eq!(read("name,r8,g8,b8\na,0,51,255").unwrap()[0].signal, [0.0, 0.2, 1.0]);
        assert_eq!(read("\u{feff}Name,R12,G12,B12\na,0,819,4095").unwrap()[0].signal, [0.0, 0.2, 1.0]);
    }

    #[test]
    fn every_mistake_is_named_with_its_line_and_column() {
        let text = "name,r,g,b\nred,1,0,0\n,1,0,NaN\nred,0,-1,0\r\n# note\n\ngreen,0,1\n";
        let expected = [
            "line 3, column 1: the colour has no name",
            "line 3, column 4: b should be a signal from 0 to 1, it is \"NaN\"",
            "line 4, column 1: \"red\" is what the colour of line 2 is called",
            "line 4, column 3: g should be a signal from 0 to 1, it is \"-1\"",
            "line 7: there should be 4 columns, there are 3",
        ];
        assert_eq!(refused(text), expected);
        let text = "name,r10_narrow,g10_narrow,b10_narrow\na,63,64.5,941";
        let whole = |column: usize, head: &str, cell: &str| {
            format!(
                "line 2, column {column}: {head}10_narrow should be a whole code value from 64 to 940, it is {cell:?}"
            )
        };
        assert_eq!(refused(text), [whole(2, "r", "63"), whole(3, "g", "64.5"), whole(4, "b", "941")]);
    }

    #[test]
    fn a_name_that_would_do_more_than_name_its_colour_is_refused() {
        for name in ["red\u{1b}[2J", "\"two\nlines\"", "nul\0", "\u{9b}31m", &"x".repeat(81)] {
            let told = refused(&format!("name,r,g,b\n{name},1,0,0\n"));
            assert!(
                told.len() == 1 && told[0].starts_with("line 2, column 1: a colour's name has"),
                "{told:?}"
            );
            assert!(!told[0].contains(char::is_control), "{told:?}");
        }
        assert!(read(&format!("name,r,g,b\n{},1,0,0\n", "é".repeat(80))).is_ok());
    }

    #[test]
    fn a_file_without_the_right_head_or_without_colours_is_refused() {
        for text in ["", "name;r;g;b\na;1;0;0", "r,g,b\n1,0,0", "name,r8,g10,b8\na,1,0,0", "name,r9,g9,b9\n"]
        {
            assert!(refused(text)[0].contains("the head must be name,r,g,b"), "{text:?}");
        }
        assert_eq!(refused("name,r,g,b\n"), ["line 1: there are no colours below the head"]);
        assert_eq!(refused(&format!("name,r,g,b\n{}", "a,2,0,0\n".repeat(50))).len(), 20);
    }
}
