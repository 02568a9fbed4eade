//! The terminal as a screen: taken over, drawn on by differences, and left as it was found, whatever happens.
//!
//! The signs that a terminal is told are those of ECMA-48 and, for the second screen, those of xterm, which all others took over.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::os::fd::OwnedFd;
use std::panic;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, Once, PoisonError};

use ratatui_core::buffer::{Buffer, Cell};
use ratatui_core::layout::Rect;
use ratatui_core::style::{Color, Modifier};
use rustix::fs::{Mode, OFlags};
use rustix::termios::{OptionalActions, Termios, tcgetattr, tcgetwinsize, tcsetattr};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::sync::Notify;

/// The second screen, no cursor, no wrapping in the last column; all of it empty.
const ENTER: &str = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J";
/// The reverse.
const LEAVE: &str = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l";

/// The most columns and rows that are drawn on: a terminal may say any number.
const LARGEST: (u16, u16) = (1000, 500);

/// The most bytes of keys that are read at once.
const CHUNK: usize = 256;

/// The terminal as it was found, while it is taken over. There is one terminal, so there is one of this: a panic must find it.
static FOUND: Mutex<Option<Termios>> = Mutex::new(None);
/// A panic gives the terminal back before it says what happened.
static HOOK: Once = Once::new();
/// Whether there was one, in whichever task: from then on the terminal isn't this program's any more.
static BROKEN: AtomicBool = AtomicBool::new(false);
/// Wakes who waits for that.
static BREAKS: Notify = Notify::const_new();

/// A terminal that is taken over. Dropping it gives it back.
#[derive(Debug)]
pub struct Screen {
    /// The terminal itself, opened anew: waiting for keys must not change how others read what they share with this program.
    keys: AsyncFd<OwnedFd>,
    shown: Buffer,
}

impl Screen {
    /// Takes the terminal over. It must be called from within a runtime.
    ///
    /// # Errors
    /// If there is no terminal, or it can't be set.
    pub fn enter() -> io::Result<Self> {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let keys = rustix::fs::open("/dev/tty", flags, Mode::empty())?;
        let screen = Self { keys: watched(keys)?, shown: Buffer::empty(Rect::default()) };
        HOOK.call_once(|| {
            let before = panic::take_hook();
            panic::set_hook(Box::new(move |what| {
                BROKEN.store(true, Ordering::SeqCst);
                give_back();
                before(what);
                BREAKS.notify_one();
            }));
        });
        screen.take_over()?;
        Ok(screen)
    }

    /// Takes the terminal over again, after it was given back or somebody else has used it. All must be drawn anew.
    ///
    /// # Errors
    /// If it can't be set.
    pub fn enter_again(&mut self) -> io::Result<()> {
        self.shown = Buffer::empty(Rect::default());
        self.take_over()
    }

    fn take_over(&self) -> io::Result<()> {
        let found = tcgetattr(&self.keys)?;
        let mut raw = found.clone();
        raw.make_raw();
        let mut kept = FOUND.lock().unwrap_or_else(PoisonError::into_inner);
        if BROKEN.load(Ordering::SeqCst) {
            return Err(broken());
        }
        kept.get_or_insert(found);
        tcsetattr(&self.keys, OptionalActions::Now, &raw)?;
        say(ENTER)
    }

    /// Waits until a task has panicked, after which the terminal is as it was found, with what the panic said on it. Nothing is lost if the future is dropped.
    pub async fn breaks(&self) {
        if !self.is_broken() {
            BREAKS.notified().await;
        }
    }

    /// Whether one has.
    #[must_use]
    pub fn is_broken(&self) -> bool {
        BROKEN.load(Ordering::SeqCst)
    }

    /// Gives the terminal back for a while.
    pub fn leave(&self) {
        give_back();
    }

    /// Forgets what the terminal shows, so that all is drawn anew.
    pub fn forget(&mut self) {
        self.shown = Buffer::empty(Rect::default());
    }

    /// The keys that were pressed since the last time, as bytes; none once the terminal has gone. Nothing is lost if the future is dropped.
    ///
    /// # Errors
    /// If the terminal can't be read.
    pub async fn read(&self) -> io::Result<Vec<u8>> {
        loop {
            let mut ready = self.keys.readable().await?;
            let mut chunk = [0; CHUNK];
            match ready.try_io(|keys| Ok(rustix::io::read(keys, &mut chunk)?)) {
                Ok(count) => return Ok(chunk.get(..count?).unwrap_or_default().to_vec()),
                Err(_would_block) => {}
            }
        }
    }

    /// Draws a picture as large as the terminal: only what is another than before is written. Gives whether anything was.
    ///
    /// # Errors
    /// If the terminal can't be written, or was given back for a panic.
    pub fn draw(&mut self, picture: impl FnOnce(&mut Buffer)) -> io::Result<bool> {
        let size = tcgetwinsize(&self.keys)?;
        let area = Rect::new(0, 0, size.ws_col.min(LARGEST.0), size.ws_row.min(LARGEST.1));
        let mut text = String::new();
        if self.shown.area != area {
            self.shown = Buffer::empty(area);
            text.push_str("\x1b[0m\x1b[2J");
        }
        let mut next = Buffer::empty(area);
        picture(&mut next);
        write_cells(&mut text, self.shown.diff_iter(&next));
        self.shown = next;
        if text.is_empty() {
            return Ok(false);
        }
        // Whoever panics waits for this, and nothing is written after them.
        let _kept = FOUND.lock().unwrap_or_else(PoisonError::into_inner);
        if BROKEN.load(Ordering::SeqCst) {
            return Err(broken());
        }
        say(&text)?;
        Ok(true)
    }
}

fn broken() -> io::Error {
    io::Error::other("a task has panicked")
}

impl Drop for Screen {
    fn drop(&mut self) {
        give_back();
    }
}

#[expect(deprecated, reason = "unsound only for descriptors that somebody else may close, which this is not")]
fn watched(terminal: OwnedFd) -> io::Result<AsyncFd<OwnedFd>> {
    AsyncFd::with_interest(terminal, Interest::READABLE)
}

/// Gives the terminal back as it was found, if it is taken over. Where it has gone there is nothing to be done.
fn give_back() {
    let mut kept = FOUND.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(found) = kept.take() {
        let _said = say(LEAVE).is_ok();
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let _set = rustix::fs::open("/dev/tty", flags, Mode::empty())
            .and_then(|terminal| tcsetattr(terminal, OptionalActions::Now, &found))
            .is_ok();
    }
}

fn say(text: &str) -> io::Result<()> {
    let mut stdout = io::stdout().lock();
    stdout.write_all(text.as_bytes())?;
    stdout.flush()
}

/// Cells as signs for the terminal: the cursor is moved where they don't follow each other, the style set where it changes.
fn write_cells<'a>(text: &mut String, cells: impl Iterator<Item = (u16, u16, &'a Cell)>) {
    let (mut next, mut style) = (None, None);
    for (x, y, cell) in cells {
        if next != Some((x, y)) {
            // Rows and columns are counted from 1. Writing to a string can't fail.
            let _written = write!(text, "\x1b[{};{}H", y + 1, x + 1).is_ok();
        }
        let wanted = (cell.fg, cell.modifier);
        if style != Some(wanted) {
            push_style(text, wanted);
            style = Some(wanted);
        }
        text.push_str(cell.symbol());
        next = Some((x + ratatui_core::buffer::CellWidth::cell_width(cell.symbol()), y));
    }
    if style.is_some() {
        text.push_str("\x1b[0m");
    }
}

/// The style, from the plain one on (ECMA-48, SGR). Nothing else is drawn with.
fn push_style(text: &mut String, (colour, weight): (Color, Modifier)) {
    text.push_str("\x1b[0");
    if weight.contains(Modifier::BOLD) {
        text.push_str(";1");
    }
    if weight.contains(Modifier::DIM) {
        text.push_str(";2");
    }
    match colour {
        Color::Red => text.push_str(";31"),
        Color::Green => text.push_str(";32"),
        Color::Yellow => text.push_str(";33"),
        _ => {}
    }
    text.push('m');
}

#[cfg(test)]
mod tests {
    use ratatui_core::style::Style;

    use super::*;

    #[test]
    fn only_what_has_changed_is_written_with_its_style_and_the_terminal_is_left_plain() {
        let area = Rect::new(0, 0, 10, 2);
        let (mut one, mut other) = (Buffer::empty(area), Buffer::empty(area));
        one.set_string(0, 0, "203.41", Style::new());
        other.set_string(0, 0, "203.47", Style::new());
        other.set_string(2, 1, "光ok", Style::new().fg(Color::Green).add_modifier(Modifier::BOLD));
        let mut text = String::new();
        write_cells(&mut text, one.diff_iter(&other));
        assert_eq!(text, "\x1b[1;6H\x1b[0m7\x1b[2;3H\x1b[0;1;32m光ok\x1b[0m");
        text.clear();
        write_cells(&mut text, other.diff_iter(&other));
        assert_eq!(text, "");
    }
}
