//! What goes to the terminal or the pipe. The only place that writes there.

use std::borrow::Cow;
use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};

use anstream::ColorChoice;
use anstream::adapter::strip_str;
use anstyle::{AnsiColor, Style};
use serde::Serialize;

use crate::wrap::{broken, cut};

/// For what went well.
pub const GOOD: Style = AnsiColor::Green.on_default().bold();
/// For what one should look at.
pub const CAUTION: Style = AnsiColor::Yellow.on_default().bold();
/// For what went wrong.
pub const BAD: Style = AnsiColor::Red.on_default().bold();
/// For the value that was asked for.
pub const STRONG: Style = Style::new().bold();
/// For what is only there to be complete.
pub const FAINT: Style = Style::new().dimmed();

/// Whether a status stands on the terminal, of which a process has one: whatever else is written there takes it away first.
static STATUS: AtomicBool = AtomicBool::new(false);

/// Standard output and standard error, for people or for scripts.
#[derive(Clone, Copy, Debug, Default)]
pub struct Output {
    /// The protocol's own objects, one a line, instead of words.
    pub json: bool,
    /// No progress: nothing that only says how far something is.
    pub quiet: bool,
}

/// `text` in a style; pipes and NO_COLOR get it plain.
#[must_use]
pub fn styled(style: Style, text: &str) -> String {
    format!("{style}{text}{style:#}")
}

impl Output {
    /// Writes a line of words; one that is too wide for a terminal is broken between them.
    ///
    /// # Errors
    /// If standard output is closed.
    pub fn line(self, text: &str) -> std::io::Result<()> {
        let text = fitted(text, Self::columns());
        self.make_way();
        let mut stdout = anstream::stdout().lock();
        writeln!(stdout, "{text}")?;
        stdout.flush()
    }

    /// Writes an object as one line of JSON.
    ///
    /// # Errors
    /// If standard output is closed.
    pub fn object(self, value: &impl Serialize) -> std::io::Result<()> {
        let text = serde_json::to_string(value)?;
        self.make_way();
        let mut stdout = std::io::stdout().lock();
        writeln!(stdout, "{text}")?;
        stdout.flush()
    }

    /// Writes bytes as they are.
    ///
    /// # Errors
    /// If standard output is closed.
    pub fn raw(self, bytes: &[u8]) -> std::io::Result<()> {
        self.make_way();
        let mut stdout = std::io::stdout().lock();
        stdout.write_all(bytes)?;
        stdout.flush()
    }

    /// Writes a line to standard error. Nothing depends on whether it gets through.
    pub fn aside(self, text: &str) {
        let columns = columns_of(std::io::stderr()).filter(|_| !self.json);
        let text = fitted(text, columns);
        self.end_status();
        let _written = writeln!(anstream::stderr(), "{text}").is_ok();
    }

    /// Writes what isn't the answer, but worth knowing, to standard error: in words, or as an object.
    pub fn note(self, words: &str, object: &impl Serialize) {
        if self.json {
            self.aside(&serde_json::to_string(object).unwrap_or_default());
        } else {
            self.aside(words);
        }
    }

    /// Shows a status in place of the last one, where standard error is a terminal and progress is wanted. What is wider than that is cut.
    pub fn status(self, text: &str) {
        if Self::has_status() && !self.quiet {
            show_in_place(1, &[text.to_owned()]);
            STATUS.store(!text.is_empty(), Ordering::Relaxed);
        }
    }

    /// Shows lines in place of as many as were `shown` the last time, where standard error is a terminal and progress is wanted. What is wider than that is
    /// cut, and not wrapped: the next lines would come at the wrong place.
    pub fn status_lines(self, shown: usize, lines: &[String]) {
        if Self::has_status() && !self.quiet {
            show_in_place(shown, lines);
        }
    }

    /// Takes the status away, if there is one.
    pub fn end_status(self) {
        if STATUS.swap(false, Ordering::Relaxed) {
            show_in_place(1, &[]);
        }
    }

    /// Takes the status away before something is written to the same terminal.
    fn make_way(self) {
        if std::io::stdout().is_terminal() {
            self.end_status();
        }
    }

    /// Whether standard output goes into an ordinary file, where nobody sees it come.
    #[must_use]
    pub fn fills_a_file() -> bool {
        let stat = rustix::fs::fstat(std::io::stdout());
        stat.is_ok_and(|stat| rustix::fs::FileType::from_raw_mode(stat.st_mode).is_file())
    }

    /// How wide the terminal is that standard output is, if it is one.
    #[must_use]
    pub fn columns() -> Option<usize> {
        columns_of(std::io::stdout())
    }

    /// Whether a status can be shown in place: on a terminal whose cursor can be moved.
    #[must_use]
    pub fn has_status() -> bool {
        std::io::stderr().is_terminal() && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
    }
}

/// Writes lines over as many as were `shown`, each in a row of its own. Where no colour is wanted the cursor moves all the same.
fn show_in_place(shown: usize, lines: &[String]) {
    let columns = columns_of(std::io::stderr()).unwrap_or(usize::MAX);
    let text = lines.iter().map(|line| cut(line, columns)).collect::<Vec<_>>().join("\r\n");
    let text = if is_ascii_locale() { text.replace('…', "~") } else { text };
    let text = match anstream::stderr().current_choice() {
        ColorChoice::Never => strip_str(&text).to_string(),
        _ => text,
    };
    let up = if shown > 1 { format!("\x1b[{}A", shown - 1) } else { String::new() };
    let mut stderr = std::io::stderr().lock();
    let _written = write!(stderr, "\x1b[?7l{up}\r\x1b[J{text}\x1b[?7h").and_then(|()| stderr.flush()).is_ok();
}

fn columns_of(stream: impl std::os::fd::AsFd) -> Option<usize> {
    let size = rustix::termios::tcgetwinsize(stream).ok()?;
    Some(usize::from(size.ws_col)).filter(|columns| *columns > 0)
}

fn fitted(text: &str, columns: Option<usize>) -> Cow<'_, str> {
    columns.map_or(Cow::Borrowed(text), |columns| Cow::Owned(broken(text, columns)))
}

/// Whether the locale names an encoding other than UTF-8. One that isn't set says nothing.
#[must_use]
pub fn is_ascii_locale() -> bool {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|value| !value.is_empty()));
    locale.is_some_and(|locale| !names_utf8(&locale))
}

fn names_utf8(locale: &str) -> bool {
    let locale = locale.to_ascii_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_locale_that_names_another_encoding_wants_ascii() {
        let wants: Vec<bool> =
            ["C", "POSIX", "de_DE.ISO-8859-1", "C.UTF-8", "en_GB.utf8"].map(names_utf8).to_vec();
        assert_eq!(wants, [false, false, false, true, true]);
    }
}
