//! The link to an instrument that is played back.

use std::sync::Arc;

use super::play::Play;
use super::shape::Shape;
use crate::clock::{Boxed, Clock};
use crate::fault::Fault;
use crate::link::Link;
use crate::recording::line::Failed;

/// What the instrument does, and when.
#[derive(Debug)]
enum Step {
    Say(Vec<u8>),
    /// The link fails; the instrument is away for so long after that, in s, for good if absent.
    Fail(Failed, Option<f64>),
}

/// A link that is open.
#[derive(Debug)]
pub(crate) struct Replayed {
    play: Arc<Play>,
    clock: Arc<dyn Clock>,
    /// Recorded time over played time; nothing if nothing is waited for.
    speed: Option<f64>,
    /// What is still to come, by the time it is due, in s.
    due: Vec<(f64, Step)>,
    setting: Option<Vec<u8>>,
    failed: Option<Failed>,
}

impl Replayed {
    /// Opens the link.
    ///
    /// # Errors
    /// `Gone` while the instrument is away.
    pub(crate) fn open(play: Arc<Play>, clock: Arc<dyn Clock>, speed: Option<f64>) -> Result<Self, Fault> {
        play.present(clock.now_s())?;
        let mut link = Self { play, clock, speed, due: Vec::new(), setting: None, failed: None };
        link.ask(&[])?;
        Ok(link)
    }

    /// A recorded span as it is played, in s.
    fn played(&self, recorded_s: f64) -> f64 {
        self.speed.map_or(0.0, |speed| recorded_s / speed)
    }

    fn ask(&mut self, request: &[u8]) -> Result<(), Fault> {
        let play = Arc::clone(&self.play);
        let Some(exchange) = play.ask(self.setting.as_deref(), request)? else { return Ok(()) };
        let lasts_s = exchange.lasts_s.filter(|_| self.speed.is_none()).unwrap_or(0.0);
        let now_s = self.clock.now_s() + lasts_s;
        for piece in &exchange.answer {
            self.schedule(now_s + self.played(piece.after_s), Step::Say(piece.bytes.clone()));
        }
        if let Some(end) = &exchange.end {
            self.schedule(now_s + self.played(end.after_s), Step::Fail(end.failed.clone(), end.away_s));
        }
        Ok(())
    }

    /// What was due before at the same time comes before.
    fn schedule(&mut self, due_s: f64, step: Step) {
        let place = self.due.partition_point(|(other_s, _)| *other_s <= due_s);
        self.due.insert(place, (due_s, step));
    }

    fn fail(&mut self, failed: Failed, away_s: Option<f64>) -> Fault {
        let fault = failed.fault();
        // Else it is put in order, and goes on.
        if failed.kind.needs_reopening() {
            let until_s = away_s.map(|away_s| self.clock.now_s() + self.played(away_s));
            self.play.unplug(until_s, &failed);
            self.failed = Some(failed);
        }
        fault
    }
}

impl Link for Replayed {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            if let Some(failed) = &self.failed {
                return Err(failed.fault());
            }
            self.ask(bytes)?;
            if Shape::of(bytes).sets() {
                self.setting = Some(bytes.to_vec());
            }
            Ok(())
        })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            if let Some(failed) = &self.failed {
                return Err(failed.fault());
            }
            let Some((due_s, _)) = self.due.first() else { return std::future::pending().await };
            self.clock.sleep_until(*due_s).await;
            // Nothing is awaited from here on: what is taken out is given out.
            match self.due.remove(0).1 {
                Step::Say(bytes) => held.extend_from_slice(&bytes),
                Step::Fail(failed, away_s) => return Err(self.fail(failed, away_s)),
            }
            Ok(())
        })
    }

    /// Of messages, too: that it was unplugged while nobody asked is among what is still to come.
    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async move {
            let mut unasked = Vec::new();
            loop {
                if let Err(fault) = self.receive(&mut unasked).await {
                    return fault;
                }
                unasked.clear();
            }
        })
    }

    fn speaks_unasked(&self) -> bool {
        self.play.speaks_unasked
    }

    fn reset(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async move {
            self.due.retain(|(_, step)| matches!(step, Step::Fail(..)));
            Ok(())
        })
    }
}
