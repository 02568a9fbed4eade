//! What waits to be written to one client. Bounded: a slow reader loses the oldest notifications of a subscription, and
//! is told which, in the stream at the place of the gap.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_protocol::limits::Limits;
use settled_protocol::message::notification_line;
use settled_protocol::notification::{Missed, MissedWhy};
use tokio::sync::Notify;

use crate::meter_task::Logged;

/// Bytes of answers that may wait; a client that doesn't take them is not read from any further.
const FULL: usize = 1 << 20;

/// Bytes written at once.
const CHUNK: usize = 64 * 1024;

/// The name of a subscription, or of a request that reports progress.
pub(super) type Stream = Arc<str>;

/// Something to write.
#[derive(Debug)]
enum Item {
    /// A line that is never dropped.
    Answer(String),
    /// A reading for a subscription, with or without its spectrum.
    Reading(Stream, Arc<Logged>, bool),
    /// Any other notification of a stream.
    Notice(Stream, String),
    /// What is gone, at its place.
    Gap(Stream, Gap),
}

#[derive(Clone, Copy, Debug)]
struct Gap {
    why: MissedWhy,
    count: u64,
    range: Option<(u64, u64)>,
}

impl Item {
    fn stream(&self) -> Option<&Stream> {
        match self {
            Self::Answer(_) => None,
            Self::Reading(stream, ..) | Self::Notice(stream, _) | Self::Gap(stream, _) => Some(stream),
        }
    }

    fn droppable(&self, of: &Stream) -> bool {
        matches!(self, Self::Reading(stream, ..) | Self::Notice(stream, _) if Arc::ptr_eq(stream, of))
    }
}

#[derive(Debug, Default)]
struct Waiting {
    items: VecDeque<Item>,
    answer_bytes: usize,
    closed: bool,
}

/// One client's outbox.
#[derive(Debug)]
pub(super) struct Outbox {
    most: usize,
    waiting: Mutex<Waiting>,
    filled: Notify,
    emptied: Notify,
}

impl Outbox {
    /// An empty one, in which no more than these limits say may wait.
    pub(super) fn new(limits: &Limits) -> Self {
        let (filled, emptied) = (Notify::new(), Notify::new());
        Self { most: limits.waiting_notifications, waiting: Mutex::default(), filled, emptied }
    }

    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds an answer.
    pub(super) fn answer(&self, line: String) {
        let mut waiting = self.waiting();
        waiting.answer_bytes += line.len();
        waiting.items.push_back(Item::Answer(line));
        drop(waiting);
        self.filled.notify_one();
    }

    /// Adds a reading to a subscription, with or without its spectrum.
    pub(super) fn reading(&self, stream: &Stream, logged: Arc<Logged>, spectra: bool) {
        self.push(stream, Item::Reading(Arc::clone(stream), logged, spectra), self.most);
    }

    /// Adds a notification to a stream.
    pub(super) fn notice(&self, stream: &Stream, line: String) {
        self.push(stream, Item::Notice(Arc::clone(stream), line), self.most);
    }

    /// Adds a notification that makes the stream's earlier ones obsolete: progress, of which only the last counts.
    pub(super) fn latest(&self, stream: &Stream, line: String) {
        let mut waiting = self.waiting();
        waiting.items.retain(|item| !item.droppable(stream));
        waiting.items.push_back(Item::Notice(Arc::clone(stream), line));
        drop(waiting);
        self.filled.notify_one();
    }

    /// Says that some of a subscription's notifications are gone before they came here.
    pub(super) fn lost(&self, stream: &Stream, count: u64) {
        self.gap(stream, Gap { why: MissedWhy::SlowReader, count, range: None });
    }

    /// Says that readings after one sequence and up to another are not to be had from the log.
    pub(super) fn unread(&self, stream: &Stream, after: u64, to: u64) {
        if after < to {
            let range = Some((after + 1, to));
            self.gap(stream, Gap { why: MissedWhy::LogUnavailable, count: to - after, range });
        }
    }

    /// Adds a gap, or makes the one that is the stream's last wider: gaps alone can't pile up.
    fn gap(&self, stream: &Stream, gap: Gap) {
        let mut waiting = self.waiting();
        let of_stream = |item: &&mut Item| item.stream().is_some_and(|of| Arc::ptr_eq(of, stream));
        match waiting.items.iter_mut().rev().find(of_stream) {
            Some(Item::Gap(_, last)) if last.why == gap.why => last.join(gap),
            _ => waiting.items.push_back(Item::Gap(Arc::clone(stream), gap)),
        }
        drop(waiting);
        self.filled.notify_one();
    }

    /// Forgets what still waits for a stream.
    pub(super) fn forget(&self, stream: &Stream) {
        self.waiting().items.retain(|item| item.stream().is_none_or(|other| !Arc::ptr_eq(other, stream)));
    }

    fn push(&self, stream: &Stream, item: Item, most: usize) {
        let mut waiting = self.waiting();
        if waiting.items.len() >= most
            && waiting.items.iter().filter(|item| item.droppable(stream)).count() >= most
        {
            drop_oldest(&mut waiting.items, stream);
        }
        waiting.items.push_back(item);
        drop(waiting);
        self.filled.notify_one();
    }

    /// No more will come: the writer ends once it has written what is here.
    pub(super) fn close(&self) {
        self.waiting().closed = true;
        self.filled.notify_one();
    }

    /// Waits until there is room for more answers.
    pub(super) async fn room(&self) {
        loop {
            // Listens before it looks, so that no change in between is missed.
            let emptied = self.emptied.notified();
            if self.waiting().answer_bytes < FULL {
                return;
            }
            emptied.await;
        }
    }

    /// Waits until nothing of a stream waits any more.
    pub(super) async fn drained(&self, stream: &Stream) {
        loop {
            let emptied = self.emptied.notified();
            if !self.waiting().items.iter().any(|item| item.droppable(stream)) {
                return;
            }
            emptied.await;
        }
    }

    /// The next bytes to write; nothing once the outbox is closed and empty.
    pub(super) async fn next(&self) -> Option<Vec<u8>> {
        loop {
            {
                let mut waiting = self.waiting();
                if !waiting.items.is_empty() {
                    let bytes = take(&mut waiting);
                    drop(waiting);
                    self.emptied.notify_waiters();
                    return Some(bytes);
                }
                if waiting.closed {
                    return None;
                }
            }
            self.filled.notified().await;
        }
    }
}

/// Replaces a stream's oldest notification by the gap it leaves, or widens the gap before it.
fn drop_oldest(items: &mut VecDeque<Item>, stream: &Stream) {
    let Some(oldest) = items.iter().position(|item| item.droppable(stream)) else { return };
    let sequence = match items.get(oldest) {
        Some(Item::Reading(_, logged, _)) => Some(logged.reading.sequence),
        _ => None,
    };
    let before = items
        .iter_mut()
        .take(oldest)
        .rev()
        .find(|item| matches!(item, Item::Gap(of, _) if Arc::ptr_eq(of, stream)));
    let range = sequence.map(|only| (only, only));
    let gap = Gap { why: MissedWhy::SlowReader, count: 1, range };
    match before {
        Some(Item::Gap(_, before)) if before.why == gap.why => {
            before.join(gap);
            items.remove(oldest);
        }
        _ => {
            if let Some(item) = items.get_mut(oldest) {
                *item = Item::Gap(Arc::clone(stream), gap);
            }
        }
    }
}

impl Gap {
    /// Takes in one that comes right after this.
    fn join(&mut self, next: Self) {
        self.count += next.count;
        self.range = match (self.range, next.range) {
            (Some((from, _)), Some((_, to))) => Some((from, to)),
            (range, _) => range,
        };
    }
}

/// Takes out up to a chunk of bytes.
fn take(waiting: &mut Waiting) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(512);
    while bytes.len() < CHUNK {
        let Some(item) = waiting.items.pop_front() else { break };
        if let Item::Answer(line) = &item {
            waiting.answer_bytes -= line.len();
        }
        write(&item, &mut bytes);
        bytes.push(b'\n');
    }
    bytes
}

fn write(item: &Item, bytes: &mut Vec<u8>) {
    match item {
        Item::Answer(line) | Item::Notice(_, line) => bytes.extend_from_slice(line.as_bytes()),
        Item::Reading(stream, logged, spectra) => {
            // The reading's bytes are the same for everyone; stream names are ours and need no escaping.
            for part in [
                r#"{"jsonrpc":"2.0","method":"reading","params":{"subscription":""#,
                stream,
                r#"","reading":"#,
                logged.json(*spectra).get(),
                "}}",
            ] {
                bytes.extend_from_slice(part.as_bytes());
            }
        }
        Item::Gap(stream, Gap { why, count, range }) => {
            let (from, to) = range.unzip();
            let missed = Missed { subscription: stream.to_string(), count: *count, from, to, why: *why };
            bytes.extend_from_slice(notification_line(&missed).unwrap_or_default().as_bytes());
        }
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::quantity::{Light, Photometric};
    use settled_protocol::reading::Reading;
    use settled_protocol::time::Timestamp;

    use super::*;
    use crate::server::LIMITS;

    fn logged(sequence: u64) -> Arc<Logged> {
        let reading = Reading {
            sequence,
            meter: "m".to_owned(),
            at: Timestamp::from_unix_ns(0),
            t_s: 0.0,
            began_s: 0.0,
            boot: String::new(),
            integration_s: None,
            light: Light::amount(Photometric::Luminance, 1.0).unwrap(),
            spectrum: None,
            observer: None,
            bandwidth_nm: None,
            correction: None,
            temperature_c: None,
            flags: Vec::new(),
        };
        Arc::new(Logged::new(reading).unwrap())
    }

    async fn lines(outbox: &Outbox) -> Vec<serde_json::Value> {
        outbox.close();
        let mut bytes = Vec::new();
        while let Some(chunk) = outbox.next().await {
            bytes.extend(chunk);
        }
        String::from_utf8(bytes).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    #[tokio::test]
    async fn a_slow_reader_is_told_what_it_missed_at_the_place_of_the_gap() {
        let outbox = Outbox::new(&LIMITS);
        let (slow, other): (Stream, Stream) = ("s1".into(), "s2".into());
        outbox.reading(&other, logged(1), false);
        let most = LIMITS.waiting_notifications as u64;
        for sequence in 1..=most + 12 {
            outbox.reading(&slow, logged(sequence), false);
        }
        let lines = lines(&outbox).await;
        assert_eq!(lines[0]["params"]["subscription"], "s2");
        assert_eq!(lines[1]["method"], "missed");
        assert_eq!(
            lines[1]["params"],
            serde_json::json!({"subscription": "s1", "count": 12, "from": 1, "to": 12, "why": "slow_reader"})
        );
        assert_eq!(lines[2]["params"]["reading"]["sequence"], 13);
        assert_eq!(lines.len() as u64, 2 + most);
    }

    #[tokio::test]
    async fn what_could_not_be_read_is_told_at_its_place_and_gaps_alone_dont_pile_up() {
        let outbox = Outbox::new(&LIMITS);
        let stream: Stream = "s1".into();
        outbox.reading(&stream, logged(4), false);
        outbox.unread(&stream, 4, 4);
        for to in 10..1000 {
            outbox.unread(&stream, to - 5, to);
        }
        outbox.reading(&stream, logged(1000), false);
        let lines = lines(&outbox).await;
        assert_eq!(lines.len(), 3, "{lines:?}");
        let params = &lines[1]["params"];
        assert_eq!((&params["from"], &params["to"]), (&6.into(), &999.into()));
        assert_eq!(params["why"], "log_unavailable");
    }

    #[tokio::test]
    async fn answers_are_never_dropped() {
        let outbox = Outbox::new(&LIMITS);
        let stream: Stream = "s1".into();
        for sequence in 0..1000 {
            outbox.answer(sequence.to_string());
            outbox.reading(&stream, logged(sequence), false);
        }
        let lines = lines(&outbox).await;
        assert_eq!(lines.iter().filter(|line| line.is_u64()).count(), 1000);
    }
}
