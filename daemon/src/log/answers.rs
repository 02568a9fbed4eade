//! Whom a commit is told to: all that wait for its readings, in one piece.
//!
//! Each task that is woken from another thread costs a call of the system; woken by a task of the runtime it costs none. So the thread that
//! writes wakes one task, which wakes the others.

use tokio::runtime::Handle;
use tokio::sync::{mpsc, oneshot};

use super::Numbered;

/// Commits whose answers may lie ready.
const AHEAD: usize = 4;

/// Whoever waits for a reading, and what became of it.
type Answer = (oneshot::Sender<Numbered>, Numbered);

/// Tells what became of readings.
#[derive(Debug)]
pub(super) struct Answers {
    /// The task that passes them on, where there is a runtime.
    to: Option<mpsc::Sender<Vec<Answer>>>,
}

impl Answers {
    /// By a task of the runtime that this is called in; where there is none, each by itself. The task ends with this.
    pub(super) fn new() -> Self {
        let to = Handle::try_current().ok().map(|runtime| {
            let (to, mut answers) = mpsc::channel::<Vec<Answer>>(AHEAD);
            runtime.spawn(async move {
                while let Some(answers) = answers.recv().await {
                    tell(answers);
                }
            });
            to
        });
        Self { to }
    }

    /// Tells all of one commit. The runtime may be gone, or busy for long: then they are told from here.
    pub(super) fn tell(&self, answers: Vec<Answer>) {
        let untold = match &self.to {
            Some(to) if !answers.is_empty() => {
                to.try_send(answers).err().map(mpsc::error::TrySendError::into_inner)
            }
            _ => Some(answers),
        };
        untold.into_iter().for_each(tell);
    }
}

fn tell(answers: Vec<Answer>) {
    for (to, numbered) in answers {
        // Nobody waits any more if the meter's task was restarted; the reading is in the log all the same.
        let _waiting = to.send(numbered).is_ok();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(sequence: u64) -> (Answer, oneshot::Receiver<Numbered>) {
        let (to, waiting) = oneshot::channel();
        ((to, Numbered { sequence, durable: true }), waiting)
    }

    #[tokio::test]
    async fn however_busy_the_runtime_is_everyone_is_told() {
        let answers = Answers::new();
        // None is passed on before this waits.
        let mut waiting = Vec::new();
        for sequence in 0..2 * AHEAD as u64 {
            let (answer, receiver) = asked(sequence);
            answers.tell(vec![answer]);
            waiting.push(receiver);
        }
        for (sequence, receiver) in waiting.into_iter().enumerate() {
            assert_eq!(receiver.await.unwrap().sequence, sequence as u64);
        }
    }

    #[test]
    fn where_the_runtime_is_gone_or_was_never_there_everyone_is_told_too() {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let gone = runtime.block_on(async { Answers::new() });
        drop(runtime);
        for answers in [gone, Answers::new()] {
            let (answer, receiver) = asked(7);
            answers.tell(vec![answer]);
            assert_eq!(receiver.blocking_recv().unwrap().sequence, 7);
        }
    }
}
