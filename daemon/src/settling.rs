//! One `meter.settle`: an engine of its own, fed from the readings that everyone shares, until there is a verdict.
//!
//! It asks for exposures without pause while it lasts. Clients that settle on one meter share every exposure for as long as they
//! ask for the same. Where a client leaves the integration time to the meter and noise is in the way, exposures get longer as it
//! goes on, until the meter refuses one: for everyone who leaves it to the meter, so that all of them share.

use std::collections::BTreeSet;
use std::sync::Arc;

use settled_drivers::clock::Clock as _;
use settled_drivers::sample::Exposure;
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::error::RpcError;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Criteria, Estimate, Evidence, Readings, Settled, Test, Verdict};
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use crate::client::By;
use crate::clock::Clock;
use crate::daemon::Daemon;
use crate::meter_task::{Anew, MeterHandle, Published};
use crate::settle::mover::moves;
use crate::settle::{Judge, Observation, Standing, sentence};

mod asked;
#[cfg(test)]
mod cold;
mod leased;
mod longer;
mod news;
mod reporter;

use asked::Asked;
use news::news;
use reporter::Reporter;

/// Failed exposures in a row, without any reading before them, after which the request fails as they do.
const MOST_FAILURES: u32 = 3;

/// How it is getting on.
#[derive(Clone, Debug)]
pub struct Report {
    /// Since the request arrived, in s.
    pub waited_s: f64,
    /// Readings looked at.
    pub count: u64,
    /// The latest reading's luminance or illuminance.
    pub latest: f64,
    /// What keeps the meter from giving another.
    pub waiting: Option<RpcError>,
    /// The best estimate so far.
    pub value: Option<Estimate>,
    /// How it stands.
    pub evidence: Evidence,
}

/// Waits until the light has settled, or won't, or the longest wait is over.
///
/// # Errors
/// `no_such_meter`; what keeps the meter from giving readings, if it gives none.
pub async fn settle(
    daemon: &Daemon,
    by: &By,
    meter: &str,
    criteria: Criteria,
    exposure: Exposure,
    report: impl Fn(Report),
) -> Result<Settled, RpcError> {
    let meter = daemon.meter(meter)?;
    let started_s = daemon.clock.now_s();
    let follow = meter.follow();
    let settling = async {
        let mut run = Run::new(meter, by, criteria, started_s);
        let decided = tokio::select! {
            decided = decide(&mut run, &daemon.clock, exposure, follow, report) => decided?,
            () = daemon.clock.sleep_until(started_s + criteria.max_wait_s) => None,
        };
        match decided {
            Some((verdict, t_s)) => Ok(run.end(verdict, t_s)),
            None => run.timed_out(daemon.clock.now_s()),
        }
    };
    meter.fenced(by, settling).await
}

/// The verdict, and when; nothing if the meter's task has ended.
async fn decide(
    run: &mut Run,
    clock: &Clock,
    exposure: Exposure,
    mut follow: Receiver<Published>,
    report: impl Fn(Report),
) -> Result<Option<(Verdict, f64)>, RpcError> {
    let meter = run.meter.clone();
    let _over = meter.move_on();
    let mut asked = Asked::new(&meter, &run.by, exposure, run.criteria.hold_s).await?;
    if let Some(error) = meter.unusable() {
        return Err(error);
    }
    if let Some(error) = meter.zero_needed(run.started_s) {
        return Err(error);
    }
    let mut reporter = Reporter::new(report);
    run.look_at_lease();
    loop {
        let news = tokio::select! {
            biased;
            news = news(&mut follow, run.waiting().is_some()) => news,
            error = run.turned_away(clock) => return Err(error),
        };
        match news {
            None => run.say_waiting(&mut reporter, clock.now_s()),
            Some(Ok(Published::Reading { exposure, logged, lease })) => {
                if !asked.is_served(exposure) || !run.is_concerned(&logged.reading, lease.as_deref()) {
                    continue;
                }
                run.lengthened(asked.lengthened_s(exposure), logged.reading.t_s);
                if let Some(verdict) = run.take(&logged.reading) {
                    return Ok(Some((verdict, logged.reading.t_s)));
                }
                meter.looked(&run.by);
                reporter.say(|| run.report(logged.reading.t_s));
                if asked.may_lengthen()
                    && let Some(longer_s) = run.longer(&logged.reading)
                {
                    asked.lengthen(&meter, longer_s).await?;
                }
            }
            Some(Ok(news)) => {
                if run.hear(&mut asked, news).await? {
                    run.say_waiting(&mut reporter, clock.now_s());
                }
            }
            // The news of a restart, after which the task knows of no demand, may be among what went by.
            Some(Err(RecvError::Lagged(_))) => {
                run.judge.gap();
                run.look_at_lease();
                asked.again(&meter).await?;
            }
            Some(Err(RecvError::Closed)) => return Ok(None),
        }
    }
}

/// One request's state.
#[derive(Debug)]
struct Run {
    meter: MeterHandle,
    by: By,
    /// That somebody else has the meter for itself.
    leased: Option<RpcError>,
    /// It has had the meter, if only to share it.
    admitted: bool,
    judge: Judge,
    criteria: Criteria,
    started_s: f64,
    photometric: Photometric,
    observer: Option<Observer>,
    bandwidth_nm: Option<f64>,
    warming: bool,
    readings: Option<Readings>,
    /// The correction that they went through.
    correction: Option<String>,
    /// Why it had to begin anew meanwhile.
    anew: BTreeSet<Anew>,
    flags: BTreeSet<Flag>,
    /// The latest reading's luminance or illuminance, be it one that doesn't count any more.
    latest: Option<f64>,
    /// The meter as a whole went away, and has given no reading since.
    away: bool,
    failures: u32,
    last_error: Option<Arc<RpcError>>,
    /// The longest integration time that was gone over to, in s, and since when.
    longer: Option<(f64, f64)>,
}

impl Run {
    fn new(meter: &MeterHandle, by: &By, criteria: Criteria, started_s: f64) -> Self {
        Self {
            meter: meter.clone(),
            by: by.clone(),
            leased: None,
            admitted: false,
            judge: Judge::new(criteria, meter.resolution(), started_s),
            criteria,
            started_s,
            photometric: Photometric::Luminance,
            observer: None,
            bandwidth_nm: None,
            warming: false,
            readings: None,
            correction: None,
            anew: BTreeSet::new(),
            flags: BTreeSet::new(),
            latest: None,
            away: false,
            failures: 0,
            last_error: None,
            longer: None,
        }
    }

    /// Looks at one reading. A verdict ends the request, but a meter in its own warm-up can't vouch for anything.
    fn take(&mut self, reading: &Reading) -> Option<Verdict> {
        (self.failures, self.away) = (0, false);
        self.last_error = None;
        if self.latest.replace(reading.light.value()).is_none() {
            // As the request came, the meter may not have been open yet.
            self.judge.anew(self.started_s, self.meter.resolution());
        }
        (self.photometric, self.observer) = (reading.light.photometric(), reading.observer);
        self.bandwidth_nm = reading.bandwidth_nm;
        self.look_at_correction(reading);
        self.flags.extend(&reading.flags);
        let span = self.readings.get_or_insert(Readings { count: 0, first: reading.sequence, last: 0 });
        span.count += 1;
        span.last = reading.sequence;
        self.warming = self.meter.warm_at_s().is_some_and(|warm_at_s| reading.t_s < warm_at_s);
        let uv = reading.light.chromaticity().map(|colour| [colour.u_prime(), colour.v_prime()]);
        let (t_s, y) = (reading.t_s, reading.light.value());
        self.judge.push(Observation { t_s, integration_s: reading.integration_s, y, uv });
        let verdict = self.judge.verdict()?;
        (verdict != Verdict::Lost && !self.warming).then_some(verdict)
    }

    /// Readings through another correction are on another scale: none of those before counts any more.
    fn look_at_correction(&mut self, reading: &Reading) {
        if self.correction == reading.correction {
            return;
        }
        self.correction.clone_from(&reading.correction);
        if self.readings.is_some() {
            self.begin_anew(Anew::Corrected, reading.began_s);
        }
    }

    /// What comes from `now_s` on is told on another scale, from another zero, or of other light: what came before is no evidence
    /// any more. Where the meter was zeroed, say, the light seems to jump by what the offset did: that is neither a step nor a drift.
    fn begin_anew(&mut self, why: Anew, now_s: f64) {
        // A zero before the first reading is nothing to speak of.
        if why != Anew::Zeroed || self.readings.is_some() {
            self.anew.insert(why);
        }
        self.judge.anew(now_s, self.meter.resolution());
        self.readings = None;
        self.flags.clear();
    }

    /// A longer integration time to go on with, in s, where noise is in the way. Each is given half a hold to show what it
    /// does.
    fn longer(&mut self, latest: &Reading) -> Option<f64> {
        let hold_s = self.criteria.hold_s;
        if self.longer.is_some_and(|(_, since_s)| latest.t_s < since_s + 0.5 * hold_s) {
            return None;
        }
        let span = self.meter.integration_s();
        let next_s = longer::longer(self.judge.noise_wait_s(), latest.integration_s, span, hold_s)?;
        // One that is too long for another settling isn't made while that lasts.
        if self.longer.is_some_and(|(longer_s, _)| next_s <= longer_s) {
            return None;
        }
        self.longer = Some((next_s, latest.t_s));
        Some(next_s)
    }

    /// Takes note of what exposures are lengthened to, in s, be it by another settling.
    fn lengthened(&mut self, lengthened_s: Option<f64>, now_s: f64) {
        if let Some(now) = lengthened_s
            && self.longer.is_none_or(|(before, _)| now > before)
        {
            self.longer = Some((now, now_s));
        }
    }

    /// An exposure gave nothing. The request goes on, unless nothing ever came.
    fn failed(&mut self, error: &Arc<RpcError>) -> Result<(), RpcError> {
        self.failures += 1;
        self.last_error = Some(Arc::clone(error));
        let hopeless = self.latest.is_none() && self.failures >= MOST_FAILURES;
        if hopeless { Err(RpcError::clone(error)) } else { Ok(()) }
    }

    /// How it stands, with what the meter has to say to it.
    fn standing(&self, now_s: f64) -> (Option<Estimate>, Evidence) {
        let Standing { mut evidence, value, .. } = self.judge.standing();
        let warm_up = self.meter.warm_up(now_s);
        evidence.moves =
            moves(&evidence, value.as_ref(), self.criteria.hold_s, now_s, &self.meter.darks(), warm_up);
        if self.warming {
            evidence.failing.push(Test::MeterWarmUp);
        }
        (value, evidence)
    }

    /// What keeps the meter from giving readings, if it gives none. One exposure that gave none is no more than a hiccup.
    fn waiting(&self) -> Option<&RpcError> {
        let failed = self.last_error.as_deref().filter(|_| self.away || self.failures > 1);
        self.leased.as_ref().or(failed)
    }

    /// How it stands; nothing before there has been any reading.
    fn report(&self, now_s: f64) -> Option<Report> {
        let latest = self.latest?;
        let count = self.readings.map_or(0, |readings| readings.count);
        let (value, evidence) = self.standing(now_s);
        let waiting = self.waiting().cloned();
        Some(Report { waited_s: now_s - self.started_s, count, latest, waiting, value, evidence })
    }

    /// Says that readings are waited for, if they are.
    fn say_waiting(&mut self, reporter: &mut Reporter<impl Fn(Report)>, now_s: f64) {
        self.look_again();
        if self.waiting().is_some() {
            reporter.say(|| self.report(now_s));
        }
    }

    fn timed_out(self, now_s: f64) -> Result<Settled, RpcError> {
        match (&self.readings, self.leased.as_ref().or(self.last_error.as_deref())) {
            (None, Some(error)) => Err(error.clone()),
            _ => Ok(self.end(Verdict::TimedOut, now_s)),
        }
    }

    fn end(self, verdict: Verdict, now_s: f64) -> Settled {
        self.meter.judged(verdict);
        let (value, mut evidence) = self.standing(now_s);
        evidence.moves = evidence.moves.filter(|_| verdict != Verdict::Settled);
        let mut message =
            sentence(verdict, &evidence, value.as_ref(), &self.criteria, self.photometric.unit());
        if let Some((integration_s, _)) = self.longer {
            message.push_str(&format!(" Exposures were lengthened to {integration_s} s against noise."));
        }
        for why in &self.anew {
            message.push_str(meanwhile(*why));
        }
        if let Some(error) = self.leased.as_ref().or(self.last_error.as_deref()) {
            message.push_str(&format!(" At the end the meter gave no readings: {error}."));
        }
        Settled {
            meter: self.meter.id().to_owned(),
            quantity: self.photometric,
            observer: self.observer,
            bandwidth_nm: self.bandwidth_nm,
            verdict,
            value,
            waited_s: now_s - self.started_s,
            readings: self.readings,
            correction: self.correction,
            flags: self.flags.into_iter().collect(),
            evidence,
            message,
        }
    }
}

/// That a request had to begin anew, in words.
fn meanwhile(why: Anew) -> &'static str {
    match why {
        Anew::Corrected => " The meter's correction was changed meanwhile: only readings since then count.",
        Anew::Zeroed => " The meter was zeroed meanwhile: only readings since then count.",
        Anew::Replaced => " Another instrument took the meter's place meanwhile: only its readings count.",
        Anew::Repeated => " The recording began anew meanwhile: only readings since then count.",
        Anew::Slept => " The machine slept meanwhile: only readings since then count.",
    }
}
