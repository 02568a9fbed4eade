//! Faults on the line. A session with the instrument is listened to; then its profile is run over that session again and
//! again, each time with another fault in it. Nothing is sent to the instrument meanwhile.

use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::task::JoinSet;
use tokio::time::Instant;

use super::failure::Failure;
use super::{LONGEST, Suite, close, sample};
use crate::driver::Driver;
use crate::profile::format::Profile;
use crate::profile::load;
use crate::recording::line::{Entry, Event};
use crate::recording::reader::Happening;
use crate::recording::{Recorder, Tap};
use crate::replay::exchanges::Exchanges;
use crate::sample::Sample;

mod fault;
mod trial;

use fault::{Case, FAULTS};

/// Bytes that a session may have: a thousand times what two readings take.
const MOST_HEARD: usize = 4 << 20;

/// Cases that are tried at once: most of them wait for something that doesn't come.
const AT_ONCE: usize = 128;

/// Hears what passes on the link, while it is told to.
#[derive(Debug, Default)]
pub(super) struct Listener(Mutex<Heard>);

#[derive(Debug, Default)]
struct Heard {
    since: Option<Instant>,
    happenings: Vec<Happening>,
    bytes: usize,
}

/// A session: two readings, and what was said for them.
#[derive(Clone, Debug)]
struct Session {
    profile: Profile,
    exchanges: Exchanges,
    /// The exchanges of the first reading.
    first: Range<usize>,
    readings: [Sample; 2],
}

impl Recorder for Listener {
    fn record(&self, meter: &Arc<str>, event: Event) {
        let mut heard = self.heard();
        let Some(since) = heard.since else { return };
        if let Event::Sent { bytes } | Event::Received { bytes } = &event {
            heard.bytes += bytes.0.len();
        }
        if heard.bytes <= MOST_HEARD {
            let (t_s, meter) = (since.elapsed().as_secs_f64(), meter.as_ref().to_owned());
            heard.happenings.push(Happening::Entry(Entry { t_s, meter, event }));
        }
    }
}

impl Listener {
    fn heard(&self) -> MutexGuard<'_, Heard> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Taps the driver's links, if it follows a profile.
    pub(super) fn hear(self: &Arc<Self>, driver: &dyn Driver) {
        if driver.profile_text().is_some() {
            let recorder: Arc<dyn Recorder> = self.clone();
            driver.tap(&Tap::new("meter", recorder));
        }
    }

    /// The exchanges so far.
    fn exchanges(&self) -> Exchanges {
        let mut exchanges = Exchanges::default();
        self.heard().happenings.iter().for_each(|happening| exchanges.take(happening));
        exchanges
    }
}

impl Suite<'_> {
    pub(super) async fn on_the_line(&mut self) {
        let Some(written) = self.kit.driver.profile_text() else { return };
        let name = "two readings can be listened to on the line";
        self.begins(name, 2);
        let session = match load(&written.file, &written.text) {
            Ok(profile) => self.session(profile).await,
            Err(problems) => Err(problems.to_string().into()),
        };
        self.ends(name, session.as_ref().map(|_| ()).map_err(Clone::clone));
        let Ok(session) = session else { return };
        let session = Arc::new(session);
        for (name, cases) in FAULTS {
            let cases = cases(&session);
            let left = session.profile.measure.timeout.saturating_mul(4);
            (self.tell)(super::Told::Begins { name, left });
            let outcome = self.tried(&session, cases).await;
            self.ends(name, outcome);
        }
    }

    async fn session(&mut self, profile: Profile) -> Result<Session, Failure> {
        self.listener.heard().since = Some(Instant::now());
        let mut meter = self.open().await?;
        let begin = self.listener.exchanges().all.len();
        let one = sample(meter.as_mut(), None).await?;
        let end = self.listener.exchanges().all.len();
        let other = sample(meter.as_mut(), None).await?;
        close(meter).await?;
        let exchanges = self.listener.exchanges();
        self.listener.heard().since = None;
        let session = Session { profile, exchanges, first: begin..end, readings: [one, other] };
        let answers = session.exchanges.all.get(session.first.clone()).unwrap_or_default();
        if answers.iter().all(|exchange| exchange.answer.is_empty()) {
            return Err("nothing was heard: the driver hands no link through its tap".into());
        }
        Ok(session)
    }

    /// Tries the cases, in no order, for as long as a clause is tried. What went wrong most often is told, by its first case.
    async fn tried(&mut self, session: &Arc<Session>, cases: Vec<Case>) -> Result<(), Failure> {
        let (mut tried, mut ended, mut trials) = (0, Vec::new(), JoinSet::new());
        let start = Instant::now();
        for (number, case) in self.random.shuffled(cases.into_iter().enumerate().collect()) {
            if trials.len() >= AT_ONCE
                && let Some(outcome) = trials.join_next().await
            {
                ended.push(outcome);
            }
            if tried >= AT_ONCE && start.elapsed() > LONGEST {
                break;
            }
            tried += 1;
            let (session, clock) = (Arc::clone(session), Arc::clone(&self.kit.clock));
            trials.spawn(async move {
                let what = case.what.clone();
                trial::run(&session, case, &clock).await.map_err(|failure| (number, failure.within(what)))
            });
        }
        while let Some(outcome) = trials.join_next().await {
            ended.push(outcome);
        }
        let failures = ended.into_iter().filter_map(|outcome| match outcome {
            Ok(outcome) => outcome.err(),
            Err(panic) => Some((0, format!("the driver panicked: {panic}").into())),
        });
        told_once(failures.collect(), tried)
    }
}

/// Of failures, each with the number of its case, the one cause that most came of.
fn told_once(mut failures: Vec<(usize, Failure)>, tried: usize) -> Result<(), Failure> {
    failures.sort_by_key(|(number, _)| *number);
    let mut causes: Vec<(usize, Failure)> = Vec::new();
    for (_, failure) in failures {
        match causes.iter_mut().find(|(_, known)| known.cause == failure.cause) {
            Some((count, _)) => *count += 1,
            None => causes.push((1, failure)),
        }
    }
    let others = causes.len().saturating_sub(1);
    // The first of those that are equally frequent.
    let Some((count, mut failure)) = causes.into_iter().rev().max_by_key(|(count, _)| *count) else {
        return Ok(());
    };
    failure.cases = Some((count, tried));
    if others > 0 {
        failure.case = failure.case.map(|case| format!("{case}; others failed otherwise"));
    }
    Err(failure)
}

/// The longest that a case waits for an answer that is late on purpose.
const LATE: Duration = Duration::from_millis(300);

#[cfg(test)]
mod tests;
