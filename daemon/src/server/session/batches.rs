//! Batches of which some requests aren't answered yet.

use std::collections::HashMap;

#[derive(Debug, Default)]
struct Batch {
    open: usize,
    answers: Vec<String>,
    subscriptions: Vec<String>,
}

/// A batch that is answered.
#[derive(Debug)]
pub(super) struct Done {
    /// The line to send, in pieces, as long answers are not copied again; none where nobody asked for an answer.
    pub(super) line: Vec<String>,
    /// Subscriptions that begin now.
    pub(super) subscriptions: Vec<String>,
}

/// Those that there are.
#[derive(Debug, Default)]
pub(super) struct Batches {
    open: HashMap<u64, Batch>,
    counter: u64,
    bytes: usize,
}

impl Batches {
    /// Begins one of so many calls, and gives its number. It is open until one more answer than that has come, so that it can't end
    /// before its last call is in.
    pub(super) fn begin(&mut self, calls: usize) -> u64 {
        self.counter += 1;
        self.open.insert(self.counter, Batch { open: calls + 1, ..Batch::default() });
        self.counter
    }

    /// Bytes of answers that wait for the rest of their batches.
    pub(super) fn bytes(&self) -> usize {
        self.bytes
    }

    /// A subscription begins once its batch is answered.
    pub(super) fn subscribe(&mut self, batch: u64, name: String) {
        if let Some(batch) = self.open.get_mut(&batch) {
            batch.subscriptions.push(name);
        }
    }

    /// One call of a batch is done. Gives what comes of it once all are.
    pub(super) fn answer(&mut self, key: u64, answer: Option<String>) -> Option<Done> {
        let batch = self.open.get_mut(&key)?;
        if let Some(answer) = answer {
            self.bytes += answer.len();
            batch.answers.push(if batch.answers.is_empty() { "[" } else { "," }.to_owned());
            batch.answers.push(answer);
        }
        batch.open -= 1;
        if batch.open > 0 {
            return None;
        }
        let Batch { mut answers, subscriptions, .. } = self.open.remove(&key)?;
        self.bytes -= answers.iter().skip(1).step_by(2).map(String::len).sum::<usize>();
        if !answers.is_empty() {
            answers.push("]".to_owned());
        }
        Some(Done { line: answers, subscriptions })
    }
}
