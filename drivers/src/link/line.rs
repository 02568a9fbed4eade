//! Lines over a link: whatever an instrument does, reading from it ends within a deadline and within bounds.

use std::time::Duration;

use tokio::time::{Instant, timeout, timeout_at};

use super::{Link, at_once};
use crate::fault::{Fault, FaultKind};

/// Longest answer, in bytes: some fifty times what a reading takes.
const LONGEST: usize = 4096;

/// Bytes that are drained before the line is given up.
const MOST_DRAINED: usize = 1 << 20;

/// How lines end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Endings {
    /// What ends a command.
    pub sent: Vec<u8>,
    /// What ends an answer.
    pub answered: Vec<u8>,
}

/// A link that is spoken to in lines.
#[derive(Debug)]
pub struct LineLink {
    link: Box<dyn Link>,
    endings: Endings,
    held: Vec<u8>,
    /// The last command, for messages.
    sent: String,
}

impl LineLink {
    /// Lines over `link`.
    #[must_use]
    pub fn new(link: Box<dyn Link>, endings: Endings) -> Self {
        Self { link, endings, held: Vec::new(), sent: String::new() }
    }

    /// Sends a command. Whatever the instrument said unasked before that is no answer to it, and is dropped.
    ///
    /// # Errors
    /// `Gone`; `Silent` if the command can't be got rid of within `limit`.
    pub async fn send(&mut self, command: &str, limit: Duration) -> Result<(), Fault> {
        self.drop_pending().await?;
        command.clone_into(&mut self.sent);
        let mut bytes = command.as_bytes().to_vec();
        bytes.extend_from_slice(&self.endings.sent);
        let late =
            |_| Fault::new(FaultKind::Silent, format!("sending {command:?} took longer than {limit:?}"));
        timeout(limit, self.link.send(&bytes)).await.map_err(late)?
    }

    /// The next line, without its end, until `deadline`.
    ///
    /// # Errors
    /// `Gone`; `Silent` without a whole line by then; `Garbled` if it is longer than 4096 bytes or not text.
    pub async fn line(&mut self, deadline: Instant) -> Result<String, Fault> {
        loop {
            if let Some(line) = self.whole_line() {
                return String::from_utf8(line).map_err(|error| {
                    let bytes = excerpt(&String::from_utf8_lossy(error.as_bytes()));
                    Fault::new(FaultKind::Garbled, format!("the answer is not text: {bytes}"))
                });
            }
            if self.held.len() > LONGEST {
                self.held = Vec::new();
                return Err(Fault::new(
                    FaultKind::Garbled,
                    format!("the answer is longer than {LONGEST} bytes"),
                ));
            }
            match timeout_at(deadline, self.link.receive(&mut self.held)).await {
                Ok(received) => received?,
                Err(_) => return Err(self.silent()),
            }
        }
    }

    /// Whether `line` is the last command, come back.
    #[must_use]
    pub fn is_echo(&self, line: &str) -> bool {
        !self.sent.is_empty() && line.trim_end() == self.sent
    }

    /// Drops what comes until nothing has come for `quiet`, and `due` has passed: by then what was asked for has come, if it
    /// ever does.
    ///
    /// # Errors
    /// `Gone`; `Garbled` if it doesn't stop within `limit` or within a million bytes.
    pub async fn drain(&mut self, quiet: Duration, due: Instant, limit: Duration) -> Result<(), Fault> {
        if !self.link.speaks_unasked() {
            return self.reset(limit).await;
        }
        let deadline = due.max(Instant::now()) + limit;
        let mut drained = 0;
        while drained < MOST_DRAINED && Instant::now() < deadline {
            drained += std::mem::take(&mut self.held).len();
            let silent_at = due.max(Instant::now() + quiet);
            match timeout_at(silent_at, self.link.receive(&mut self.held)).await {
                Ok(received) => received?,
                Err(_) => return Ok(()),
            }
        }
        Err(Fault::new(FaultKind::Garbled, "the instrument doesn't stop talking"))
    }

    /// Waits until the instrument is no longer there, while nobody talks to it.
    pub async fn departed(&mut self) -> Fault {
        self.link.departed().await
    }

    async fn reset(&mut self, limit: Duration) -> Result<(), Fault> {
        self.held.clear();
        let late = |_| {
            Fault::new(FaultKind::Silent, format!("putting the link in order took longer than {limit:?}"))
        };
        timeout(limit, self.link.reset()).await.map_err(late)?
    }

    /// Drops what has come already, without waiting for more.
    async fn drop_pending(&mut self) -> Result<(), Fault> {
        if !self.link.speaks_unasked() {
            self.held.clear();
            return Ok(());
        }
        // The system tells what has come when it is asked, and that is once every task has had its turn.
        tokio::task::yield_now().await;
        let mut dropped = 0;
        loop {
            dropped += std::mem::take(&mut self.held).len();
            match at_once(self.link.receive(&mut self.held)).await {
                Some(received) => received?,
                None => return Ok(()),
            }
            if dropped > MOST_DRAINED {
                return Err(Fault::new(FaultKind::Garbled, "the instrument doesn't stop talking"));
            }
        }
    }

    fn whole_line(&mut self) -> Option<Vec<u8>> {
        let ending = &self.endings.answered;
        let end = self.held.windows(ending.len()).position(|window| window == ending)?;
        let mut line: Vec<u8> = self.held.drain(..end + ending.len()).collect();
        line.truncate(end);
        Some(line)
    }

    fn silent(&self) -> Fault {
        let detail = match self.held.len() {
            0 => format!("no answer to {:?} in time", self.sent),
            n => format!(
                "only part of an answer to {:?} in time: {n} bytes, {}",
                self.sent,
                excerpt(&String::from_utf8_lossy(&self.held))
            ),
        };
        Fault::new(FaultKind::Silent, detail)
    }
}

/// The beginning of an answer, quoted and escaped, for a message.
#[must_use]
pub fn excerpt(text: &str) -> String {
    const MOST: usize = 60;
    let short: String = text.chars().take(MOST).collect();
    if short.len() < text.len() { format!("{short:?}…") } else { format!("{short:?}") }
}

#[cfg(test)]
mod tests;
