//! A review from its first stimulus to its last, whatever becomes of the daemon meanwhile.

use std::sync::Arc;
use std::time::Duration;

use settled_protocol::error::ErrorKind;
use settled_protocol::lease::LeaseParams;
use settled_protocol::text::Text;

use super::super::{Context, Failure, lease as leasing, signals, wall_clock};
use super::looking::Looker;
use super::progress::Progress;
use crate::asking;
use crate::connection::{CallError, Connection, OpenError};
use crate::following::backoff::Backoff;
use crate::lease::{Lease, inherited};
use crate::review::criteria::is_bright;
use crate::review::itinerary::{Stop, stops};
use crate::review::patch::Patch;
use crate::review::plan::{Plan, Set};
use crate::review::record::Entry;
use crate::review::record::writing::{Book, WriteError};
use crate::stimulus::stage::Stage;
use crate::stimulus::way::{Showing, Way};
use crate::stimulus::{NotShown, Screen};

/// The signal of the grey that a display rests on.
const REST: f64 = 0.1;
/// So often a stimulus that something came over is read anew.
const ANEW: usize = 5;
/// Between two looks at whether a meter is back that has been away as it should have watched.
const ABSENT: Duration = Duration::from_secs(1);
/// For how long others' lease on the meter is waited for, in s.
const WAIT_S: f64 = 60.0;

/// How a review ended before its end.
#[derive(Debug)]
pub(super) enum Ended {
    /// Ctrl-C, SIGTERM or SIGHUP.
    Interrupted,
    /// The daemon has gone, or the lease with it: it can go on once it is back.
    Away(Failure),
    /// For any other reason.
    Failed(Failure),
}

impl From<Failure> for Ended {
    fn from(failure: Failure) -> Self {
        let away = match &failure {
            Failure::Call(CallError::Closed) | Failure::Open(_) => true,
            Failure::Call(CallError::Refused(error)) => error.kind() == ErrorKind::LeaseLost,
            _ => false,
        };
        if away { Self::Away(failure) } else { Self::Failed(failure) }
    }
}

impl From<CallError> for Ended {
    fn from(error: CallError) -> Self {
        Failure::from(error).into()
    }
}

impl From<OpenError> for Ended {
    fn from(error: OpenError) -> Self {
        Failure::from(error).into()
    }
}

impl From<WriteError> for Ended {
    fn from(error: WriteError) -> Self {
        Self::Failed(Failure::Input(settled_drivers::fault::chain(&error)))
    }
}

/// A review under way.
pub(super) struct Journey<'a> {
    context: &'a Context,
    meter: String,
    /// Whether the stimuli are shown by a simulated display.
    on_stage: bool,
    way: &'a Way,
    only: Option<String>,
    book: Book,
    progress: Progress,
    /// The set whose mode the display is in.
    mode: Option<String>,
    /// Where the meter looks; the middle if absent.
    position: Option<[f64; 2]>,
    off: bool,
    /// A bright patch was shown last.
    dazzled: bool,
}

impl<'a> Journey<'a> {
    pub(super) fn new(
        context: &'a Context,
        (meter, on_stage): (String, bool),
        way: &'a Way,
        only: Option<String>,
        book: Book,
        progress: Progress,
    ) -> Self {
        let (mode, position, off, dazzled) = (None, None, false, false);
        Self { context, meter, on_stage, way, only, book, progress, mode, position, off, dazzled }
    }

    pub(super) fn book(&self) -> &Book {
        &self.book
    }

    /// Measures all that is left. If the daemon goes, it waits for it, and goes on.
    pub(super) async fn travel(&mut self, plan: &Plan, first: Arc<Connection>) -> Result<(), Ended> {
        if stops(plan, &self.book.record().entries, self.only.as_deref()).is_empty() {
            return Ok(());
        }
        // A page or whoever is at the display outlives the daemon; a simulated display is the daemon's.
        let mut lasting: Option<Showing<'static>> = if self.on_stage {
            None
        } else {
            Some(
                unless_interrupted(async { self.way.open(self.context.output, None).await.map_err(unshown) })
                    .await?,
            )
        };
        let mut next = Some(first);
        let mut backoff = Backoff::default();
        let ended = loop {
            let outcome = self.session(plan, next.take(), lasting.as_mut()).await;
            let Err(Ended::Away(failure)) = outcome else { break outcome };
            if inherited(&self.meter).is_some() {
                // Its lease has gone with the daemon, and is not ours to take anew.
                break Err(Ended::Failed(failure));
            }
            let pause = async {
                tokio::time::sleep(backoff.next()).await;
                Ok(())
            };
            if let Err(interrupted) = unless_interrupted(pause).await {
                break Err(interrupted);
            }
        };
        if let Some(screen) = &mut lasting {
            screen.end().await;
        }
        ended
    }

    /// Goes on for as long as there is a daemon.
    async fn session(
        &mut self,
        plan: &Plan,
        first: Option<Arc<Connection>>,
        lasting: Option<&mut Showing<'static>>,
    ) -> Result<(), Ended> {
        let anew = first.is_none();
        let connection = match first {
            Some(connection) => connection,
            None => Arc::new(unless_interrupted(async { Ok(self.context.connect().await?) }).await?),
        };
        let name = Text::try_from("settle review".to_owned()).ok();
        let introduced = async { Ok(connection.introduce(name).await?) };
        let speed = unless_interrupted(introduced).await?.clock.speed;
        let lease = unless_interrupted(self.lease(&connection)).await?;
        if anew {
            self.progress.daemon("back", "the daemon is back: the review goes on");
            let words = "the daemon was away, or started anew".to_owned();
            self.book.append(Entry::Note { at: wall_clock(), words })?;
        }
        let token = lease.as_ref().map(|lease| lease.token().to_owned()).or_else(|| inherited(&self.meter));
        let meter = self.meter.clone();
        let looker = Looker { connection: &connection, meter: &meter, token: token.as_deref() };
        let outcome = match lasting {
            Some(screen) => unless_interrupted(self.measure(plan, looker, speed, screen)).await,
            None => {
                let stage = Stage::new(&connection, meter.as_str(), token.clone());
                let mut screen = self.way.open(self.context.output, Some(stage)).await.map_err(unshown)?;
                let outcome = unless_interrupted(self.measure(plan, looker, speed, &mut screen)).await;
                if !connection.is_closed() {
                    screen.end().await;
                }
                outcome
            }
        };
        let gone = matches!(outcome, Err(Ended::Failed(_))) && connection.is_closed();
        let outcome = if gone { Err(Ended::Away(CallError::Closed.into())) } else { outcome };
        if matches!(outcome, Err(Ended::Away(_))) {
            self.progress
                .daemon("lost", "the daemon has gone, or the lease is lost: waiting for it to come back");
        }
        outcome
    }

    /// The meter for oneself; nothing where this runs under a lease on it already.
    async fn lease(&self, connection: &Arc<Connection>) -> Result<Option<Lease>, Ended> {
        if inherited(&self.meter).is_some() {
            return Ok(None);
        }
        let purpose = Text::try_from("a review of a display".to_owned()).ok();
        let params = LeaseParams { meter: self.meter.clone(), ttl_s: None, wait_s: Some(WAIT_S), purpose };
        let request = async { Ok(connection.lease(&params).await?) };
        let output = self.context.output;
        Ok(Some(leasing::awaited(output, connection, &self.meter, params.wait_s, request).await?))
    }

    async fn measure(
        &mut self,
        plan: &Plan,
        looker: Looker<'_>,
        speed: f64,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        let left = stops(plan, &self.book.record().entries, self.only.as_deref());
        for stop in &left {
            screen.can_show(stop.set.coding).map_err(unshown)?;
        }
        self.progress.count(&left);
        // Whatever was on the screen before, nobody knows any more.
        (self.position, self.dazzled) = (None, false);
        for stop in &left {
            self.switch(plan, stop).await?;
            self.rest(stop, speed, screen).await?;
            self.look(stop, looker, screen).await?;
        }
        Ok(())
    }

    /// Has the display switched to the set's mode, where there are several.
    async fn switch(&mut self, plan: &Plan, stop: &Stop<'_>) -> Result<(), Ended> {
        let Set { name, .. } = stop.set;
        if self.mode.as_ref() == Some(name) {
            return Ok(());
        }
        if plan.sets.len() > 1 {
            if self.on_stage {
                self.progress.caution(&format!("{name}: the simulated display stays as its config has it"));
            } else {
                let words =
                    format!("Switch the display to {name}, and give it time to warm up as it is used");
                self.ask(&words).await?;
            }
        }
        self.mode = Some(name.clone());
        Ok(())
    }

    async fn ask(&self, words: &str) -> Result<(), Ended> {
        let asked = asking::enter(self.context.output, words).await;
        asked.map_err(|unattended| Ended::Failed(Failure::Input(unattended.to_string())))
    }

    /// Lets the display rest on a dark grey after what was bright.
    async fn rest(&mut self, stop: &Stop<'_>, speed: f64, screen: &mut Showing<'_>) -> Result<(), Ended> {
        let rest_s = stop.sequence.rest_s;
        if std::mem::take(&mut self.dazzled) && rest_s > 0.0 && !screen.is_by_hand() {
            let coding = stop.set.coding;
            let codes = [coding.code(REST); 3];
            let rest = Patch { name: "rest".to_owned(), codes, background: codes, window_percent: 100.0 };
            screen.show(&rest, coding).await.map_err(unshown)?;
            // On the daemon's clock, which runs faster in a rehearsal.
            let rest = Duration::try_from_secs_f64(rest_s / speed.max(f64::MIN_POSITIVE));
            tokio::time::sleep(rest.unwrap_or_default()).await;
        }
        self.dazzled = is_bright(stop);
        Ok(())
    }

    /// Shows a stimulus, reads it and writes it down.
    async fn look(
        &mut self,
        stop: &Stop<'_>,
        looker: Looker<'_>,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        self.aim(stop, screen).await?;
        let mut disturbed = 0;
        while disturbed < ANEW {
            self.progress.begin(stop);
            self.show(stop, looker, screen).await?;
            let (entry, took_s) = match self.read(stop, looker).await {
                Err(Ended::Failed(Failure::Call(CallError::Refused(error))))
                    if error.kind() == ErrorKind::MeterAbsent =>
                {
                    self.progress.again();
                    tokio::time::sleep(ABSENT).await;
                    continue;
                }
                read => read?,
            };
            let Some(words) = screen.disturbed() else {
                self.progress.end(stop, took_s, &entry);
                return Ok(self.book.append(entry)?);
            };
            self.progress.caution(&format!("{}: {words}; it is read anew", stop.step.patch.name));
            self.progress.again();
            disturbed += 1;
        }
        let words = format!("{} was disturbed {ANEW} times", stop.step.patch.name);
        Err(Ended::Failed(Failure::Input(words)))
    }

    /// Reads what is shown, and tells how long that took, in s of the daemon's clock.
    async fn read(&self, stop: &Stop<'_>, looker: Looker<'_>) -> Result<(Entry, f64), Ended> {
        let progress = &self.progress;
        Ok(match stop.step.watch_s {
            Some(for_s) => {
                let course = looker.watch(stop, for_s, |t_s| progress.watching(t_s, for_s)).await?;
                (Entry::Course(course), for_s)
            }
            None => {
                let patch = looker.settle(stop, |report| progress.settling(report)).await?;
                let waited_s = patch.waited_s;
                (Entry::Patch(Box::new(patch)), waited_s)
            }
        })
    }

    /// Has the meter look where it should.
    async fn aim(&mut self, stop: &Stop<'_>, screen: &mut Showing<'_>) -> Result<(), Ended> {
        let position = stop.step.position;
        if position != self.position {
            let words = match position {
                Some([x, y]) => {
                    let (x, y) = (100.0 * x, 100.0 * y);
                    let name = &stop.step.patch.name;
                    format!(
                        "Move the meter to {name}: {x:.0} % of the width from the left, {y:.0} % of the height from the top"
                    )
                }
                None => "Move the meter back to the middle of the screen".to_owned(),
            };
            screen.look_at(position, &words).await.map_err(unshown)?;
            self.position = position;
        }
        Ok(())
    }

    async fn show(
        &mut self,
        stop: &Stop<'_>,
        looker: Looker<'_>,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        if stop.step.off {
            self.off = true;
            let switch = "Switch the display off, and leave the meter where it is";
            return if self.on_stage { looker.switch_off().await } else { self.ask(switch).await };
        }
        if std::mem::take(&mut self.off) && !self.on_stage {
            self.ask("Switch the display on again, in the same mode").await?;
        }
        screen.show(&stop.step.patch, stop.set.coding).await.map_err(unshown)
    }
}

fn unshown(error: NotShown) -> Ended {
    Ended::Failed(Failure::Input(error.why))
}

/// Waits for it, or for Ctrl-C or whatever else asks us to end: the last stimulus is to be taken off the screen first.
async fn unless_interrupted<T>(call: impl Future<Output = Result<T, Ended>>) -> Result<T, Ended> {
    tokio::select! {
        outcome = call => outcome,
        () = signals::asked_to_end() => Err(Ended::Interrupted),
    }
}
