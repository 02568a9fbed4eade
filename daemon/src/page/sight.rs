//! One meter as it is looked at: its latest reading, what its curve is made of, and whether the light of what passes has settled. It
//! looks at what others cause, and causes nothing.

use std::sync::Arc;

use settled_drivers::clock::Clock as _;
use settled_protocol::log::Selection;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Criteria, Test, Verdict};
use settled_protocol::time::Timestamp;
use tokio::sync::Semaphore;

use super::news::{Judged, Point};
use crate::daemon::Daemon;
use crate::meter_task::{Logged, MeterHandle, Published};
use crate::settle::scale::Scale;
use crate::settle::{Judge, Observation, Standing, sentence};

/// How far back readings are taken from the log as somebody comes, in s: as long as the settling engine's longest window.
const RECALLED_S: f64 = 1200.0;

/// Nobody waits here, so nothing is given up: the longest wait that a request may have, in s.
const FOR_EVER_S: f64 = 604_800.0;

/// Pages of the log that are looked through for that: 40,000 readings, where the fastest meter gives 24,000. What comes after them has a
/// gap before it.
const PAGES: usize = 40;

/// Readings are missing where the next comes so many times later than usual, and later than a hold: as the settling engine has it.
const SILENT: f64 = 5.0;

/// Points that one piece of news has at most; whoever needs more asks the log.
const POINTS: usize = 500;

/// A meter as it is looked at.
#[derive(Debug)]
pub(super) struct Sight {
    meter: MeterHandle,
    criteria: Criteria,
    /// On the boot clock, in s: forecasts are counted from it.
    started_s: f64,
    judge: Judge,
    /// The verdict that was come to last, and when, on the boot clock, in s.
    verdict: (Option<Verdict>, Option<f64>),
    scale: Option<Scale>,
    /// Whether the meter was in its own warm-up as it read last: it can't vouch for anything.
    warming: bool,
    latest: Option<Arc<Logged>>,
    /// The smallest step of the meter's readings, as it was last known.
    resolution: Option<f64>,
    /// The last reading that was taken: its sequence, when it was, and how long after the one before it, in s.
    last: u64,
    last_s: Option<f64>,
    usual_s: Option<f64>,
    points: Vec<Point>,
    missed: bool,
}

impl Sight {
    pub(super) fn new(meter: &MeterHandle, now_s: f64) -> Self {
        let criteria = Criteria { max_wait_s: FOR_EVER_S, ..Criteria::default() };
        let (started_s, resolution) = (now_s - RECALLED_S, meter.resolution());
        Self {
            meter: meter.clone(),
            criteria,
            started_s,
            judge: Judge::new(criteria, resolution, started_s),
            verdict: (None, None),
            scale: None,
            warming: false,
            latest: None,
            resolution,
            last: 0,
            last_s: None,
            usual_s: None,
            points: Vec::new(),
            missed: false,
        }
    }

    /// Takes what the log has of the last minutes; and the newest reading there is, however old. Each page takes one of the places of those who
    /// ask for the local page.
    pub(super) async fn recall(&mut self, daemon: &Daemon, questions: &Semaphore) {
        let mut newest_taken = None;
        let now = daemon.clock.now();
        let zeroed = self.meter.meter(now.t_s).zero.and_then(|zero| zero.at);
        let earliest = Timestamp::from_unix_ns(now.at.unix_ns().saturating_sub((RECALLED_S * 1e9) as u64));
        // What was seen before the meter was zeroed doesn't compare.
        let since = zeroed.map_or(earliest, |zeroed| zeroed.max(earliest)).min(now.at);
        let mut selection =
            Selection { meter: Some(self.meter.id().to_owned()), since: Some(since), ..Selection::default() };
        for _ in 0..PAGES {
            let _place = questions.acquire().await;
            // A log that is off, or can't be read, remembers nothing.
            let Ok(page) = daemon.log.readings(selection.clone()).await else { break };
            for reading in page.readings.into_iter().filter(|reading| reading.boot == daemon.clock.boot()) {
                if self.take(&reading) {
                    newest_taken = Some(reading);
                }
            }
            selection.after = page.next;
            if page.next.is_none() {
                break;
            }
        }
        if selection.after.is_some() {
            self.judge.gap();
        }
        // The curve asks the log by itself.
        (self.points, self.missed) = (Vec::new(), false);
        // What is shown is made into JSON once, and not every reading before it.
        let logged = newest_taken.and_then(|reading| Logged::new(reading).ok()).map(Arc::new);
        let latest = self.meter.latest();
        self.latest = logged.into_iter().chain(latest).max_by_key(|logged| logged.reading.sequence);
        if self.latest.is_none() {
            let _place = questions.acquire().await;
            self.latest = newest(daemon, self.meter.id()).await;
        }
    }

    /// Takes what the meter's task makes known.
    pub(super) fn hear(&mut self, news: &Published, daemon: &Daemon) {
        match news {
            Published::Reading { logged, .. } => self.see(logged),
            // It is gone, or somebody else has it for whatever they like: what is seen next may be something else.
            Published::Failed { exposure: None, .. } | Published::Leased => self.judge.gap(),
            Published::Anew { t_s, .. } => self.begin_anew(*t_s),
            Published::Failed { .. } | Published::Refused(_) => {}
        }
        self.note(daemon.clock.now_s());
    }

    /// Some went by too fast.
    pub(super) fn lagged(&mut self) {
        self.judge.gap();
        self.missed = true;
    }

    fn see(&mut self, logged: &Arc<Logged>) {
        if self.take(&logged.reading) {
            self.latest = Some(Arc::clone(logged));
        }
    }

    /// Takes a reading, unless it is an old one, or one of the dark.
    fn take(&mut self, reading: &Reading) -> bool {
        if reading.sequence <= self.last || reading.flags.contains(&Flag::Dark) {
            return false;
        }
        self.last = reading.sequence;
        self.look_at_scale(reading);
        self.look_at_silence(reading);
        self.warming = reading.flags.contains(&Flag::MeterWarming);
        let (t_s, y) = (reading.t_s, reading.light.value());
        let uv = reading.light.chromaticity().map(|colour| [colour.u_prime(), colour.v_prime()]);
        self.judge.push(Observation { t_s, integration_s: reading.integration_s, y, uv });
        self.note(t_s);
        if self.points.len() < POINTS {
            self.points.push((reading.sequence, unix_s(reading.at), y));
        } else {
            self.missed = true;
        }
        true
    }

    /// What was seen before a long silence says nothing of now: a verdict's promise is good for a hold.
    fn look_at_silence(&mut self, reading: &Reading) {
        let silence = self.last_s.replace(reading.t_s).map(|last_s| reading.t_s - last_s);
        let usual = std::mem::replace(&mut self.usual_s, silence);
        if silence.is_some_and(|silence| is_silence(silence, usual, self.criteria.hold_s)) {
            self.usual_s = None;
            self.begin_anew(reading.began_s);
        }
    }

    /// Readings on another scale begin another series.
    fn look_at_scale(&mut self, reading: &Reading) {
        let scale = Some(Scale::of(reading));
        if self.scale != scale {
            if self.scale.is_some() {
                self.begin_anew(reading.began_s);
                // Those on the other scale aren't told as if they were on this one. The log has them.
                self.points.clear();
                self.missed = true;
            }
            self.scale = scale;
        } else if self.resolution != self.meter.resolution() {
            // A meter tells its step as it is opened, which may be after somebody has come to look.
            self.begin_anew(reading.began_s);
        }
    }

    fn begin_anew(&mut self, now_s: f64) {
        self.resolution = self.meter.resolution();
        self.judge.anew(now_s, self.resolution);
    }

    /// Takes note of when the verdict changed.
    fn note(&mut self, now_s: f64) {
        let verdict = self.judge.verdict().filter(|_| !self.warming);
        if verdict != self.verdict.0 {
            self.verdict = (verdict, verdict.map(|_| now_s));
        }
    }

    /// The verdict.
    pub(super) fn verdict(&self) -> Option<Verdict> {
        self.verdict.0
    }

    /// The latest reading, with the points since the last time, and whether some are missing.
    pub(super) fn seen(&mut self) -> Option<(Arc<Logged>, Vec<Point>, bool)> {
        let latest = Arc::clone(self.latest.as_ref()?);
        Some((latest, std::mem::take(&mut self.points), std::mem::take(&mut self.missed)))
    }

    /// How it stands; nothing before anything was seen.
    pub(super) fn judged(&self) -> Option<Judged<'_>> {
        let latest = &self.latest.as_ref()?.reading;
        let Standing { value, mut evidence, .. } = self.judge.standing();
        if self.warming {
            evidence.failing.push(Test::MeterWarmUp);
        }
        let left = |at_s: f64| self.started_s + at_s - latest.t_s;
        let settles = evidence.forecast.take().map(|forecast| [left(forecast.low_s), left(forecast.high_s)]);
        let (verdict, since_s) = self.verdict;
        let unit = latest.light.photometric().unit();
        let message =
            verdict.map(|verdict| sentence(verdict, &evidence, value.as_ref(), &self.criteria, unit));
        Some(Judged {
            meter: self.meter.id(),
            verdict,
            since_s,
            t_s: latest.t_s,
            unit,
            hold_s: self.criteria.hold_s,
            value,
            settles,
            evidence,
            message,
        })
    }
}

/// Whether readings are missing where the next comes so much later, in s.
fn is_silence(silence: f64, usual: Option<f64>, hold_s: f64) -> bool {
    silence > hold_s && usual.is_none_or(|usual| silence > SILENT * usual)
}

/// The newest reading of a meter that the log has.
async fn newest(daemon: &Daemon, meter: &str) -> Option<Arc<Logged>> {
    let reading = daemon.log.newest_reading(meter).await.ok().flatten()?;
    Logged::new(reading).ok().map(Arc::new)
}

fn unix_s(at: Timestamp) -> f64 {
    at.unix_ns() as f64 / 1e9
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_are_missing_where_they_come_much_later_than_usual_and_later_than_a_hold() {
        assert!(is_silence(7200.0, Some(5.0), 60.0));
        assert!(is_silence(61.0, None, 60.0));
        assert!(!is_silence(59.0, Some(1.0), 60.0), "the promise is good for so long");
        assert!(!is_silence(120.0, Some(120.0), 60.0), "a run that reads every two minutes");
    }
}
