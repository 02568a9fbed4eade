//! A stretch that was gone through, on its way to an answer.

use std::collections::BTreeSet;

use settled_protocol::error::RpcError;
use settled_protocol::reading::Flag;
use settled_protocol::statistics::{CompareParams, Comparison, Difference, Statistics, StatisticsParams};
use settled_protocol::time::Timestamp;

use super::{Axis, Failure, Log, Night, check, observer, quantity, stretch, sum_up};
use crate::drift::night::{Figures, Quantity};
use crate::drift::words;
use crate::log::sums::Flags;

/// Corrections that are listed at most: more than one is too many to tell anything but counts and ranges.
const MOST_CORRECTIONS: usize = 64;

/// Readings that are of other light, and not counted.
#[derive(Debug, Default)]
pub(super) struct LeftOut {
    pub(super) quantity: u64,
    pub(super) observer: u64,
}

/// What was gathered of a stretch.
#[derive(Debug)]
pub(in crate::log) struct Summed {
    meter: String,
    illuminance: bool,
    observer: Option<String>,
    bin_s: f64,
    pub(super) night: Night,
    pub(super) axis: Axis,
    pub(super) left_out: LeftOut,
    pub(super) thinned: u64,
    first: Option<u64>,
    last: u64,
    since_ns: u64,
    until_ns: u64,
    elapsed_s: f64,
    /// The span of the row before, in s; none for a reading.
    span_s: f64,
    gaps: u64,
    gap_s: f64,
    flags: Flags,
    /// The corrections that light went through; nothing stands for none.
    corrections: BTreeSet<Option<String>>,
}

/// A stretch's answer, and what comparing it takes.
struct Told {
    statistics: Statistics,
    figures: Figures,
}

impl Summed {
    pub(super) fn new(meter: String, illuminance: bool, observer: Option<&str>, bin_s: f64) -> Self {
        Self {
            meter,
            illuminance,
            observer: observer.map(str::to_owned),
            bin_s,
            night: Night::new(bin_s),
            axis: Axis::default(),
            left_out: LeftOut::default(),
            thinned: 0,
            first: None,
            last: 0,
            since_ns: 0,
            until_ns: 0,
            elapsed_s: 0.0,
            span_s: 0.0,
            gaps: 0,
            gap_s: 0.0,
            flags: Flags::default(),
            corrections: BTreeSet::new(),
        }
    }

    /// Takes note of a row's flags and correction.
    pub(super) fn is_of(&mut self, flags: Flags, correction: Option<&str>) {
        self.flags = self.flags.and(flags);
        let known = self.corrections.iter().any(|known| known.as_deref() == correction);
        if !known && self.corrections.len() < MOST_CORRECTIONS {
            self.corrections.insert(correction.map(str::to_owned));
        }
    }

    /// Takes note of the time since the row before. What thinning has left stands in the middle of a span.
    pub(super) fn passed(&mut self, elapsed_s: f64, span_s: f64, silent_s: f64) {
        let silence_s = elapsed_s - self.elapsed_s;
        let spans_s = 2.0 * span_s.max(self.span_s);
        if self.first.is_some() && silent_s > 0.0 && silence_s > silent_s.max(spans_s) {
            self.gaps += 1;
            self.gap_s += silence_s;
        }
        (self.elapsed_s, self.span_s) = (elapsed_s, span_s);
    }

    /// Takes note of where the row stands.
    pub(super) fn saw(&mut self, first: u64, last: u64, at_ns: u64) {
        if self.first.is_none() {
            self.first = Some(first);
            self.since_ns = at_ns;
        }
        self.last = self.last.max(last);
        self.until_ns = at_ns;
    }

    fn cautions(&self) -> Vec<String> {
        let mut cautions = Vec::new();
        let scales = self.corrections.len();
        if scales > 1 {
            cautions.push(format!(
                "The readings are on {scales} scales (corrections came and went): only counts, means and ranges are told."
            ));
        }
        let LeftOut { quantity, observer } = self.left_out;
        let readings =
            |count: u64| if count == 1 { "1 reading".to_owned() } else { format!("{count} readings") };
        if quantity > 0 {
            cautions.push(format!("{} of another quantity don't count.", readings(quantity)));
        }
        if observer > 0 {
            cautions.push(format!("{} by another observer's eye don't count.", readings(observer)));
        }
        for (flag, caution) in [
            (Flag::Simulated, "The light is simulated."),
            (Flag::Replayed, "The light was played from a recording."),
            (Flag::MeterWarming, "The meter was warming up itself for a part of it."),
            (Flag::ZeroOverdue, "The meter should have been zeroed before."),
            (Flag::CorrectionMismatch, "The correction was made for another meter or display."),
        ] {
            cautions.extend(self.flags.has(flag).then(|| caution.to_owned()));
        }
        cautions
    }

    #[cfg(test)]
    pub(super) fn into_statistics(self) -> Result<Statistics, Failure> {
        self.told().map(|told| told.statistics)
    }

    fn told(self) -> Result<Told, Failure> {
        let cautions = self.cautions();
        let scale = self.corrections.len() <= 1;
        let figures = self.night.finish(self.axis.midnight_s(), scale);
        let series = |quantity: &Option<Quantity>| quantity.as_ref().map(|quantity| quantity.series.clone());
        // Whatever was taken is a number: rows of a stretch that has some make figures.
        let value = series(&figures.value)
            .ok_or_else(|| Failure::Refused(super::wrong("there are no readings there")))?;
        let mut statistics = Statistics {
            meter: self.meter,
            quantity: quantity(self.illuminance),
            observer: observer(self.observer.as_deref()),
            count: value.count,
            thinned: self.thinned,
            first: self.first.unwrap_or_default(),
            last: self.last,
            since: Timestamp::from_unix_ns(self.since_ns),
            until: Timestamp::from_unix_ns(self.until_ns),
            span_s: self.elapsed_s,
            gaps: self.gaps,
            gap_s: self.gap_s,
            bin_s: self.bin_s,
            value,
            u_prime: series(&figures.u_prime),
            v_prime: series(&figures.v_prime),
            temperature_c: series(&figures.temperature_c),
            with_temperature: figures.with_temperature,
            flags: self.flags.list(),
            corrections: self.corrections.into_iter().flatten().collect(),
            message: String::new(),
        };
        statistics.message = words::message(&statistics, &cautions);
        Ok(Told { statistics, figures })
    }
}

/// Why two stretches can't be compared, where they can't.
fn unlike(one: &Statistics, other: &Statistics) -> Option<&'static str> {
    if one.quantity != other.quantity {
        Some("The one is of luminance, the other of illuminance.")
    } else if one.observer != other.observer {
        Some("They are by the eyes of two observers.")
    } else if one.corrections != other.corrections {
        Some("They went through different corrections: that is more than one scale.")
    } else {
        None
    }
}

fn comparison(one: Told, other: Told) -> Comparison {
    let mut cautions = Vec::new();
    let unlike = unlike(&one.statistics, &other.statistics);
    cautions.extend(unlike.map(str::to_owned));
    if one.statistics.meter != other.statistics.meter {
        cautions
            .push("They are of two meters, so that the difference is that of the meters, too.".to_owned());
    }
    for (name, told) in [("one", &one), ("other", &other)] {
        let caution = told.statistics.value.drift.as_ref().and_then(|drift| drift.caution.as_ref());
        cautions.extend(caution.map(|caution| format!("Of the drift of the {name}: {caution}.")));
    }
    let simulated = [&one, &other].iter().any(|told| told.statistics.flags.contains(&Flag::Simulated));
    cautions.extend(simulated.then(|| "There is simulated light among it.".to_owned()));
    let both = |of: fn(&Figures) -> Option<&Quantity>,
                difference: fn(&Quantity, &Quantity) -> Option<Difference>| {
        let (one, other) = (of(&one.figures)?, of(&other.figures)?);
        unlike.is_none().then(|| difference(one, other))?
    };
    let mean = both(|figures| figures.value.as_ref(), Quantity::means);
    let u_prime = both(|figures| figures.u_prime.as_ref(), Quantity::means);
    let v_prime = both(|figures| figures.v_prime.as_ref(), Quantity::means);
    let drift_per_h = both(|figures| figures.value.as_ref(), Quantity::rates);
    let (one, other) = (one.statistics, other.statistics);
    let mut comparison =
        Comparison { one, other, mean, u_prime, v_prime, drift_per_h, message: String::new() };
    comparison.message = words::compared(&comparison, &cautions);
    comparison
}

impl Log {
    /// What a stretch comes to, made into `T` where it was looked up.
    ///
    /// # Errors
    /// `invalid_params` for a stretch that makes no sense or has no readings of light, `no_such_run`; `log_unavailable` if the log is
    /// off or can't be read; and whatever keeps it from being made.
    pub async fn statistics_as<T: Send + 'static>(
        &self,
        params: StatisticsParams,
        make: fn(&Statistics) -> Result<T, RpcError>,
    ) -> Result<T, RpcError> {
        let (stretch, bin_s) = stretch(params);
        let wanted = check(stretch, bin_s, "params")?;
        let place = self.place().await;
        let told = move |connection: &rusqlite::Connection| {
            let _place = place;
            // All that is read is of one moment.
            let _reading = connection.unchecked_transaction()?;
            answer(sum_up(connection, &wanted).and_then(Summed::told))
        };
        make(&self.look_up(told).await??.statistics)
    }

    /// One stretch against another, made into `T`.
    ///
    /// # Errors
    /// As [`statistics_as`](Self::statistics_as).
    pub async fn compare_as<T: Send + 'static>(
        &self,
        params: CompareParams,
        make: fn(&Comparison) -> Result<T, RpcError>,
    ) -> Result<T, RpcError> {
        let CompareParams { one, other } = params;
        let wanted = [check(one, None, "params.one")?, check(other, None, "params.other")?];
        let place = self.place().await;
        let compared = move |connection: &rusqlite::Connection| {
            let _place = place;
            let _reading = connection.unchecked_transaction()?;
            let told = |wanted| sum_up(connection, wanted).and_then(Summed::told);
            let [one, other] = &wanted;
            answer(told(one).and_then(|one| Ok(comparison(one, told(other)?))))
        };
        make(&self.look_up(compared).await??)
    }
}

/// A refusal is an answer; what can't be read is none.
fn answer<T>(found: Result<T, Failure>) -> rusqlite::Result<Result<T, RpcError>> {
    match found {
        Ok(told) => Ok(Ok(told)),
        Err(Failure::Refused(refusal)) => Ok(Err(refusal)),
        Err(Failure::Read(error)) => Err(error),
    }
}
