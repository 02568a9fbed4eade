//! Axes: where their marks are, and what is written there.

use settled_protocol::time::Timestamp;

use crate::zone::Zone;

/// A stretch of numbers that becomes a stretch of a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    /// The numbers at its ends.
    pub(super) values: (f64, f64),
    /// Where those are in the picture.
    pub(super) places: (f64, f64),
}

impl Scale {
    pub(super) fn at(&self, value: f64) -> f64 {
        let ((low, high), (from, to)) = (self.values, self.places);
        if high > low { from + (value - low) / (high - low) * (to - from) } else { f64::midpoint(from, to) }
    }
}

/// A mark of an axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Mark {
    pub(super) value: f64,
    /// What is written there; nothing for one between others.
    pub(super) label: String,
}

/// A smaller share of numbers than this is what sums leave behind where nothing moves.
const NOTHING: f64 = 1e-9;

/// The ends of an axis of numbers that lie from `low` to `high`, with some room beside them; never one point.
pub(super) fn roomy((low, high): (f64, f64)) -> (f64, f64) {
    let (spread, far) = (high - low, low.abs().max(high.abs()));
    let moves = spread > (NOTHING * far).max(1e-12);
    let room = if moves { 0.06 * spread } else { (0.01 * far).max(1e-6) };
    (low - room, high + room)
}

/// About `wanted` marks at round numbers, and never fewer than two, which differ: one alone would tell no scale.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few decimals and a few marks")]
pub(super) fn marks((low, high): (f64, f64), wanted: f64) -> Vec<Mark> {
    let rough = (high - low) / wanted.max(2.0);
    if !(rough > 0.0 && rough.is_finite()) {
        return Vec::new();
    }
    let order = 10_f64.powf(rough.log10().floor());
    // From the first on that is as wide as wanted downwards: half of an axis holds two of a step at least.
    let fits = |step: &f64| *step < rough || ((high / step).floor() - (low / step).ceil()) >= 1.0;
    let steps = [10.0, 5.0, 2.0, 1.0].map(|of| of * order);
    let wide = steps.iter().rposition(|step| *step >= rough).unwrap_or(0);
    let step = steps[wide..].iter().copied().find(fits).unwrap_or(order);
    let decimals = (-(step * 1.000_001).log10().floor()).clamp(0.0, 12.0) as usize;
    let first = (low / step).ceil();
    let count = (high / step).floor() - first;
    (0..=count.clamp(0.0, 100.0) as u32)
        .map(|index| (first + f64::from(index)) * step)
        .map(|value| Mark { value, label: format!("{:.decimals$}", value + 0.0).replace('-', "−") })
        .collect()
}

/// Marks at powers of ten and, where those are few, at 2 and 5 between them, or else at round numbers; values and marks are logarithms.
#[expect(clippy::cast_possible_truncation, reason = "a few decades")]
pub(super) fn decades((low, high): (f64, f64), written: impl Fn(f64) -> String) -> Vec<Mark> {
    let within = |mark: &Mark| mark.value >= low - 1e-9 && mark.value <= high + 1e-9;
    let few = high - low < 3.0;
    let orders = low.floor() as i32..=high.ceil() as i32;
    let marks: Vec<Mark> = orders
        .flat_map(|order| [1.0, 2.0, 5.0].map(|of| (of, of * 10_f64.powi(order))))
        .map(|(of, value)| Mark {
            value: value.log10(),
            label: if of == 1.0 || few { written(value) } else { String::new() },
        })
        .filter(within)
        .collect();
    if marks.len() > 1 { marks } else { between((low, high), (1.0, "")) }
}

/// Marks at round numbers of a unit along an axis of logarithms, for what is less than a decade.
fn between((low, high): (f64, f64), (one, unit): (f64, &str)) -> Vec<Mark> {
    let ends = (10_f64.powf(low) / one, 10_f64.powf(high) / one);
    let marks = marks(ends, 4.0).into_iter().filter(|mark| mark.value > 0.0);
    marks
        .map(|mark| Mark { value: (one * mark.value).log10(), label: format!("{}{unit}", mark.label) })
        .collect()
}

/// Lengths of time that people count in, and how they are written.
const SPANS: [(f64, &str); 26] = [
    (0.01, "10 ms"),
    (0.02, "20 ms"),
    (0.05, "50 ms"),
    (0.1, "0.1 s"),
    (0.2, "0.2 s"),
    (0.5, "0.5 s"),
    (1.0, "1 s"),
    (2.0, "2 s"),
    (5.0, "5 s"),
    (10.0, "10 s"),
    (30.0, "30 s"),
    (60.0, "1 min"),
    (120.0, "2 min"),
    (300.0, "5 min"),
    (600.0, "10 min"),
    (1800.0, "30 min"),
    (3600.0, "1 h"),
    (7200.0, "2 h"),
    (18_000.0, "5 h"),
    (36_000.0, "10 h"),
    (86_400.0, "1 d"),
    (172_800.0, "2 d"),
    (432_000.0, "5 d"),
    (864_000.0, "10 d"),
    (2_592_000.0, "30 d"),
    (8_640_000.0, "100 d"),
];

/// Units of time in s, and how they are written behind a number.
const UNITS: [(f64, &str); 5] =
    [(86_400.0, " d"), (3600.0, " h"), (60.0, " min"), (1.0, " s"), (0.001, " ms")];

/// Marks at lengths of time, that people count in where there are two; values and marks are logarithms of s.
pub(super) fn spans((low, high): (f64, f64)) -> Vec<Mark> {
    let marks = SPANS.map(|(span, label)| Mark { value: span.log10(), label: label.to_owned() });
    let marks: Vec<Mark> = marks.into_iter().filter(|mark| (low..=high).contains(&mark.value)).collect();
    if marks.len() > 1 {
        return marks;
    }
    let is_short = |(one, _): &(f64, &str)| high >= (2.0 * one).log10();
    between((low, high), UNITS.into_iter().find(is_short).unwrap_or((0.001, " ms")))
}

/// Steps of time that people count in, in s.
const STEPS: [u64; 24] = [
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    900,
    1800,
    3600,
    7200,
    10_800,
    21_600,
    43_200,
    DAY,
    2 * DAY,
    7 * DAY,
    14 * DAY,
    28 * DAY,
    91 * DAY,
    364 * DAY,
];

const DAY: u64 = 86_400;

/// How far zones are apart at least, in s: where marks may be.
const QUARTER: u64 = 900;

/// At most `most` marks at round times of a zone, in s since 1970; more where those would be fewer than two. Nothing shorter than a second has a mark.
pub(super) fn times(from: Timestamp, until: Timestamp, most: u64, zone: &Zone) -> Vec<Mark> {
    let (from_s, until_s) = (from.unix_ns().div_ceil(1_000_000_000), until.unix_ns() / 1_000_000_000);
    let span = until_s.saturating_sub(from_s);
    let wide = STEPS.iter().position(|step| span / step <= most).unwrap_or(STEPS.len() - 1);
    let mut marks = STEPS[..=wide].iter().rev().map(|step| times_at((from_s, until_s), *step, zone));
    marks.find(|marks| marks.len() > 1).unwrap_or_else(|| times_at((from_s, until_s), 1, zone))
}

/// Marks at times that are round to a step, in s.
#[expect(clippy::cast_precision_loss, reason = "seconds since 1970 are far below 2^53")]
fn times_at((from_s, until_s): (u64, u64), step: u64, zone: &Zone) -> Vec<Mark> {
    let pace = step.min(QUARTER);
    let first = from_s.div_ceil(pace) * pace;
    (first..=until_s)
        .step_by(usize::try_from(pace).unwrap_or(1))
        .filter_map(|second| {
            let local = zone.at(Timestamp::from_unix_ns(second.saturating_mul(1_000_000_000)));
            (local.seconds % i64::try_from(step).unwrap_or(1) == 0).then(|| {
                let midnight = local.seconds % 86_400 == 0;
                let label = match step {
                    DAY.. => local.date(),
                    _ if midnight => local.date(),
                    60.. => local.minute(),
                    _ => local.second(),
                };
                Mark { value: second as f64, label }
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(marks: &[Mark]) -> Vec<&str> {
        marks.iter().map(|mark| mark.label.as_str()).collect()
    }

    #[test]
    fn marks_are_at_round_numbers_with_the_decimals_they_need() {
        assert_eq!(labels(&marks((198.7, 203.4), 5.0)), ["199", "200", "201", "202", "203"]);
        assert_eq!(
            labels(&marks((-0.0012, 0.0011), 5.0)),
            ["−0.0010", "−0.0005", "0.0000", "0.0005", "0.0010"]
        );
        assert_eq!(labels(&marks((0.0, 12_000.0), 4.0)), ["0", "5000", "10000"]);
        assert!(marks((1.0, 1.0), 5.0).is_empty() && roomy((1.0, 1.0)).1 > 1.0);
    }

    /// Asserts that marks tell a scale: two labels at least, all of them different, within the axis.
    fn tell_a_scale(marks: &[Mark], (low, high): (f64, f64)) {
        let mut told: Vec<&str> = labels(marks).into_iter().filter(|label| !label.is_empty()).collect();
        let count = told.len();
        told.sort_unstable();
        told.dedup();
        assert!((2..=24).contains(&count) && told.len() == count, "{low} to {high}: {marks:?}");
        let room = 1e-9 * (high - low);
        let is_within = |mark: &Mark| (low - room..=high + room).contains(&mark.value);
        assert!(marks.iter().all(is_within), "{low} to {high}: {marks:?}");
    }

    #[test]
    fn whatever_an_axis_spans_it_has_two_labels_that_differ() {
        assert_eq!(labels(&marks((-0.000_09, 0.000_095), 3.0)), ["−0.00005", "0.00000", "0.00005"]);
        for order in -7..=5 {
            for step in 0..60 {
                let span = 10_f64.powi(order) * 1.04_f64.powi(step);
                for beneath in [-0.5, -0.013, 0.0, 0.777, 3.21, 212.9] {
                    let (low, high) = roomy((beneath * span, beneath * span + span));
                    for wanted in [0.4, 2.0, 2.2, 3.0, 3.7, 5.0, 7.6] {
                        tell_a_scale(&marks((low, high), wanted), (low, high));
                    }
                }
                // The same along axes of logarithms, from less than a decade on, and of lengths of time.
                for wide in [1.05_f64, 1.3, 2.0, 4.0, 30.0, 1e4] {
                    let ends = (span.log10(), (wide * span).log10());
                    tell_a_scale(
                        &decades(ends, |value| settled::settle::digits::significant(value, 1)),
                        ends,
                    );
                    if (0.02..=1e6).contains(&span) {
                        tell_a_scale(&spans(ends), ends);
                    }
                }
            }
        }
        // What sums leave behind is no span.
        for (low, high) in [roomy((0.0, 0.0)), roomy((-1e-17, 2e-17)), roomy((120.0, 120.0 + 1e-13))] {
            tell_a_scale(&marks((low, high), 3.0), (low, high));
        }
    }

    #[test]
    fn few_times_are_told_by_two_marks_at_least() {
        let at = |text: &str| text.parse().unwrap();
        let begin: Timestamp = at("2026-11-26T17:40:03Z");
        for seconds in 3..4000_u64 {
            let end = Timestamp::from_unix_ns(begin.unix_ns() + seconds * 61_000_000_000 / 7);
            for most in [2, 3, 8] {
                let found = times(begin, end, most, &Zone::utc());
                assert!(found.len() > 1 && labels(&found)[0] != labels(&found)[1], "{seconds}: {found:?}");
            }
        }
    }

    #[test]
    fn few_decades_have_marks_between_them() {
        let written = |value: f64| value.to_string();
        assert_eq!(labels(&decades((0.0, 1.0), written)), ["1", "2", "5", "10"]);
        assert_eq!(labels(&spans((1.5, 3.6))), ["1 min", "2 min", "5 min", "10 min", "30 min", "1 h"]);
        assert_eq!(labels(&decades((0.0, 4.0), written)).iter().filter(|label| !label.is_empty()).count(), 5);
    }

    #[test]
    fn a_night_has_marks_at_full_hours_of_its_zone_and_the_date_at_midnight() {
        let at = |text: &str| text.parse().unwrap();
        let night = (at("2026-11-26T17:40:00Z"), at("2026-11-27T06:10:00Z"));
        let found = times(night.0, night.1, 8, &Zone::utc());
        assert_eq!(labels(&found), ["18:00", "20:00", "22:00", "27 Nov", "02:00", "04:00", "06:00"]);
        let zone = Zone::named("Asia/Kathmandu").unwrap();
        let found = times(night.0, night.1, 8, &zone);
        assert_eq!(labels(&found), ["27 Nov", "02:00", "04:00", "06:00", "08:00", "10:00"]);
        // At 5 h 45 min ahead.
        assert!((found[0].value - 1_795_716_900.0).abs() < 0.5, "{found:?}");
    }

    #[test]
    fn where_an_hour_comes_twice_its_marks_do() {
        let at = |text: &str| text.parse().unwrap();
        let zone = Zone::named("Europe/Berlin").unwrap();
        let found = times(at("2026-10-24T23:30:00Z"), at("2026-10-25T03:30:00Z"), 6, &zone);
        assert_eq!(labels(&found), ["02:00", "02:00", "03:00", "04:00"]);
    }
}
