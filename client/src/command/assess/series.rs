//! One series of recorded readings, and what the engine says of it.

use settled::settle::mover::{Darks, WarmUp, moves};
use settled::settle::{Change, Judge, Observation, Standing};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Criteria, Estimate, Evidence, Forecast, Test, Verdict};

use super::cautions::Cautions;
use super::changes::Changes;
use super::mistake::Mistake;
use super::record::Record;

/// A series.
#[derive(Debug)]
pub(super) struct Series {
    pub(super) id: Box<str>,
    pub(super) criteria: Criteria,
    pub(super) photometric: Photometric,
    /// Readings of light that were taken.
    pub(super) readings: u64,
    /// Readings taken with the aperture covered.
    pub(super) darkened: u64,
    /// When it began: with the exposure of the first reading of light under its criteria.
    pub(super) started_s: f64,
    pub(super) last_t_s: f64,
    /// The first time it had settled.
    pub(super) settled: Option<Change>,
    /// When it was lost, if it has not settled again since.
    pub(super) lost_s: Option<f64>,
    /// Every change of verdict.
    pub(super) changes: Changes,
    /// Lines set aside because of a mistake that only the series shows.
    pub(super) mistakes: u64,
    /// Whether anything was said of it beside readings, and that it ends.
    announced: bool,
    boot: Option<Box<str>>,
    /// The correction that its light went through, if it went through one.
    pub(super) correction: Option<Box<str>>,
    /// In what it differs from the series of the same name before or after it.
    pub(super) apart: Apart,
    /// By whose eye the light is meant, where that isn't CIE 1931, 2°.
    pub(super) observer: Option<Box<str>>,
    resolution: Option<f64>,
    /// Made at the first reading, which tells when the series began.
    judge: Option<Box<Judge>>,
    /// Every flag that was on a reading of light, and whether the dark was simulated or replayed.
    pub(super) cautions: Cautions,
    darks: Darks,
    warm_up: WarmUp,
    /// Whether a verdict was kept back while the meter warmed up.
    kept_back: bool,
    last_forecast: Option<Forecast>,
}

/// In what a series differs from another of the same name, so that it must be said even where it has none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Apart {
    pub(super) correction: bool,
    pub(super) observer: bool,
}

impl Apart {
    fn or(self, other: Self) -> Self {
        Self { correction: self.correction || other.correction, observer: self.observer || other.observer }
    }
}

/// How a series ended.
#[derive(Debug)]
pub(super) struct Ending {
    pub(super) verdict: Verdict,
    pub(super) t_settled_s: Option<f64>,
    pub(super) value: Option<Estimate>,
    pub(super) evidence: Evidence,
}

/// By whose eye a record's light is meant, where that must be said.
fn unusual<'a>(record: &'a Record<'_>) -> Option<&'a str> {
    record.observer.as_deref().filter(|observer| *observer != Observer::default().name())
}

impl Series {
    /// A series that nothing is known of yet.
    pub(super) fn new(id: &str, criteria: Criteria) -> Self {
        Self {
            id: id.into(),
            criteria,
            photometric: Photometric::Luminance,
            readings: 0,
            darkened: 0,
            started_s: f64::NEG_INFINITY,
            last_t_s: f64::NEG_INFINITY,
            settled: None,
            lost_s: None,
            changes: Changes::default(),
            mistakes: 0,
            announced: false,
            boot: None,
            correction: None,
            apart: Apart::default(),
            observer: None,
            resolution: None,
            judge: None,
            cautions: Cautions::default(),
            darks: Darks::default(),
            warm_up: WarmUp::Unknown,
            kept_back: false,
            last_forecast: None,
        }
    }

    /// Whether a record can't be compared with the series: its times are of another clock, or its light went through another
    /// correction or is meant by another observer. Then another series begins. Dark readings go through none, whatever those around them do.
    #[inline]
    pub(super) fn is_another(&self, record: &Record<'_>) -> bool {
        let clock = matches!((&self.boot, &record.boot), (Some(ours), Some(theirs)) if **ours != **theirs);
        let is_light = self.readings > 0 && record.point().is_some() && !record.cautions.has(Flag::Dark);
        clock || (is_light && self.apart_from(record) != Apart::default())
    }

    /// In what a record of light differs from the series.
    fn apart_from(&self, record: &Record<'_>) -> Apart {
        Apart {
            correction: self.correction.as_deref() != record.correction.as_deref(),
            observer: self.observer.as_deref() != unusual(record),
        }
    }

    /// Notes in what the record that begins the next series of its name differs from it, and says so.
    pub(super) fn part(&mut self, record: &Record<'_>) -> Apart {
        let is_light = self.readings > 0 && record.point().is_some() && !record.cautions.has(Flag::Dark);
        let apart = if is_light { self.apart_from(record) } else { Apart::default() };
        self.apart = self.apart.or(apart);
        apart
    }

    /// Whether there is nothing to say of it: it ended before it began.
    pub(super) fn is_nothing(&self) -> bool {
        self.readings + self.darkened == 0 && !self.announced
    }

    /// Whether it was said to be settled, and not lost since.
    pub(super) fn stands(&self) -> bool {
        self.settled.is_some() && self.lost_s.is_none()
    }

    /// Takes a record; gives the change of verdict that it caused, if any.
    #[inline]
    pub(super) fn take(&mut self, record: &Record<'_>) -> Result<Option<Change>, Mistake> {
        if record.criteria.is_some() || record.resolution.is_some() || self.readings == 0 {
            self.set_up(record);
        }
        let Some((t_s, y)) = record.point() else { return Ok(None) };
        if t_s <= self.last_t_s {
            self.mistakes += 1;
            return Err(Mistake::Backwards { id: self.id.to_string(), t_s, last_t_s: self.last_t_s });
        }
        self.last_t_s = t_s;
        if record.cautions.has(Flag::Dark) {
            // That it is below the meter's range, or such, is no caution on the light.
            let unreal = record.cautions.only(Flag::Simulated).with(record.cautions.only(Flag::Replayed));
            self.cautions = self.cautions.with(unreal);
            self.darkened += 1;
            self.darks.push(t_s, y);
            return Ok(None);
        }
        self.readings += 1;
        self.cautions = self.cautions.with(record.cautions);
        self.warm_up = match (record.cautions.has(Flag::MeterWarming), self.warm_up) {
            (true, _) => WarmUp::Going,
            (false, WarmUp::Unknown) => WarmUp::Unknown,
            (false, _) => WarmUp::Over,
        };
        if self.judge.is_none() {
            self.started_s = t_s - record.integration_s.unwrap_or(0.0);
        }
        let judge = self
            .judge
            .get_or_insert_with(|| Box::new(Judge::new(self.criteria, self.resolution, self.started_s)));
        let change = judge.push(Observation { t_s, integration_s: record.integration_s, y, uv: record.uv });
        let change = self.vouched_for(change);
        if let Some(change) = &change {
            self.note(change);
        }
        Ok(change)
    }

    /// What is to be said of a change of verdict. A meter in its own warm-up can't vouch for anything: a verdict is kept back
    /// meanwhile, and given at the first reading after it if it still stands.
    #[inline]
    fn vouched_for(&mut self, change: Option<Change>) -> Option<Change> {
        let change = change.filter(|change| change.verdict != Verdict::Lost || self.stands());
        if self.warm_up == WarmUp::Going {
            self.kept_back |= change.is_some();
            return change.filter(|change| change.verdict == Verdict::Lost);
        }
        if !std::mem::take(&mut self.kept_back) || change.is_some() {
            return change;
        }
        let judge = self.judge.as_ref()?;
        let Standing { verdict, value, evidence } = judge.standing();
        let verdict = verdict.filter(|verdict| *verdict != Verdict::Lost)?;
        Some(Change { verdict, t_s: self.last_t_s, value, evidence })
    }

    /// What a record says of the series beside a reading.
    fn set_up(&mut self, record: &Record<'_>) {
        if let Some(criteria) = record.criteria.filter(|criteria| *criteria != self.criteria) {
            self.criteria = criteria;
            self.judge = None;
            (self.settled, self.lost_s, self.changes) = (None, None, Changes::default());
            self.kept_back = false;
        }
        self.announced |= record.criteria.is_some() || record.resolution.is_some();
        self.resolution = record.resolution.or(self.resolution);
        self.photometric = record.photometric.unwrap_or(self.photometric);
        if let Some(boot) = &record.boot {
            self.boot = Some(boot.as_ref().into());
        }
        if let Some(correction) = &record.correction {
            self.correction = Some(correction.as_ref().into());
        }
        if let Some(observer) = unusual(record) {
            self.observer = Some(observer.into());
        }
    }

    fn note(&mut self, change: &Change) {
        self.changes.push((change.t_s, change.verdict));
        match change.verdict {
            Verdict::Settled => {
                self.lost_s = None;
                self.settled.get_or_insert_with(|| change.clone());
            }
            Verdict::Lost => self.lost_s = Some(change.t_s),
            Verdict::NoiseLimited | Verdict::WontSettle | Verdict::TimedOut => {}
        }
    }

    /// The forecast, if it is a new one, on the series' own clock.
    pub(super) fn new_forecast(&mut self) -> Option<Forecast> {
        let judge = self.judge.as_ref()?;
        let forecast = judge.forecast()?;
        if self.last_forecast.replace(forecast) == Some(forecast) {
            return None;
        }
        let own = |relative: f64| relative + self.started_s;
        let Forecast { settles_at_s, low_s, high_s } = forecast;
        Some(Forecast { settles_at_s: own(settles_at_s), low_s: own(low_s), high_s: own(high_s) })
    }

    /// How it ended: as it was the first time it had settled, else as it stands at the end.
    pub(super) fn ending(&self) -> Ending {
        if let Some(Change { verdict, t_s, value, evidence }) = &self.settled {
            let (t_settled_s, evidence) = (Some(*t_s), evidence.clone());
            return Ending { verdict: *verdict, t_settled_s, value: *value, evidence };
        }
        let Some(judge) = &self.judge else {
            let evidence = Evidence { failing: vec![Test::TooFew], ..Evidence::default() };
            return Ending { verdict: Verdict::TimedOut, t_settled_s: None, value: None, evidence };
        };
        let mut standing = judge.standing();
        standing.evidence.moves = moves(
            &standing.evidence,
            standing.value.as_ref(),
            self.criteria.hold_s,
            self.last_t_s,
            &self.darks,
            self.warm_up,
        );
        let is_warming = self.warm_up == WarmUp::Going;
        if is_warming {
            standing.evidence.failing.push(Test::MeterWarmUp);
        }
        let hopeless =
            |verdict: &Verdict| !is_warming && matches!(verdict, Verdict::NoiseLimited | Verdict::WontSettle);
        Ending {
            verdict: standing.verdict.filter(hopeless).unwrap_or(Verdict::TimedOut),
            t_settled_s: None,
            value: standing.value,
            evidence: standing.evidence,
        }
    }
}
