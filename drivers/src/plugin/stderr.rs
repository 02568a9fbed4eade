//! A plugin's standard error, to the daemon's trace: line by line, each with the meter's name, rationed.
//!
//! Who says too much is left out for a while, and told so in the trace. Who floods is read no further for a while: its own pipe holds it
//! up, nobody else.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use settled_protocol::line::{Line, Lines};
use tokio::io::AsyncReadExt;
use tokio::process::ChildStderr;
use tokio::time::{Instant, sleep_until, timeout};

/// Longest line that is traced, in bytes.
const LONGEST: usize = 1024;

/// Bytes read at once.
const CHUNK: usize = 4096;

/// How long a ration lasts.
const WINDOW: Duration = Duration::from_secs(5);

/// Lines in a ration: three long tracebacks.
const MOST_LINES: u32 = 100;

/// Bytes in a ration, traced or not.
const MOST_BYTES: usize = 1 << 20;

/// How long what was said last may take to be read once the plugin has ended.
const LAST_WORDS: Duration = Duration::from_millis(50);

/// What was said longer before the end than this has nothing to do with it.
const LATELY: Duration = Duration::from_secs(1);

/// What may still be said of a meter, and until when that counts: shared by all of its plugins, one after another, so that one
/// which is started again and again says no more than one which runs.
#[derive(Clone, Debug, Default)]
pub struct Ration(Arc<Mutex<Option<Left>>>);

/// What is left of a ration.
#[derive(Clone, Copy, Debug)]
struct Left {
    until: Instant,
    lines: u32,
    bytes: usize,
    left_out: u64,
}

impl Ration {
    /// What is left at `now`, once `spend` has had its share, and how many lines an earlier ration left out.
    fn at(&self, now: Instant, spend: impl FnOnce(&mut Left)) -> (Left, u64) {
        // Nothing panics while it is held; if it did, a ration is a ration.
        let mut held = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let over = held.take_if(|left| now >= left.until).map_or(0, |left| left.left_out);
        let full = Left { until: now + WINDOW, lines: MOST_LINES, bytes: MOST_BYTES, left_out: 0 };
        let left = held.get_or_insert(full);
        spend(left);
        (*left, over)
    }
}

impl Left {
    fn is_used_up(self) -> bool {
        self.bytes == 0
    }

    fn spend(&mut self, bytes: usize) {
        self.bytes = self.bytes.saturating_sub(bytes);
    }

    /// Whether one more line is traced.
    fn line(&mut self) -> bool {
        let traced = self.lines > 0;
        self.lines = self.lines.saturating_sub(1);
        self.left_out += u64::from(!traced);
        traced
    }
}

/// The reading end of a plugin's standard error.
#[derive(Debug)]
pub struct StandardError {
    stream: Option<ChildStderr>,
    meter: String,
    chunk: Vec<u8>,
    lines: Lines,
    ration: Ration,
    /// What was said last, and when.
    last: Option<(Instant, String)>,
}

impl StandardError {
    /// Traces what comes from `stream` as said by the plugin of `meter`.
    #[must_use]
    pub fn new(stream: ChildStderr, meter: &str, ration: Ration) -> Self {
        Self {
            stream: Some(stream),
            meter: meter.to_owned(),
            chunk: vec![0; CHUNK],
            lines: Lines::new(LONGEST),
            ration,
            last: None,
        }
    }

    /// Reads on, and traces what was read. Never comes back once the stream has ended. Dropping the future loses nothing.
    pub async fn listen(&mut self) {
        let Some(stream) = &mut self.stream else { return std::future::pending().await };
        let (left, left_out) = self.ration.at(Instant::now(), |_| {});
        tell(&self.meter, left_out);
        let read = tokio::select! {
            read = stream.read(&mut self.chunk), if !left.is_used_up() => read.unwrap_or(0),
            () = sleep_until(left.until), if left.is_used_up() || left.left_out > 0 => return,
        };
        let (_, left_out) = self.ration.at(Instant::now(), |left| left.spend(read));
        tell(&self.meter, left_out);
        if read == 0 {
            self.stream = None;
            // What had no end ends here.
            self.lines.push(b"\n");
        } else {
            self.lines.push(&self.chunk[..read]);
        }
        while let Some(line) = self.lines.next() {
            self.trace(&line);
        }
    }

    /// What the plugin said last, once it has ended, if that was not long ago; what is still to be read, is.
    pub async fn last_words(&mut self) -> Option<&str> {
        let now = Instant::now();
        let to_the_end = async {
            while self.stream.is_some() {
                self.listen().await;
            }
        };
        // Somebody else may hold the stream open.
        let _all = timeout(LAST_WORDS, to_the_end).await.is_ok();
        self.last.as_ref().filter(|(said, _)| *said + LATELY >= now).map(|(_, words)| words.as_str())
    }

    fn trace(&mut self, line: &Line) {
        let text = match line {
            Line::Whole(bytes) => printable(&String::from_utf8_lossy(bytes), LONGEST),
            Line::TooLong => format!("(a line of more than {LONGEST} bytes)"),
        };
        if text.trim().is_empty() {
            return;
        }
        let mut traced = false;
        let (_, left_out) = self.ration.at(Instant::now(), |left| traced = left.line());
        tell(&self.meter, left_out);
        if traced {
            tracing::warn!(meter = self.meter, "plugin: {text}");
        }
        self.last = Some((Instant::now(), text));
    }
}

/// Tells how many lines a ration that is over has left out.
fn tell(meter: &str, left_out: u64) {
    if left_out > 0 {
        tracing::warn!(meter, left_out, "plugin: lines of standard error were left out");
    }
}

/// Somebody else's words with nothing in them that would move a terminal's cursor, and at most `most` characters.
#[must_use]
pub fn printable(text: &str, most: usize) -> String {
    let mut short: String = text
        .chars()
        .take(most)
        .map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c })
        .collect();
    if text.chars().nth(most).is_some() {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_ration_is_so_many_lines_and_bytes_whoever_says_them_and_then_begins_anew() {
        let start = Instant::now();
        let ration = Ration::default();
        let mut traced = 0;
        for speaker in [ration.clone(), ration.clone()] {
            for _ in 0..125 {
                speaker.at(start, |left| traced += u32::from(left.line()));
            }
        }
        assert_eq!(traced, MOST_LINES);
        let (left, over) = ration.at(start + WINDOW / 2, |left| left.spend(MOST_BYTES + 1));
        assert!(left.is_used_up() && left.left_out == 150 && over == 0);
        let (left, over) = ration.at(start + WINDOW, |left| assert!(left.line()));
        assert!(!left.is_used_up() && left.left_out == 0 && over == 150);
        assert_eq!(ration.at(start + WINDOW * 2, |_| {}).1, 0);
    }

    #[tokio::test]
    async fn words_of_long_before_the_end_are_not_the_last() {
        let speaker = |words: &str| {
            let mut command = tokio::process::Command::new("sh");
            command.args(["-c", words]).stderr(std::process::Stdio::piped()).kill_on_drop(true);
            let mut child = command.spawn().unwrap();
            let stderr = StandardError::new(child.stderr.take().unwrap(), "bench", Ration::default());
            (child, stderr)
        };
        let (_child, mut stderr) = speaker("echo starting >&2; read never");
        stderr.listen().await;
        assert_eq!(stderr.last_words().await, Some("starting"));
        // As if that had been said earlier: nobody waits here.
        let (said, words) = stderr.last.take().unwrap();
        stderr.last = Some((said.checked_sub(LATELY + LAST_WORDS * 2).unwrap(), words));
        assert_eq!(stderr.last_words().await, None);
        let (_child, mut stderr) = speaker("echo what was wrong >&2");
        assert_eq!(stderr.last_words().await, Some("what was wrong"));
    }

    #[test]
    fn words_of_others_move_no_cursor_and_have_an_end() {
        assert_eq!(printable("a\u{1b}[2Jb\tc", 100), "a\u{fffd}[2Jb\u{fffd}c");
        assert_eq!(printable("äöüß", 3), "äöü…");
        assert_eq!(printable("äöü", 3), "äöü");
    }
}
