//! A review from its first stimulus to its last, whatever becomes of the daemon meanwhile.

use std::cell::Cell;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::lease::LeaseParams;
use settled_protocol::text::Text;

use super::super::{Context, Failure, lease as leasing, signals, wall_clock};
use super::ended::Ended;
use super::looking::Looker;
use super::progress::Progress;
use super::standing::Standing;
use crate::connection::{CallError, Connection};
use crate::following::backoff::Backoff;
use crate::lease::{Lease, inherited};
use crate::review::itinerary::{Itinerary, Stop};
use crate::review::plan::Plan;
use crate::review::record::Entry;
use crate::review::record::shown::{Means, Shown};
use crate::review::record::writing::Book;
use crate::stimulus::stage::Stage;
use crate::stimulus::way::{Showing, Way};
use crate::stimulus::{NotShown, Screen};

mod display;
mod procedure;
mod surroundings;

/// So often a stimulus that something came over is read anew, and a procedure begun anew.
const ANEW: usize = 5;
/// So often a socket that lets nobody in is tried: one that is being made may let nobody in for a moment.
const CLOSED_DOORS: usize = 5;
/// Between two looks at whether a meter is back.
const ABSENT: Duration = Duration::from_secs(1);
/// For how long others' lease on the meter is waited for, in s.
const WAIT_S: f64 = 60.0;

/// A review under way.
pub(super) struct Journey<'a> {
    context: &'a Context,
    meter: String,
    /// Whether the stimuli are shown by a simulated display.
    on_stage: bool,
    way: &'a Way,
    itinerary: Itinerary,
    book: Book,
    progress: Progress,
    /// The set whose mode the display is in.
    mode: Option<String>,
    /// Where the meter looks; the middle if absent.
    position: Option<[f64; 2]>,
    off: bool,
    standing: Standing,
    /// How stimuli are shown, as the record was last told.
    told: Option<Means>,
    /// The set and the sequence that light is being watched in, and how often it was begun.
    begun: Option<(String, String, usize)>,
    /// What would be asked was agreed to beforehand.
    agreed: bool,
}

impl<'a> Journey<'a> {
    pub(super) fn new(
        context: &'a Context,
        (meter, on_stage): (String, bool),
        way: &'a Way,
        itinerary: Itinerary,
        book: Book,
        progress: Progress,
        agreed: bool,
    ) -> Self {
        let (mode, off, standing, told, begun) = (None, false, Standing::Nothing, None, None);
        // Where the meter was looked through last; a new stage has it look at the middle.
        let position = if on_stage { None } else { book.record().position() };
        Self {
            context,
            meter,
            on_stage,
            way,
            itinerary,
            book,
            progress,
            mode,
            position,
            off,
            standing,
            told,
            begun,
            agreed,
        }
    }

    pub(super) fn book(&self) -> &Book {
        &self.book
    }

    /// Measures all that is left. If the daemon goes, it waits for it, and goes on.
    pub(super) async fn travel(&mut self, plan: &Plan, first: Arc<Connection>) -> Result<(), Ended> {
        if self.itinerary.left(plan, &self.book.record().entries).is_empty() {
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
        let mut closed_doors = 0;
        let ended = loop {
            let outcome = self.session(plan, next.take(), lasting.as_mut()).await;
            let Err(Ended::Away(failure)) = outcome else { break outcome };
            closed_doors = match &failure {
                Failure::Open(error) if error.is_closed_to_us() => closed_doors + 1,
                _ => 0,
            };
            if inherited(&self.meter).is_some() || closed_doors >= CLOSED_DOORS {
                // Its lease has gone with the daemon, and is not ours to take anew; or waiting opens no socket.
                break Err(Ended::Failed(failure));
            }
            let pause = async {
                if let Some(screen) = &mut lasting {
                    self.calm(screen).await?;
                }
                tokio::time::sleep(backoff.next()).await;
                Ok(())
            };
            if let Err(ended) = unless_interrupted(pause).await {
                break Err(ended);
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
        let clock = unless_interrupted(introduced).await?.clock;
        let speed = clock.speed;
        self.progress.clock(clock.kind);
        let lease = unless_interrupted(self.lease(&connection)).await?;
        if anew {
            self.progress.daemon("back", "the daemon is back: the review goes on");
            let words = "the daemon was away, or started anew".to_owned();
            self.book.append(Entry::Note { at: wall_clock(), words })?;
        }
        let token = lease.as_ref().map(|lease| lease.token().to_owned()).or_else(|| inherited(&self.meter));
        let meter = self.meter.clone();
        let longest_s = Cell::new(0.0);
        let looker = Looker {
            connection: &connection,
            meter: &meter,
            token: token.as_deref(),
            speed,
            longest_s: &longest_s,
        };
        let outcome = match lasting {
            Some(screen) => {
                screen.surround(surroundings::of(&connection, lease.as_ref()));
                let outcome = unless_interrupted(self.measure(plan, looker, screen)).await;
                screen.surround(Vec::new());
                outcome
            }
            None => {
                let stage = Stage::new(&connection, meter.as_str(), token.clone());
                // Whatever was on the screen before, nobody knows any more.
                self.standing = Standing::Nothing;
                self.position = None;
                let mut screen = self.way.open(self.context.output, Some(stage)).await.map_err(unshown)?;
                let outcome = unless_interrupted(self.measure(plan, looker, &mut screen)).await;
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

    /// Measures what is left; a procedure that something came over is begun anew.
    async fn measure(
        &mut self,
        plan: &Plan,
        looker: Looker<'_>,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        loop {
            match self.through(plan, looker, screen).await {
                Err(Ended::Broken(words)) => {
                    self.progress.caution(&words);
                    self.book.append(Entry::Note { at: wall_clock(), words })?;
                    self.calm(screen).await?;
                    self.wait_for_light(looker).await?;
                }
                ended => return ended,
            }
        }
    }

    async fn through(
        &mut self,
        plan: &Plan,
        looker: Looker<'_>,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        let entries = self.book.record().entries.clone();
        let left = self.itinerary.left(plan, &entries);
        for stop in &left {
            screen.can_show(stop.set.coding).map_err(unshown)?;
        }
        self.progress.count(&left);
        for (at, stop) in left.iter().enumerate() {
            let of_it = |other: &&Stop<'_>| {
                other.set.name == stop.set.name && other.sequence.name == stop.sequence.name
            };
            let begins = at == 0 || !of_it(&&left[at - 1]);
            if begins && stop.sequence.is_procedure() {
                let whole: Vec<Stop<'_>> = left.iter().filter(of_it).cloned().collect();
                self.switch(plan, stop, screen).await?;
                self.begin(&whole, looker.speed, screen).await?;
            }
            self.switch(plan, stop, screen).await?;
            self.rest(looker.speed, screen).await?;
            self.look(stop, looker, screen).await?;
        }
        Ok(())
    }

    /// Until the meter gives readings again.
    async fn wait_for_light(&self, looker: Looker<'_>) -> Result<(), Ended> {
        if looker.is_blind().await? {
            self.progress.caution("the meter gives no readings; waiting until it does");
            while looker.is_blind().await? {
                tokio::time::sleep(ABSENT).await;
            }
            self.progress.caution("the meter gives readings again");
        }
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
            self.tell(screen)?;
            let name = &stop.step.patch.name;
            let words = match self.read(stop, looker).await {
                Ok((entry, took_s)) => match screen.disturbed() {
                    // Whatever way stimuli are shown by, it is disturbed where the display is switched off.
                    Some(words) if !stop.step.off => words,
                    _ => {
                        self.note_correction(&entry)?;
                        self.progress.end(stop, took_s, &entry);
                        return Ok(self.book.append(entry)?);
                    }
                },
                Err(Ended::Blind) => "the meter gave no readings".to_owned(),
                Err(ended) => return Err(ended),
            };
            if stop.step.watch_s.is_some() {
                // Time runs from when it was shown, and what came before it is part of it.
                let (set, sequence) = (&stop.set.name, &stop.sequence.name);
                return Err(Ended::Broken(format!("{set}, {sequence}: {words} while {name} was watched")));
            }
            let words = format!("{name}: {words}; it is read anew");
            self.progress.caution(&words);
            self.book.append(Entry::Note { at: wall_clock(), words })?;
            self.calm(screen).await?;
            self.wait_for_light(looker).await?;
            disturbed += 1;
        }
        let words = format!("{} was disturbed {ANEW} times", stop.step.patch.name);
        Err(Ended::Failed(Failure::Input(words)))
    }

    /// Writes down how stimuli are shown, where the record doesn't say so yet.
    fn tell(&mut self, screen: &Showing<'_>) -> Result<(), Ended> {
        let means = screen.means().filter(|means| self.told.as_ref() != Some(means));
        let Some(means) = means else { return Ok(()) };
        self.told = Some(means.clone());
        Ok(self.book.append(Entry::Shown(Shown { at: wall_clock(), means }))?)
    }

    /// Writes down where light goes through another correction than that before it.
    fn note_correction(&mut self, entry: &Entry) -> Result<(), Ended> {
        let now = match entry {
            Entry::Patch(patch) => patch.correction.as_deref(),
            Entry::Course(course) => course.correction.as_deref(),
            Entry::Shown(_) | Entry::Begun { .. } | Entry::Note { .. } => return Ok(()),
        };
        let record = self.book.record();
        let before = record.correction().filter(|before| *before != now);
        // A record that is older than that this is told doesn't know.
        let Some(before) = before.filter(|before| before.is_some() || record.header.attached.is_some())
        else {
            return Ok(());
        };
        let [before, now] = [before, now].map(|id| id.unwrap_or("none"));
        let words =
            format!("the meter's correction is {now} from here on, and was {before}: the two don't compare");
        self.progress.caution(&words);
        Ok(self.book.append(Entry::Note { at: wall_clock(), words })?)
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
}

/// A stimulus that isn't shown ends a review, unless it was the daemon's to show and that is away, or the lease: then it is waited for.
fn unshown(error: NotShown) -> Ended {
    match error.call.map(Ended::from) {
        Some(away @ Ended::Away(_)) => away,
        _ => Ended::Failed(Failure::Input(error.why)),
    }
}

/// So many s of the daemon's clock, which runs faster in a rehearsal.
async fn pause(for_s: f64, speed: f64) {
    let pause = Duration::try_from_secs_f64(for_s / speed.max(f64::MIN_POSITIVE));
    tokio::time::sleep(pause.unwrap_or_default()).await;
}

/// Waits for it, or for Ctrl-C or whatever else asks us to end: the last stimulus is to be taken off the screen first.
async fn unless_interrupted<T>(call: impl Future<Output = Result<T, Ended>>) -> Result<T, Ended> {
    tokio::select! {
        outcome = call => outcome,
        () = signals::asked_to_end() => Err(Ended::Interrupted),
    }
}
