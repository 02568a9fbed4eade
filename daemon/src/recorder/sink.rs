//! The file of a recording: written until nobody has anything to record any more, or nothing more can be written.

use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::mpsc::{Receiver, TryRecvError};

use settled_drivers::recording::line::{Line, Note};

use super::{Order, Progress};

/// Kept free for the last line.
const ROOM_FOR_THE_END: u64 = 256;

/// Where it is written to, and how much may still be.
#[derive(Debug)]
pub(super) struct Sink<W: Write> {
    file: BufWriter<W>,
    left: u64,
    pub(super) progress: Progress,
}

/// Why no more is written.
enum Full {
    Limit,
    Disk(std::io::Error),
}

impl<W: Write> Sink<W> {
    pub(super) fn of(file: W, limit: u64, path: &Path) -> Self {
        Self {
            file: BufWriter::new(file),
            left: limit.saturating_sub(ROOM_FOR_THE_END),
            progress: Progress::of(path),
        }
    }

    /// Writes until nobody has anything to record any more, or nothing more can be written.
    pub(super) fn write_all(mut self, orders: &Receiver<Order>) {
        let end = self.obey(orders);
        let ended = match end {
            Ok(()) => self.finish("stopped"),
            Err(Full::Limit) => {
                tracing::warn!("the recording has reached its limit and ends; the daemon goes on");
                self.finish("limit").inspect(|()| self.progress.end("it has reached its limit".to_owned()))
            }
            Err(Full::Disk(error)) => Err(error),
        };
        if let Err(error) = ended {
            self.progress.end(format!("writing failed: {error}"));
            tracing::error!(%error, "the recording can't be written and ends; the daemon goes on");
            // What is left in the buffer is not tried again.
            let (_file, _unwritten) = self.file.into_parts();
        }
    }

    fn obey(&mut self, orders: &Receiver<Order>) -> Result<(), Full> {
        loop {
            let order = match orders.try_recv() {
                Ok(order) => order,
                Err(TryRecvError::Disconnected) => return Ok(()),
                // Nobody is kept waiting by it: what was written so far survives the daemon's death from here on.
                Err(TryRecvError::Empty) => {
                    self.file.flush().map_err(Full::Disk)?;
                    match orders.recv() {
                        Ok(order) => order,
                        Err(_) => return Ok(()),
                    }
                }
            };
            let line = match order {
                Order::Write(line) => line.written().unwrap_or_else(|| written(Note::Gap { lost: 1 })),
                Order::Lost(lost) => written(Note::Gap { lost }),
            };
            let length = u64::try_from(line.len()).unwrap_or(u64::MAX);
            self.left = self.left.checked_sub(length).ok_or(Full::Limit)?;
            self.file.write_all(line.as_bytes()).map_err(Full::Disk)?;
            self.progress.wrote(length);
        }
    }

    fn finish(&mut self, why: &str) -> std::io::Result<()> {
        let line = written(Note::End { why: why.to_owned() });
        self.file.write_all(line.as_bytes())?;
        self.file.flush()?;
        self.progress.wrote(u64::try_from(line.len()).unwrap_or(u64::MAX));
        Ok(())
    }
}

/// A note is always short enough.
fn written(note: Note) -> String {
    Line::Note(note).written().unwrap_or_default()
}
