//! One run as it goes on: what it has seen, what it is alarmed at, whom it tells, and what is kept of it.

use std::sync::Arc;
use std::time::Duration;

use settled_drivers::clock::Clock as _;
use settled_protocol::error::RpcError;
use settled_protocol::log::EventKind;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::run::{Alert, AlertKind, Run, RunKind, RunState, RunVerdict};
use tokio::time::Instant;

use super::alarm::Alarm;
use super::book::Entry;
use super::kept::Kept;
use super::point::Burst;
use super::series::Series;
use super::verdict::verdict;
use super::{plan, words};
use crate::client::By;
use crate::daemon::Daemon;
use crate::log::Happening;
use crate::meter_task::MeterHandle;

mod alerting;

/// Between two notifications of progress, and between two looks at the log's health, in real time.
const TELLS: Duration = Duration::from_secs(1);
const LOOKS: Duration = Duration::from_secs(10);

/// How often a run that goes on is written, in real time: all but its alerts, which are written as they come, can be had from its
/// readings.
const KEEPS: Duration = Duration::from_secs(300);

/// How much longer than planned nothing may come until that is a gap, and how long at least, in s.
const LATE: f64 = 1.5;
const LEAST_GAP_S: f64 = 5.0;

/// No burst is shorter than this, in s, where points that are missed are counted.
const SHORTEST_S: f64 = 1e-3;

/// One run as it goes on.
#[derive(Debug)]
pub(super) struct Course {
    pub(super) daemon: Arc<Daemon>,
    pub(super) entry: Arc<Entry>,
    pub(super) meter: MeterHandle,
    pub(super) kept: Kept,
    by: By,
    /// The boot clock at its beginning, in s. All other spans are from there.
    origin_s: f64,
    /// The end of its last reading, in s; its beginning before there is any.
    last_s: f64,
    /// How long a burst takes, in s, once there has been one.
    burst_s: f64,
    /// Since when its points have had a beat, in s, and how many were counted before, those that were missed among them.
    beat: (f64, u64),
    burst: Burst,
    series: Series,
    alarm: Alarm,
    /// The correction that its latest reading went through.
    correction: Option<Option<String>>,
    next_told: Instant,
    next_look: Instant,
    next_kept: Instant,
}

impl Course {
    /// A run that began when the boot clock was at `origin_s`.
    pub(super) fn new(
        daemon: &Arc<Daemon>,
        entry: &Arc<Entry>,
        meter: MeterHandle,
        kept: Kept,
        origin_s: f64,
    ) -> Self {
        let now = Instant::now();
        Self {
            daemon: Arc::clone(daemon),
            entry: Arc::clone(entry),
            meter,
            by: By::itself(),
            origin_s,
            last_s: 0.0,
            burst_s: 0.0,
            beat: (0.0, 0),
            burst: Burst::default(),
            series: Series::default(),
            alarm: Alarm::new(kept.run.plan.alert),
            correction: None,
            next_told: now,
            next_look: now,
            next_kept: now + KEEPS,
            kept,
        }
    }

    /// By whom it asks its meter: it waits while somebody else has it. Its readings are its own before the log knows of it, too: once that
    /// can be written, what waits is written first.
    pub(super) fn by(&self) -> By {
        self.by.clone().until(f64::MAX).for_run(self.kept.run.run)
    }

    /// Since its beginning, in s.
    pub(super) fn elapsed_s(&self) -> f64 {
        self.daemon.clock.now_s() - self.origin_s
    }

    /// So many s after its beginning, on the daemon's clock.
    pub(super) fn clock_s(&self, t_s: f64) -> f64 {
        self.origin_s + t_s
    }

    /// The end of its last reading, in s from its beginning.
    pub(super) fn last_s(&self) -> f64 {
        self.last_s
    }

    /// When its next burst is due, on the daemon's clock.
    pub(super) fn next_due_s(&self) -> f64 {
        let interval_s = plan::interval_s(&self.kept.run.plan);
        let after_s = if self.kept.run.readings == 0 { 0.0 } else { self.last_s - self.burst_s + interval_s };
        self.clock_s(after_s).max(self.daemon.clock.now_s())
    }

    /// Lets its time go on from its last reading, where UTC of another boot says that it is earlier.
    pub(super) fn never_back(&mut self) {
        self.origin_s -= (self.last_s - self.elapsed_s()).max(0.0);
        self.kept.origin_s = Some(self.origin_s);
    }

    /// Forgets what it has seen, to see all of it again. What it was, as it was written.
    pub(super) fn forget(&mut self) -> Run {
        let before = self.kept.run.clone();
        let run = &mut self.kept.run;
        (run.points, run.readings, run.first, run.last) = (0, 0, None, None);
        (run.gaps, run.gap_s, run.missed) = (0, 0.0, 0);
        (run.reference, run.latest) = (None, None);
        self.beat = (0.0, 0);
        before
    }

    /// Counts at least what was written of it: some of its readings may never have been in the log, or aren't any more.
    pub(super) fn remember(&mut self, before: Run) {
        let run = &mut self.kept.run;
        if before.readings <= run.readings {
            return;
        }
        (run.points, run.readings) = (before.points.max(run.points), before.readings);
        (run.gaps, run.gap_s, run.missed) = (before.gaps, before.gap_s, before.missed);
        (run.first, run.last) = (before.first.or(run.first), run.last.max(before.last));
        (run.reference, run.latest) = (before.reference.or(run.reference), run.latest.or(before.latest));
        let ended = run.latest.map(|latest| plan::seconds_between(run.begins, latest.at).max(0.0));
        self.last_s = self.last_s.max(ended.unwrap_or(0.0));
        self.beat = (self.last_s, run.points + run.missed);
    }

    /// Goes on with the alerts that stood when it was written.
    pub(super) fn stand_on(&mut self) {
        self.alarm.goes_on(&self.kept.run.standing);
    }

    /// How long it lasts, in s; nothing for one that goes on until it is stopped.
    pub(super) fn lasts_s(&self) -> Option<f64> {
        self.kept.run.ends.map(|ends| plan::seconds_between(self.kept.run.begins, ends))
    }

    /// From one burst to the next at least, in s.
    fn pitch_s(&self) -> f64 {
        plan::interval_s(&self.kept.run.plan).max(self.burst_s)
    }

    /// From when on it is an alert that nothing comes, in s from its beginning.
    pub(super) fn lost_at_s(&self) -> f64 {
        let plan = &self.kept.run.plan;
        self.last_s + self.pitch_s() + plan.integration_s.unwrap_or(0.0) + plan::lost_s(plan)
    }

    /// Takes a reading: what it says, and what its coming says.
    pub(super) async fn take(&mut self, reading: &Reading) {
        let (began_s, ended_s) = (reading.began_s - self.origin_s, reading.t_s - self.origin_s);
        let waited = self.kept.run.waiting.take();
        let corrected = self.correction.as_ref().is_some_and(|before| *before != reading.correction);
        let points = self.kept.run.points;
        if let Some(gap_s) = self.absorb(reading, began_s, ended_s) {
            self.tell_gap(gap_s, waited.as_ref()).await;
        }
        self.over(AlertKind::MeterLost, "the meter gives readings again").await;
        if corrected {
            self.over(AlertKind::Luminance, "the meter's correction was changed").await;
            self.over(AlertKind::Chromaticity, "the meter's correction was changed").await;
        }
        self.look_at_light(reading).await;
        let unlogged = reading.flags.contains(&Flag::Unlogged);
        if unlogged || Instant::now() >= self.next_look {
            self.next_look = Instant::now() + LOOKS;
            self.look_at_log().await;
        }
        if self.kept.run.points > points {
            self.get_on().await;
        }
    }

    /// Counts a reading, exposed between these, in s from the run's beginning. The gap before it, in s, if there was one.
    pub(super) fn absorb(&mut self, reading: &Reading, began_s: f64, ended_s: f64) -> Option<f64> {
        let interval_s = plan::interval_s(&self.kept.run.plan);
        let pause_s = if interval_s > 0.0 { 0.5 * interval_s } else { self.late_s() };
        if self.burst.count() > 0 && began_s - self.last_s > pause_s {
            self.close();
        }
        let gap_s = self.gap_before(began_s);
        if self.correction.as_ref().is_some_and(|before| *before != reading.correction) {
            self.begin_anew();
        }
        self.correction = Some(reading.correction.clone());
        self.series.take(reading);
        let run = &mut self.kept.run;
        run.readings += 1;
        run.first.get_or_insert(reading.sequence);
        run.last = Some(reading.sequence);
        run.quantity = Some(reading.light.photometric());
        for flag in &reading.flags {
            if !run.flags.contains(flag) {
                run.flags.push(*flag);
            }
        }
        self.last_s = ended_s;
        self.burst.push(reading, began_s, ended_s);
        if self.burst.count() >= plan::burst(&self.kept.run.plan) {
            self.close();
        }
        gap_s
    }

    /// Readings through another correction are on another scale: the light is held against what comes first of them.
    fn begin_anew(&mut self) {
        self.close();
        self.series = Series::default();
        self.alarm.anew();
        self.kept.run.reference = None;
    }

    /// Makes a point of the burst so far.
    pub(super) fn close(&mut self) {
        let burst = std::mem::take(&mut self.burst);
        let Some((point, observed)) = burst.point() else { return };
        self.burst_s = burst.span_s();
        self.series.point(observed);
        let run = &mut self.kept.run;
        run.points += 1;
        run.reference.get_or_insert(point);
        run.latest = Some(point);
        if self.burst_s > plan::interval_s(&run.plan) {
            self.beat = (self.last_s, run.points + run.missed);
        }
    }

    /// How long nothing may come until that is a gap, in s.
    fn late_s(&self) -> f64 {
        (LATE * self.pitch_s()).max(LEAST_GAP_S)
    }

    /// Counts a gap if something was due that didn't come before `until_s`. How long it is, in s.
    fn gap_before(&mut self, until_s: f64) -> Option<f64> {
        let gap_s = until_s - self.last_s;
        if gap_s <= self.late_s() {
            return None;
        }
        let missed = self.missed_by(until_s, gap_s);
        let run = &mut self.kept.run;
        run.gaps += 1;
        run.gap_s += gap_s;
        run.missed += whole(missed);
        Some(gap_s)
    }

    /// Points that were due by the end of a gap, have not come and are not counted yet. Where they have a beat of their own that is told
    /// from its beginning on, so that many gaps don't add up to more than was ever due. Where readings come without pause none is due at
    /// any time: what wasn't seen is as long as the gap, and how many readings the meter would have given is nobody's to know.
    fn missed_by(&self, until_s: f64, gap_s: f64) -> f64 {
        let (run, interval_s) = (&self.kept.run, plan::interval_s(&self.kept.run.plan));
        if interval_s == 0.0 {
            0.0
        } else if interval_s > self.burst_s.max(SHORTEST_S) {
            let (from_s, counted) = self.beat;
            ((until_s - from_s) / interval_s).floor() - (run.points + run.missed - counted) as f64
        } else {
            (gap_s / self.pitch_s().max(SHORTEST_S)).round() - 1.0
        }
    }

    /// Writes down that nothing came for so long, and why.
    async fn tell_gap(&self, gap_s: f64, why: Option<&RpcError>) {
        let why = why.map(|error| format!(": {error}")).unwrap_or_default();
        let detail =
            format!("{} has no readings for {}{why}", plan::name(&self.kept.run), words::span(gap_s));
        self.event(EventKind::RunGap, detail).await;
    }

    /// Writes down that something happened to it.
    pub(super) async fn event(&self, kind: EventKind, detail: impl Into<String>) {
        let happening = Happening::about(kind, self.meter.id(), detail).of_run(self.kept.run.run);
        self.daemon.log.event(&self.daemon.clock, happening).await;
    }

    /// Brings what changes by itself up to date.
    fn refresh(&mut self) {
        let (elapsed_s, lasts_s) = (self.elapsed_s().max(0.0), self.lasts_s());
        let run = &mut self.kept.run;
        run.elapsed_s = elapsed_s;
        if run.plan.kind != RunKind::WarmUp {
            run.left_s = lasts_s.map(|lasts_s| (lasts_s - elapsed_s).max(0.0));
            run.drift = self.series.drift();
        }
        run.message = words::getting_on(run, self.series.mean());
    }

    /// Tells how it gets on, and writes that down, no more often than is of use.
    pub(super) async fn get_on(&mut self) {
        let now = Instant::now();
        if now >= self.next_told {
            self.next_told = now + TELLS;
            self.refresh();
            self.daemon.runs.progress(&self.entry, &self.kept);
        }
        if now >= self.next_kept {
            self.keep().await;
        }
    }

    /// Tells everyone how it is now.
    pub(super) fn tell(&self, alert: Option<Alert>) {
        self.daemon.runs.changed(&self.entry, &self.kept, alert);
    }

    /// Writes down how it is now.
    pub(super) async fn keep(&mut self) {
        self.refresh();
        self.next_kept = Instant::now() + KEEPS;
        if self.daemon.log.keep_run(self.kept.clone()).await {
            self.entry.set_durable(true);
        }
    }

    /// Ends it: no gap stays untold, and what there is is judged.
    pub(super) async fn end(mut self, state: RunState, why: Option<String>) {
        self.close();
        let elapsed_s = self.lasts_s().map_or(self.elapsed_s(), |lasts_s| lasts_s.min(self.elapsed_s()));
        let waited = self.kept.run.waiting.take();
        if let Some(gap_s) = self.gap_before(elapsed_s) {
            self.tell_gap(gap_s, waited.as_ref()).await;
        }
        self.refresh();
        let run = &mut self.kept.run;
        run.elapsed_s = elapsed_s;
        let mut doubts = Vec::new();
        run.verdict = match run.plan.kind {
            RunKind::WarmUp => run.verdict.or(Some(RunVerdict::NotSettled)),
            kind => {
                let unseen = run.gap_s / elapsed_s.max(SHORTEST_S);
                let (reference, criteria) = (run.reference.as_ref(), &run.plan.criteria);
                let found = verdict(kind, &self.series, reference, criteria, unseen);
                (run.findings, doubts) = (found.findings, found.doubts);
                Some(found.verdict)
            }
        };
        let outcome = words::outcome(run, &doubts, self.series.mean());
        let message = why.map_or_else(|| outcome.clone(), |why| format!("{why} {outcome}"));
        self.daemon.runs.conclude(&self.daemon, &self.entry, self.kept, state, message).await;
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count, held to what there is")]
fn whole(count: f64) -> u64 {
    count.max(0.0) as u64
}
