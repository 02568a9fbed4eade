//! All figures of a run for programs: as one object, and one a line.

use schemars::JsonSchema;
use serde::Serialize;
use settled_protocol::bins::Bin;
use settled_protocol::log::Event;
use settled_protocol::run::Run;
use settled_protocol::statistics::{Comparison, Series, Statistics};

use super::{Beside, Night, against, tables, verdict};
use crate::evaluate::figure::Figure;
use crate::report::Tone;
use crate::report::rows::Row;

/// Everything that the document is made of.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Figures {
    /// [`FORM`](super::FORM).
    pub night: u32,
    /// The run, with `statistics` in it.
    pub run: Run,
    /// Another that it is held against; `one` is that, `other` this one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub against: Option<Against>,
    /// What is drawn: a bin a point.
    pub bins: Vec<Bin>,
    /// What happened meanwhile.
    pub events: Vec<Event>,
    /// Whether more happened.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub more_events: bool,
}

/// Another run, and how this one differs from it.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Against {
    /// Its number.
    pub run: u64,
    /// The comparison.
    pub comparison: Comparison,
    /// In what the two are so unlike that they hardly compare, in words.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

impl Night {
    /// All figures as they go into JSON.
    #[must_use]
    pub fn figures(&self) -> Figures {
        let against = self.against.as_ref().map(|Beside { run, comparison }| Against {
            run: run.run,
            comparison: comparison.clone(),
            cautions: against::unlike(self),
        });
        let run = Run { statistics: Some(self.statistics.clone()), ..self.run.clone() };
        let (bins, events) = (self.course.bins.clone(), self.course.events.clone());
        Figures { night: super::FORM, run, against, bins, events, more_events: self.course.more_events }
    }

    /// All figures one a line.
    #[must_use]
    pub fn rows(&self) -> Vec<Row> {
        let mut rows = vec![self.judged()];
        rows.extend(self.course.settled.map(|level| {
            let ends = (level.value - level.u95, level.value + level.u95);
            self.interval("settled_at", self.statistics.quantity.unit(), level.value, ends)
        }));
        rows.extend(self.counts());
        for (name, _, unit, series) in tables::quantities(&self.statistics) {
            rows.extend(self.of_series(name, unit, series));
        }
        rows.extend(self.steadiness_rows());
        if let Some(Beside { run, comparison }) = &self.against {
            rows.extend(against::differences(comparison).into_iter().map(|(name, _, unit, found)| Row {
                patch: format!("run {}", run.run),
                ..self.interval(name, unit, found.value, (found.low, found.high))
            }));
        }
        rows
    }

    fn row(&self, quantity: &str, unit: &str, value: f64) -> Row {
        Row {
            set: format!("run {}", self.run.run),
            sequence: self.run.plan.kind.name().to_owned(),
            quantity: quantity.to_owned(),
            value: Some(value),
            unit: if unit.is_empty() { "1".to_owned() } else { unit.to_owned() },
            ..Row::default()
        }
    }

    fn interval(&self, quantity: &str, unit: &str, value: f64, (low, high): (f64, f64)) -> Row {
        self.row(quantity, unit, value).with(Some(Figure::between(value, low, high)), unit)
    }

    /// The run's verdict: it has no figure of its own.
    fn judged(&self) -> Row {
        let (tone, word) = verdict(&self.run);
        let source = if tone == Tone::Plain { "" } else { "what the run was asked for" };
        Row {
            value: None,
            verdict: word.replace(' ', "_"),
            source: source.to_owned(),
            ..self.row("verdict", "", 0.0)
        }
    }

    /// Points that were missed are told where there is an interval that they were due by.
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
    fn counts(&self) -> Vec<Row> {
        let Run { points, readings, missed, gaps, gap_s, alerts, .. } = self.run;
        let Statistics { span_s, thinned, .. } = self.statistics;
        let missed = (self.run.plan.pace_s() > 0.0).then(|| self.row("missed", "", missed as f64));
        let seen = [self.row("points", "", points as f64), self.row("readings", "", readings as f64)];
        let others = [
            self.row("gaps", "", gaps as f64),
            self.row("gap_s", "s", gap_s),
            self.row("alerts", "", alerts as f64),
            self.row("span_s", "s", span_s),
            self.row("thinned", "", thinned as f64),
        ];
        seen.into_iter().chain(missed).chain(others).collect()
    }

    fn of_series(&self, name: &str, unit: &str, series: &Series) -> Vec<Row> {
        let one = |quantity: &str, value: Option<f64>| value.map(|value| self.row(quantity, unit, value));
        let plain = [
            one("mean", Some(series.mean)),
            one("mean_standard_uncertainty", series.uncertainty),
            one("standard_deviation", series.sd),
            one("smallest", Some(series.min)),
            one("largest", Some(series.max)),
        ];
        let drift = series.drift.as_ref().map(|drift| {
            self.interval(
                "drift_per_h",
                &format!("{unit}/h"),
                drift.per_h,
                (drift.low_per_h, drift.high_per_h),
            )
        });
        let day =
            series.day.map(|day| self.interval("day_amplitude", unit, day.amplitude, (day.low, day.high)));
        let rows = plain.into_iter().flatten().chain(drift).chain(day);
        rows.map(|row| Row { patch: name.to_owned(), ..row }).collect()
    }

    fn steadiness_rows(&self) -> Vec<Row> {
        let unit = self.statistics.quantity.unit();
        let deviation = |point: &settled_protocol::statistics::Deviation| Row {
            patch: format!("value, averaged over {} s", point.tau_s),
            ..self.interval("allan_deviation", unit, point.deviation, (point.low, point.high))
        };
        self.statistics.value.allan.iter().map(deviation).collect()
    }
}
