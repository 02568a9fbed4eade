//! Figures in words.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Finding, Standing, Tolerance, sentence};
use crate::evaluate::aim::{Aim, D65_XY};
use crate::evaluate::figure::Figure;
use crate::show;

/// A figure of one step of a sequence.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Named {
    /// What the step's patch is called.
    pub name: String,
    /// The figure.
    pub figure: Figure,
}

/// A distance: `2.1 ± 0.3`, or no more than `at most 0.4` where it may be zero.
pub(super) fn distance(figure: &Figure) -> String {
    if figure.low <= 0.0 && figure.high > 0.0 {
        let high = show::uncertain(figure.high, figure.high);
        format!("at most {}", high.split(' ').next().unwrap_or_default())
    } else {
        figure.words()
    }
}

/// A figure that may be on either side of zero: `+2.1 ± 0.3`.
pub(super) fn signed(figure: &Figure) -> String {
    let words = figure.words();
    if figure.value > 0.0 { format!("+{words}") } else { words }
}

/// A share in per cent, to a hundredth at most.
pub(super) fn percent(figure: &Figure) -> String {
    if figure.u95() < 0.01 { format!("{:.2}", figure.value) } else { figure.words() }
}

/// What something is more than: two significant digits, rounded down, as a bound is no figure.
pub(super) fn bound(value: f64) -> String {
    if !(value > 0.0 && value.is_finite()) {
        return "0".to_owned();
    }
    let step = 10_f64.powf(value.log10().floor() - 1.0);
    // What rounding of the step may take must not cost a whole one.
    show::number((value / step + 1e-9).floor() * step)
}

/// A cell of a table: empty where there is no figure.
pub(super) fn cell(figure: Option<&Figure>, words: fn(&Figure) -> String) -> String {
    figure.map(words).unwrap_or_default()
}

/// What the aim's white is called.
pub(super) fn white(aim: &Aim) -> String {
    let [x, y] = aim.white_xy();
    if [x, y] == D65_XY { "D65".to_owned() } else { format!("x {x:.4} y {y:.4}") }
}

/// ` (not measured: black, grey 5 %)`; empty where all were.
pub(super) fn left_out(names: &[String], why: &str) -> String {
    if names.is_empty() { String::new() } else { format!(" ({why}: {})", names.join(", ")) }
}

/// The step whose figure is the largest.
pub(super) fn largest<'a>(steps: impl Iterator<Item = (&'a str, Option<Figure>)>) -> Option<Named> {
    let known = steps.filter_map(|(name, figure)| Some((name, figure?)));
    let (name, figure) = known.max_by(|a, b| a.1.value.total_cmp(&b.1.value))?;
    Some(Named { name: name.to_owned(), figure })
}

/// A finding that isn't judged.
pub(super) fn told(subject: &str, words: String, figure: Option<Figure>, unit: &str) -> Finding {
    let (subject, unit) = (subject.to_owned(), unit.to_owned());
    Finding { subject, standing: Standing::Told, words, figure, unit, tolerance: None }
}

/// A finding that is held against a most that common practice has.
pub(super) fn judged(subject: &str, words: String, figure: Figure, most: f64) -> Finding {
    let tolerance =
        Tolerance { least: None, most: Some(most), source: "common practice, no source".to_owned() };
    sentence::judged(subject, figure, "", tolerance, |_| words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_distance_that_may_be_none_is_told_by_its_upper_end() {
        assert_eq!(distance(&Figure { value: 0.3, low: 0.0, high: 0.71 }), "at most 0.71");
        assert_eq!(distance(&Figure { value: 3.04, low: 2.84, high: 3.24 }), "3.04 ± 0.20");
        assert_eq!(distance(&Figure::exactly(0.0)), "0");
    }

    #[test]
    fn signs_are_written_and_shares_have_no_more_digits_than_mean_something() {
        assert_eq!(signed(&Figure::around(0.004, 0.001)), "+0.0040 ± 0.0010");
        assert_eq!(signed(&Figure::around(-2.0, 0.3)), "-2.00 ± 0.30");
        assert_eq!(percent(&Figure::around(100.0, 1e-12)), "100.00");
        assert_eq!(percent(&Figure::around(95.74, 0.19)), "95.74 ± 0.19");
    }

    #[test]
    fn a_bound_is_rounded_down() {
        assert_eq!(bound(807_303.0), "800000");
        assert_eq!(bound(1_999.0), "1900.0");
        assert_eq!(bound(2_000.0), "2000.0");
        assert_eq!(bound(f64::INFINITY), "0");
    }
}
