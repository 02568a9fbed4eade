//! What waits to be written to one client. Bounded: a slow reader loses the oldest notifications of a subscription, and
//! is told which, in the stream at the place of the gap.
//!
//! Answers and streams take turns in the order in which they had something to say. What a stream says at its turn is the oldest
//! that it has by then, so that whatever it costs to drop something, it doesn't grow with what others have waiting.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::Stream;
use super::item::{Gap, Item};

/// Bytes written at once.
const CHUNK: usize = 64 * 1024;

/// Gaps of a stream that are told apart by their reasons; beyond, the next is counted to the one before it. Reasons take turns only
/// where the log fails again and again while nobody reads.
const MOST_GAPS: usize = 64;

#[derive(Debug)]
enum Turn {
    /// A piece of a line that is never dropped.
    Answer(String),
    Of(Stream),
}

impl Turn {
    /// Whether it is worth being copied, to be written together with what comes before it.
    fn is_short(&self) -> bool {
        !matches!(self, Self::Answer(piece) if piece.len() >= CHUNK)
    }
}

/// What a stream has to say.
#[derive(Debug, Default)]
struct Says {
    items: VecDeque<Item>,
    gaps: usize,
    /// Its turns to come: at least one for each item.
    turns: usize,
}

/// What waits.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    /// Notifications of a stream that may wait.
    most: usize,
    /// Bytes of notifications that may wait, all streams together.
    most_bytes: usize,
    turns: VecDeque<Turn>,
    streams: HashMap<Stream, Says>,
    answer_bytes: usize,
    /// Bytes of all streams' items.
    notice_bytes: usize,
    /// Lines on their way, of which the first bytes are written.
    begun: Vec<u8>,
    written: usize,
    over: bool,
    /// Notifications that gave way.
    missed: Arc<AtomicU64>,
}

impl Waiting {
    pub(super) fn new(most: usize, most_bytes: usize) -> Self {
        Self { most, most_bytes, ..Self::default() }
    }

    /// Counts what gives way here, too.
    pub(super) fn counting(&mut self, missed: &Arc<AtomicU64>) {
        self.missed = Arc::clone(missed);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.turns.is_empty() && self.written == self.begun.len()
    }

    /// Whether no more will come.
    pub(super) fn is_over(&self) -> bool {
        self.over
    }

    pub(super) fn answer_bytes(&self) -> usize {
        self.answer_bytes
    }

    /// Bytes of notifications, all streams together.
    #[cfg(test)]
    pub(super) fn notice_bytes(&self) -> usize {
        self.notice_bytes
    }

    /// Whether anything of a stream waits.
    pub(super) fn holds(&self, stream: &Stream) -> bool {
        self.streams.contains_key(stream)
    }

    /// Whether a notification of so many bytes can be added without another giving way to it.
    pub(super) fn takes(&self, bytes: usize) -> bool {
        self.notice_bytes == 0 || self.notice_bytes + bytes <= self.most_bytes
    }

    /// Begins with a line, in parts, where nothing waits.
    pub(super) fn begin(&mut self, parts: &[&str]) {
        (self.begun, self.written) = (parts.concat().into_bytes(), 0);
    }

    /// Adds an answer: a line, in pieces.
    pub(super) fn answer(&mut self, mut line: Vec<String>) {
        if let Some(last) = line.last_mut() {
            last.push('\n');
        }
        self.answer_bytes += line.iter().map(String::len).sum::<usize>();
        self.turns.extend(line.into_iter().map(Turn::Answer));
    }

    /// Adds something of a stream. Its oldest give way where there are too many of them, or too many bytes in all; where none is
    /// left, it is gone itself.
    pub(super) fn push(&mut self, stream: &Stream, item: Item) {
        let bytes = item.bytes();
        if self.streams.get(stream).is_some_and(|says| says.droppable() >= self.most) {
            self.drop_oldest(stream);
        }
        while !self.takes(bytes) {
            if !self.drop_oldest(stream) {
                self.missed.fetch_add(1, Ordering::Relaxed);
                return self.gap(stream, item.gone());
            }
        }
        self.notice_bytes += bytes;
        let says = self.streams.entry(Stream::clone(stream)).or_default();
        says.items.push_back(item);
        self.grant(stream);
    }

    /// Adds a gap, or makes the one that is the stream's last wider: gaps alone can't pile up.
    pub(super) fn gap(&mut self, stream: &Stream, gap: Gap) {
        let says = self.streams.entry(Stream::clone(stream)).or_default();
        says.items.push_back(Item::Gap(gap));
        says.gaps += 1;
        if let Some(before) = says.items.len().checked_sub(2) {
            says.join(before);
        }
        self.grant(stream);
    }

    /// Gives a stream a turn for what it has.
    fn grant(&mut self, stream: &Stream) {
        let Some(says) = self.streams.get_mut(stream) else { return };
        if says.turns < says.items.len() {
            says.turns += 1;
            self.turns.push_back(Turn::Of(Stream::clone(stream)));
        }
    }

    /// Replaces a stream's oldest notification by the gap it leaves, or widens the gap before it. False if it has none.
    fn drop_oldest(&mut self, stream: &Stream) -> bool {
        let Some(says) = self.streams.get_mut(stream) else { return false };
        let Some(bytes) = says.drop_oldest() else { return false };
        self.notice_bytes -= bytes;
        self.missed.fetch_add(1, Ordering::Relaxed);
        true
    }

    /// Forgets what waits for a stream.
    pub(super) fn forget(&mut self, stream: &Stream) {
        if let Some(says) = self.streams.remove(stream) {
            self.notice_bytes -= says.items.iter().map(Item::bytes).sum::<usize>();
            self.turns.retain(|turn| !matches!(turn, Turn::Of(of) if of == stream));
        }
    }

    /// No more will come.
    pub(super) fn close(&mut self) {
        self.over = true;
    }

    /// Nobody is there to write to: forgets everything.
    pub(super) fn give_up(&mut self) {
        *self = Self { over: true, ..Self::default() };
    }

    /// The bytes to write next; nothing if nothing waits.
    pub(super) fn chunk(&mut self) -> Option<&[u8]> {
        if self.written == self.begun.len() {
            // What was written is kept no longer: a connection that idles holds no bytes.
            (self.begun, self.written) = (self.take(), 0);
        }
        self.begun.get(self.written..).filter(|bytes| !bytes.is_empty())
    }

    /// So many of these bytes are written. Whether all are.
    pub(super) fn wrote(&mut self, count: usize) -> bool {
        self.written += count;
        if self.written < self.begun.len() {
            return false;
        }
        (self.begun, self.written) = (Vec::new(), 0);
        true
    }

    /// Takes out lines, up to a chunk of bytes.
    fn take(&mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        while bytes.len() < CHUNK
            && (bytes.is_empty() || self.turns.front().is_some_and(Turn::is_short))
            && let Some(turn) = self.turns.pop_front()
        {
            match turn {
                Turn::Answer(piece) => {
                    self.answer_bytes -= piece.len();
                    // A long one is written as it is.
                    if bytes.is_empty() {
                        bytes = piece.into_bytes();
                    } else {
                        bytes.extend_from_slice(piece.as_bytes());
                    }
                }
                Turn::Of(stream) => self.say(&stream, &mut bytes),
            }
        }
        bytes
    }

    /// A stream's turn.
    fn say(&mut self, stream: &Stream, bytes: &mut Vec<u8>) {
        let Some(says) = self.streams.get_mut(stream) else { return };
        says.turns -= 1;
        // Gaps that became one leave a turn without words.
        if let Some(item) = says.items.pop_front() {
            says.gaps -= usize::from(matches!(item, Item::Gap(_)));
            self.notice_bytes -= item.bytes();
            item.write(stream, bytes);
        }
        if says.turns == 0 {
            self.streams.remove(stream);
        }
    }
}

impl Says {
    /// Its notifications that may give way.
    fn droppable(&self) -> usize {
        self.items.len() - self.gaps
    }

    /// Drops the oldest, which leaves a gap; gives its bytes. Nothing if it has none.
    fn drop_oldest(&mut self) -> Option<usize> {
        let oldest = self.items.iter().position(|item| !matches!(item, Item::Gap(_)))?;
        let item = self.items.get_mut(oldest)?;
        let (bytes, gap) = (item.bytes(), item.gone());
        *item = Item::Gap(gap);
        self.gaps += 1;
        // With what is gone before it and after it, it is one gap.
        self.join(oldest);
        if let Some(before) = oldest.checked_sub(1) {
            self.join(before);
        }
        Some(bytes)
    }

    /// Makes a gap and the one right after it one, where they are for one reason, or where there are too many to tell apart.
    fn join(&mut self, index: usize) {
        let many = self.gaps > MOST_GAPS;
        let Some(&Item::Gap(next)) = self.items.get(index + 1) else { return };
        let Some(Item::Gap(gap)) = self.items.get_mut(index) else { return };
        if gap.why == next.why || many {
            gap.join(next);
            self.items.remove(index + 1);
            self.gaps -= 1;
        }
    }
}
