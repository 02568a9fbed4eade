//! An instrument that follows a script, in this process: for tests of drivers, without a port.

use std::collections::VecDeque;
use std::time::Duration;

use tokio::time::Instant;

use super::Link;
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};

/// What the instrument does next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Says these bytes, at once.
    Say(Vec<u8>),
    /// Says nothing for this long, from when it is first listened to.
    Wait(Duration),
    /// Closes the line.
    Close,
}

impl Step {
    /// Says `text`.
    #[must_use]
    pub fn say(text: &str) -> Self {
        Self::Say(text.as_bytes().to_vec())
    }
}

/// What the instrument does when it is sent something.
type Answer = Box<dyn FnMut(&[u8]) -> Vec<Step> + Send>;

/// The link to it.
pub struct Script {
    answer: Answer,
    steps: VecDeque<Step>,
    /// When the wait at the head of the steps is over: time passes whether anybody listens or not.
    waited: Option<Instant>,
}

impl std::fmt::Debug for Script {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Script").field("steps", &self.steps).finish_non_exhaustive()
    }
}

impl Script {
    /// An instrument that does what `answer` gives for each thing it is sent.
    #[must_use]
    pub fn new(answer: impl FnMut(&[u8]) -> Vec<Step> + Send + 'static) -> Self {
        Self { answer: Box::new(answer), steps: VecDeque::new(), waited: None }
    }

    /// The same, and it does `steps` before it is sent anything.
    #[must_use]
    pub fn saying(mut self, steps: Vec<Step>) -> Self {
        self.steps.extend(steps);
        self
    }

    fn gone() -> Fault {
        Fault::new(FaultKind::Gone, "the script closed the line")
    }
}

impl Link for Script {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            if self.steps.front() == Some(&Step::Close) {
                return Err(Self::gone());
            }
            let steps = (self.answer)(bytes);
            self.steps.extend(steps);
            Ok(())
        })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            loop {
                match self.steps.front().cloned() {
                    Some(Step::Say(bytes)) => {
                        self.steps.pop_front();
                        if !bytes.is_empty() {
                            held.extend_from_slice(&bytes);
                            return Ok(());
                        }
                    }
                    Some(Step::Wait(duration)) => {
                        let over = *self.waited.get_or_insert_with(|| Instant::now() + duration);
                        tokio::time::sleep_until(over).await;
                        self.waited = None;
                        self.steps.pop_front();
                    }
                    Some(Step::Close) => return Err(Self::gone()),
                    None => std::future::pending().await,
                }
            }
        })
    }
}
