//! How a run was measured, what to mind, and where it all comes from.

use settled_protocol::meter::Meter;
use settled_protocol::reading::Flag;
use settled_protocol::statistics::WithTemperature;
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::Night;
use crate::evaluate::figure::Figure;
use crate::report::Fact;
use crate::show;
use crate::stimulus::in_words;

/// What was asked for, and with what it was measured.
pub(super) fn conditions(night: &Night) -> Vec<Fact> {
    let (plan, statistics) = (&night.run.plan, &night.statistics);
    let mut facts = vec![Fact::new("Meter", plan.meter.clone())];
    facts.extend(night.meter.as_ref().and_then(attached).map(|words| Fact::new("Attached now", words)));
    facts.extend(plan.stimulus.as_ref().map(|shown| Fact::new("Shown from its beginning", in_words(shown))));
    let burst = plan.burst.unwrap_or(1);
    facts.push(Fact::new(
        "Pace",
        match plan.pace_s() {
            interval_s if interval_s > 0.0 => {
                format!(
                    "{} each {}",
                    show::counted(u64::from(burst), "reading", "readings"),
                    show::span(interval_s)
                )
            }
            _ => "readings without pause".to_owned(),
        },
    ));
    let exposure = plan.integration_s.map_or_else(|| "the meter's own choice".to_owned(), show::span);
    facts.push(Fact::new("Integration time", exposure));
    let corrections = match statistics.corrections.as_slice() {
        [] => "none".to_owned(),
        ids => ids.join(", "),
    };
    facts.push(Fact::new("Correction", corrections));
    facts.extend(statistics.observer.map(|observer| Fact::new("Observer", show::observer(observer))));
    facts.extend(statistics.temperature_c.as_ref().map(|series| {
        let words = format!("{} to {} °C", show::number(series.min), show::number(series.max));
        Fact::new("Meter's temperature", words)
    }));
    facts.extend(statistics.with_temperature.map(|with| {
        let slope = slope(&with).map_or_else(|| show::number(with.per_k), |slope| slope.words());
        let words = format!(
            "{slope} {} a kelvin, correlation {:+.2} ({:+.2} to {:+.2} with 95 %); which moves which that doesn't say",
            statistics.quantity.unit(),
            with.correlation,
            with.low,
            with.high
        );
        Fact::new("Light with that", words)
    }));
    let unseen = match night.run.gaps {
        0 => "none".to_owned(),
        gaps => format!("{} in {}", show::span(night.run.gap_s), show::counted(gaps, "gap", "gaps")),
    };
    facts.push(Fact::new("Time without readings", unseen));
    facts
}

/// The change a kelvin with its interval of 95 %: that of the slope of a regression line, sᵧ/sₓ · √((1 − r²)/(n − 2)) · t, where the independent blocks n are those that
/// the interval of the correlation tells (Fisher's z reaches 1.96/√(n − 3) on either side). Nothing where that tells none.
fn slope(with: &WithTemperature) -> Option<Figure> {
    let WithTemperature { correlation, low, high, per_k } = *with;
    let reach = (high.atanh() - low.atanh()) / 2.0;
    let count = 3.0 + (1.959_964 / reach).powi(2);
    let t = StudentsT::new(0.0, 1.0, count - 2.0).ok()?.inverse_cdf(0.975);
    let half = t * (per_k / correlation).abs() * ((1.0 - correlation * correlation) / (count - 2.0)).sqrt();
    half.is_finite().then(|| Figure::around(per_k, half))
}

/// The instrument that stands for the meter as the report is made.
fn attached(meter: &Meter) -> Option<String> {
    let about = meter.instrument.as_ref()?;
    let serial = about.serial.as_ref().map_or_else(String::new, |serial| format!(", serial number {serial}"));
    Some(format!("{}{serial}, by the driver {}", about.model, meter.driver))
}

/// What to mind.
pub(super) fn cautions(night: &Night) -> Vec<String> {
    let mut flags = night.statistics.flags.clone();
    flags.retain(|flag| ![Flag::Shared, Flag::Simulated, Flag::Replayed].contains(flag));
    let mut all: Vec<String> =
        flags.iter().map(|flag| show::flags(&night.run.plan.meter, &[*flag])).collect();
    if !super::marks(&night.statistics.flags).is_empty() {
        all.insert(
            0,
            "Some of this or all of it was not seen on a display: it was simulated or replayed.".to_owned(),
        );
    }
    if night.statistics.thinned > 0 {
        let thinned = show::counted(night.statistics.thinned, "reading was", "readings were");
        all.push(format!("{thinned} thinned: they count in mean, range and drift alone"));
    }
    all.push("Intervals are repeatability alone: what the meter's calibration leaves open, and what the meter itself drifts, is in none of them.".to_owned());
    all.push(
        "Long static patches leave marks on self-emitting panels: hold bright ones no longer than needed. Leave no mains equipment on unattended unless its maker and \
         local codes allow it."
            .to_owned(),
    );
    all
}

/// Where it comes from.
pub(super) fn provenance(night: &Night) -> Vec<Fact> {
    let (run, statistics) = (&night.run, &night.statistics);
    let mut facts = vec![
        Fact::new("Run", run.run.to_string()),
        Fact::new("Asked for", show::moment(run.created)),
        Fact::new("Begun", show::moment(run.begins)),
    ];
    facts.extend(
        run.ends
            .map(|ends| Fact::new(if run.state.is_over() { "Ended" } else { "Ends" }, show::moment(ends))),
    );
    facts.extend(run.night_of.map(|first| Fact::new("Night of", format!("run {first}"))));
    let numbers = format!("{} to {}", statistics.first, statistics.last);
    facts.push(Fact::new("Readings in the log", numbers));
    facts.push(Fact::new("Read from", night.daemon.clone()));
    facts.push(Fact::new("Report by", format!("settle {}", env!("CARGO_PKG_VERSION"))));
    facts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_a_kelvin_has_the_interval_of_a_regression_line_through_as_many_blocks() {
        // 12 blocks with a correlation of 0.8, so that z reaches 1.96/3 either way; 2 is sᵧ/sₓ.
        let z = 0.8_f64.atanh();
        let [low, high] = [-1.0, 1.0].map(|side| (z + side * 1.959_964 / 3.0).tanh());
        let figure = slope(&WithTemperature { correlation: 0.8, low, high, per_k: 1.6 }).unwrap();
        // t of 10 degrees of freedom is 2.2281: 2.2281 · 2 · 0.6/√10.
        assert!((figure.value - 1.6).abs() < 1e-12 && (figure.u95() - 0.8455).abs() < 1e-3, "{figure:?}");
        let none = WithTemperature { correlation: 0.0, low: -0.5, high: 0.5, per_k: 0.0 };
        assert_eq!(slope(&none), None);
    }
}
