//! Recording what passes on every meter's link, into one file: see drivers/RECORDINGS.md.
//!
//! Whoever has something to record puts it into a bounded queue and goes on; a thread of its own writes. Where the disk is
//! behind, what doesn't fit is counted, and the count stands in the file at its place. Where the disk fails, recording ends, and
//! nothing else does.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use settled_drivers::clock::Clock as _;
use settled_drivers::driver::Driver;
use settled_drivers::recording::line::{About, Entry, Event, FORMAT, Header, Line};
use settled_drivers::recording::{Recorded, Recorder, Tap};

use crate::clock::Clock;
use crate::config::{Config, MeterConfig};
use crate::daemon::VERSION;

mod progress;
mod sink;

pub use progress::Progress;
use sink::Sink;

/// Entries that may wait for the disk: some seconds of the busiest meter, and at most some 10 MB.
const WAITING: usize = 4096;

/// Who may read a recording: it holds serial numbers.
const MODE: u32 = 0o600;

/// How large a recording grows unless told otherwise, in bytes.
pub const USUAL_LIMIT: u64 = 1 << 30;

/// The smallest limit that makes sense, in bytes.
pub const LEAST_LIMIT: u64 = 1 << 16;

/// Times are told to the microsecond.
const MICRO: f64 = 1e6;

/// What the writer gets.
#[derive(Debug)]
enum Order {
    Write(Line),
    /// So many entries are missing here.
    Lost(u64),
}

/// The way into the file. It never makes anybody wait.
#[derive(Debug)]
struct Queue {
    clock: Arc<Clock>,
    start_s: f64,
    progress: Progress,
    waiting: Mutex<Waiting>,
}

/// Sending and counting what could not be sent belong together.
#[derive(Debug)]
struct Waiting {
    /// Nothing once recording is to end.
    sender: Option<SyncSender<Order>>,
    /// Entries that found no room since the last one that did.
    lost: u64,
}

/// A recording that goes on.
#[derive(Debug)]
pub struct Recording {
    queue: Arc<Queue>,
    writer: JoinHandle<()>,
}

impl Recorder for Queue {
    fn record(&self, meter: &Arc<str>, event: Event) {
        if self.progress.is_over() {
            return;
        }
        let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let t_s = ((self.clock.now_s() - self.start_s) * MICRO).round() / MICRO;
        waiting.send(Line::Entry(Entry { t_s, meter: meter.as_ref().to_owned(), event }));
    }
}

impl Waiting {
    fn send(&mut self, line: Line) {
        let Some(sender) = &self.sender else { return };
        if self.lost > 0 {
            if sender.try_send(Order::Lost(self.lost)).is_err() {
                self.lost += 1;
                return;
            }
            self.lost = 0;
        }
        if let Err(TrySendError::Full(_)) = sender.try_send(Order::Write(line)) {
            self.lost += 1;
        }
    }
}

impl Recording {
    /// Begins a recording of the config's meters in a new file that grows to at most `limit` bytes.
    ///
    /// # Errors
    /// If the file is there already or can't be made, or the thread can't be started.
    pub fn begin(path: &Path, limit: u64, config: &Config, clock: &Arc<Clock>) -> std::io::Result<Self> {
        let file = OpenOptions::new().write(true).create_new(true).mode(MODE).open(path)?;
        let recording = Self::over(Sink::of(file, limit, path), clock)?;
        let mut waiting = recording.queue.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let (at, clock_speed) = (clock.now().at.to_string(), clock.info().speed);
        let daemon = VERSION.to_owned();
        waiting.send(Line::Recording(Header { format: FORMAT, daemon, at, clock_speed }));
        for MeterConfig { id, driver, .. } in &config.meters {
            let settings = config.written.iter().find(|(of, _)| of == id);
            waiting.send(Line::Meter(About {
                meter: id.clone(),
                driver: driver.name().to_owned(),
                source: driver.source(),
                settings: settings.map(|(_, text)| text.clone()).unwrap_or_default(),
                profile: driver.profile_text(),
            }));
        }
        drop(waiting);
        Ok(recording)
    }

    fn over<W: Write + Send + 'static>(sink: Sink<W>, clock: &Arc<Clock>) -> std::io::Result<Self> {
        let (sender, orders) = sync_channel(WAITING);
        let progress = sink.progress.clone();
        let writer = std::thread::Builder::new()
            .name("recording".to_owned())
            .spawn(move || sink.write_all(&orders))?;
        let waiting = Mutex::new(Waiting { sender: Some(sender), lost: 0 });
        let queue = Queue { clock: Arc::clone(clock), start_s: clock.now_s(), progress, waiting };
        Ok(Self { queue: Arc::new(queue), writer })
    }

    /// How it gets on.
    #[must_use]
    pub fn progress(&self) -> Progress {
        self.queue.progress.clone()
    }

    /// The meter, recorded.
    #[must_use]
    pub fn of(&self, meter: MeterConfig) -> MeterConfig {
        let recorder: Arc<dyn Recorder> = self.queue.clone();
        let driver: Arc<dyn Driver> =
            Arc::new(Recorded::new(Arc::clone(&meter.driver), Tap::new(&meter.id, recorder)));
        MeterConfig { driver, ..meter }
    }

    /// Ends it, and waits until all of it is written.
    pub fn end(self) {
        let mut waiting = self.queue.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let (sender, lost) = (waiting.sender.take(), std::mem::take(&mut waiting.lost));
        drop(waiting);
        if let Some(sender) = sender.filter(|_| lost > 0) {
            // A writer that has ended needs to know no more.
            let _told = sender.send(Order::Lost(lost)).is_ok();
        }
        // A writer that panicked has said so.
        let _written = self.writer.join().is_ok();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, Sender, channel};

    use settled_drivers::recording::line::{Call, Note};
    use settled_drivers::recording::reader::{Happening, Reader};

    use super::*;

    /// A disk of so many bytes, that writes once it may.
    struct Disk {
        room: usize,
        written: Arc<Mutex<Vec<u8>>>,
        allowed: Option<Receiver<()>>,
    }

    impl Write for Disk {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            if let Some(allowed) = &self.allowed {
                let _ever = allowed.recv().is_ok();
            }
            let mut written = self.written.lock().unwrap();
            let room = self.room - written.len();
            if room == 0 {
                return Err(std::io::ErrorKind::StorageFull.into());
            }
            written.extend_from_slice(&bytes[..room.min(bytes.len())]);
            Ok(room.min(bytes.len()))
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    fn disk(room: usize) -> (Disk, Arc<Mutex<Vec<u8>>>) {
        let written = Arc::default();
        (Disk { room, written: Arc::clone(&written), allowed: None }, written)
    }

    fn begin(disk: Disk, limit: u64) -> (Recording, Arc<str>) {
        let recording =
            Recording::over(Sink::of(disk, limit, Path::new("r.jsonl")), &Arc::new(Clock::system())).unwrap();
        let header = Header { format: 1, daemon: String::new(), at: String::new(), clock_speed: 1.0 };
        recording.queue.waiting.lock().unwrap().send(Line::Recording(header));
        (recording, "bench".into())
    }

    fn event() -> Event {
        Event::Done { call: Call::Zero }
    }

    fn happenings(written: &Mutex<Vec<u8>>) -> Vec<Happening> {
        let written = written.lock().unwrap();
        let mut reader = Reader::new(written.as_slice()).unwrap();
        std::iter::from_fn(|| reader.next_happening().unwrap()).collect()
    }

    #[test]
    fn what_is_recorded_is_there_in_order_and_the_end_says_so() {
        let (disk, written) = disk(usize::MAX);
        let (recording, bench) = begin(disk, USUAL_LIMIT);
        for _ in 0..3 {
            recording.queue.record(&bench, event());
        }
        recording.end();
        let found = happenings(&written);
        let times: Vec<f64> = found
            .iter()
            .filter_map(|happening| match happening {
                Happening::Entry(entry) => Some(entry.t_s),
                Happening::Note(_) => None,
            })
            .collect();
        assert!(times.len() == 3 && times.is_sorted() && times[0] >= 0.0, "{times:?}");
        assert_eq!(found.last(), Some(&Happening::Note(Note::End { why: "stopped".to_owned() })));
    }

    #[test]
    fn where_the_disk_is_behind_a_gap_says_exactly_how_much_is_missing() {
        let (mut disk, written) = disk(usize::MAX);
        let (allow, allowed): (Sender<()>, _) = channel();
        disk.allowed = Some(allowed);
        let (recording, bench) = begin(disk, USUAL_LIMIT);
        let asked = 3 * WAITING;
        for _ in 0..asked {
            recording.queue.record(&bench, event());
        }
        // The disk is itself again.
        drop(allow);
        settle(&recording);
        recording.queue.record(&bench, event());
        recording.end();
        let (mut entries, mut missing) = (0, 0);
        for happening in happenings(&written) {
            match happening {
                Happening::Entry(_) => entries += 1,
                Happening::Note(Note::Gap { lost }) => missing += usize::try_from(lost).unwrap(),
                Happening::Note(Note::End { .. }) => {}
            }
        }
        assert!(missing > 0, "nothing was lost: nobody was behind");
        assert_eq!(entries + missing, asked + 1);
    }

    /// Waits until there is room in the queue again.
    fn settle(recording: &Recording) {
        let waiting = &recording.queue.waiting;
        loop {
            let mut waiting = waiting.lock().unwrap();
            let lost = waiting.lost;
            let sender = waiting.sender.as_ref().unwrap();
            if sender.try_send(Order::Lost(lost)).is_ok() {
                waiting.lost = 0;
                return;
            }
            drop(waiting);
            std::thread::yield_now();
        }
    }

    #[test]
    fn a_full_disk_ends_the_recording_and_what_was_written_is_good() {
        let (disk, written) = disk(600);
        let (recording, bench) = begin(disk, USUAL_LIMIT);
        for _ in 0..1000 {
            recording.queue.record(&bench, event());
        }
        let progress = recording.progress();
        recording.end();
        let status = progress.status();
        assert!(progress.is_over() && !status.writing && status.reason.unwrap().contains("writing failed"));
        assert_eq!(written.lock().unwrap().len(), 600);
        // The last line is torn off; those before it are whole.
        let found = happenings(&written);
        assert!(found.len() > 3 && found.iter().all(|it| matches!(it, Happening::Entry(_))), "{found:?}");
    }

    #[test]
    fn a_recording_ends_at_its_limit_and_says_so() {
        let (disk, written) = disk(usize::MAX);
        let (recording, bench) = begin(disk, 2000);
        for _ in 0..1000 {
            recording.queue.record(&bench, event());
        }
        let progress = recording.progress();
        recording.end();
        let status = progress.status();
        assert!(!status.writing && status.reason.unwrap().contains("limit"));
        assert_eq!(status.bytes, u64::try_from(written.lock().unwrap().len()).unwrap());
        assert!(status.bytes <= 2000);
        let end = Some(Happening::Note(Note::End { why: "limit".to_owned() }));
        assert_eq!(happenings(&written).last().cloned(), end);
    }
}
