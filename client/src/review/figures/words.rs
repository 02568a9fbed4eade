//! Figures in words.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Finding, Standing, Tolerance};
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
pub(crate) fn distance(figure: &Figure) -> String {
    if figure.low <= 0.0 && figure.high > 0.0 {
        format!("at most {}", show::at_most(figure.high))
    } else {
        figure.words()
    }
}

/// A figure that may be on either side of zero: `+2.1 ± 0.3`.
pub(super) fn signed(figure: &Figure) -> String {
    figure.signed()
}

/// A share in per cent, to a hundredth at most.
pub(super) fn percent(figure: &Figure) -> String {
    if figure.half() < 0.01 { format!("{:.2}", figure.value) } else { figure.words() }
}

/// What something is more than: two significant digits, rounded down, as a bound is no figure.
pub(super) fn bound(value: f64) -> String {
    if !(value > 0.0 && value.is_finite()) {
        return "0".to_owned();
    }
    let step = 10_f64.powf(value.log10().floor() - 1.0);
    // What rounding of the step may take must not cost a whole one.
    let bound = (value / step + 1e-9).floor() * step;
    if step < 1.0 { show::number(bound) } else { grouped(bound, step) }
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
pub(super) fn told(subject: &str, words: String, figure: impl Into<Option<Figure>>, unit: &str) -> Finding {
    let (subject, unit, figure) = (subject.to_owned(), unit.to_owned(), figure.into());
    Finding { subject, standing: Standing::Told, words, figure, unit, tolerance: None }
}

/// A finding without a figure: why there is none.
pub(super) fn untold(subject: &str, words: String) -> Finding {
    told(subject, words, None::<Figure>, "")
}

/// A finding that is held against a tolerance; `words` are made of how it stands.
pub(super) fn judged(
    subject: &str,
    figure: Figure,
    unit: &str,
    tolerance: Tolerance,
    words: impl FnOnce(Standing) -> String,
) -> Finding {
    let standing = tolerance.of(&figure);
    Finding { standing, tolerance: Some(tolerance), ..told(subject, words(standing), figure, unit) }
}

/// A share as `3.2 ± 0.1 %`.
pub(super) fn share(share: &Figure) -> String {
    format!("{} %", share.map(|share| 100.0 * share).words())
}

/// A change as `+3.2 ± 0.1 %`.
pub(super) fn change(share: &Figure) -> String {
    format!("{} %", share.map(|share| 100.0 * share).signed())
}

/// A setting such as an area or a time, to two decimals at most.
pub(super) fn plain(value: f64) -> String {
    ((value * 100.0).round() / 100.0).to_string()
}

/// A luminance with its unit.
pub(super) fn luminance(figure: &Figure) -> String {
    format!("{} cd/m²", figure.words())
}

/// A Δu′v′ to four decimals: no more than `at most 0.0004` where it may be none.
pub(crate) fn colour(figure: &Figure) -> String {
    let up = |end: f64| (1e4 * end - 1e-6).ceil() / 1e4;
    if figure.half() <= 0.0 {
        show::number(figure.value)
    } else if figure.low <= 0.0 {
        format!("at most {:.4}", up(figure.high))
    } else if figure.is_lopsided() {
        format!("{:.4} ({:.4} to {:.4})", figure.value, (1e4 * figure.low).floor() / 1e4, up(figure.high))
    } else {
        format!("{:.4} ± {:.4}", figure.value, up(figure.farther()))
    }
}

/// Whether a figure is not zero beyond doubt: half as far again from it as its 95 % interval reaches, as what is called a fault must hardly ever be chance (0.3 % in a normal
/// distribution).
pub(super) fn surely_not_zero(figure: &Figure) -> bool {
    let towards_zero =
        if figure.value > 0.0 { figure.value - figure.low } else { figure.high - figure.value };
    figure.value.abs() > 1.5 * towards_zero
}

/// How many times one is of the other: `1 700 000`, with as many digits as mean something and a space between thousands that no line ends at.
pub(super) fn ratio(figure: &Figure) -> String {
    let u = figure.farther();
    if !(u > 0.0 && u.is_finite() && figure.value.is_finite()) {
        return grouped(figure.value, 1.0);
    }
    // Two digits of the uncertainty, as elsewhere.
    let step = 10_f64.powf(u.log10().floor() - 1.0);
    if step < 1.0 {
        figure.words()
    } else if figure.is_lopsided() {
        let [low, high] = [(figure.low / step).floor() * step, (figure.high / step).ceil() * step];
        format!("{} ({} to {})", grouped(figure.value, step), grouped(low, step), grouped(high, step))
    } else {
        format!("{} ± {}", grouped(figure.value, step), grouped(u, step))
    }
}

/// A whole number of `step`s, in groups of three digits.
fn grouped(value: f64, step: f64) -> String {
    let step = step.max(1.0);
    let digits = format!("{:.0}", (value / step).round() * step);
    let mut written = String::with_capacity(digits.len() + digits.len() / 3);
    let count = digits.chars().filter(char::is_ascii_digit).count();
    let mut left = count;
    for sign in digits.chars() {
        if sign.is_ascii_digit() {
            // ISO 80000-1, 7.3.1: four digits may stay together.
            if count > 4 && left < count && left % 3 == 0 {
                written.push('\u{a0}');
            }
            left -= 1;
        }
        written.push(sign);
    }
    written
}

/// A most that common practice has.
pub(super) fn in_practice(most: f64) -> Tolerance {
    Tolerance { least: None, most: Some(most), source: "common practice, no source".to_owned() }
}

/// A verdict of several: within is said only where at least half of them could be judged; else it is undecided, and says of how many it is.
pub(super) fn of_several(finding: Finding, judged: usize, all: usize) -> Finding {
    if finding.standing != Standing::Within || 2 * judged >= all {
        return finding;
    }
    let words = format!("{}: that is of {judged} of {all}, the others can't be judged", finding.words);
    Finding { standing: Standing::Undecided, words, ..finding }
}

/// A finding that is held against a most that common practice has, beside others.
pub(super) fn held(subject: &str, words: String, figure: Figure, most: f64) -> Finding {
    judged(subject, figure, "", in_practice(most), |_| words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_distance_that_may_be_none_is_told_by_its_upper_end() {
        assert_eq!(distance(&Figure::between(0.3, 0.0, 0.71)), "at most 0.71");
        assert_eq!(distance(&Figure::between(3.04, 2.84, 3.24)), "3.04 ± 0.20");
        assert_eq!(distance(&Figure::exactly(0.0)), "0");
        // A bound is rounded up: no more than 0.3849 is not no more than 0.38.
        assert_eq!(distance(&Figure::between(0.2, 0.0, 0.3849)), "at most 0.39");
        assert_eq!(colour(&Figure::between(0.0003, 0.0, 0.000_81)), "at most 0.0009");
        assert_eq!(colour(&Figure::around(0.0123, 0.0004)), "0.0123 ± 0.0004");
    }

    #[test]
    fn signs_are_written_and_shares_have_no_more_digits_than_mean_something() {
        assert_eq!(signed(&Figure::around(0.004, 0.001)), "+0.0040 ± 0.0010");
        assert_eq!(signed(&Figure::around(-2.0, 0.3)), "-2.00 ± 0.30");
        assert_eq!(percent(&Figure::around(100.0, 1e-12)), "100.00");
        assert_eq!(percent(&Figure::around(95.74, 0.19)), "95.74 ± 0.19");
    }

    #[test]
    fn a_ratio_has_the_digits_that_mean_something_in_groups_of_three() {
        assert_eq!(ratio(&Figure::around(1_712_345.0, 23_456.0)), "1\u{a0}712\u{a0}000 ± 23\u{a0}000");
        assert_eq!(ratio(&Figure::around(2003.4, 12.3)), "2003 ± 12");
        assert_eq!(ratio(&Figure::around(102.34, 0.56)), "102.34 ± 0.56");
        assert_eq!(ratio(&Figure::exactly(12_000.4)), "12\u{a0}000");
        let lopsided = Figure::between(12_345.0, 11_012.0, 15_987.0);
        assert_eq!(ratio(&lopsided), "12\u{a0}300 (11\u{a0}000 to 16\u{a0}000)");
    }

    #[test]
    fn within_is_said_of_several_only_where_half_of_them_could_be_judged() {
        let of = |figure: Figure, judged, all| {
            let found = of_several(held("off", "greys are off".to_owned(), figure, 1.0), judged, all);
            (found.standing, found.words)
        };
        let (within, beyond) = (Figure::around(0.5, 0.1), Figure::around(2.0, 0.1));
        assert_eq!(of(within, 10, 20), (Standing::Within, "greys are off".to_owned()));
        let words = "greys are off: that is of 9 of 20, the others can't be judged";
        assert_eq!(of(within, 9, 20), (Standing::Undecided, words.to_owned()));
        assert_eq!(of(beyond, 1, 20).0, Standing::Beyond, "one that is beyond is enough");
    }

    #[test]
    fn a_bound_is_rounded_down() {
        assert_eq!(bound(807_303.0), "800\u{a0}000");
        assert_eq!(bound(1_799_999.0), "1\u{a0}700\u{a0}000");
        assert_eq!(bound(1_999.0), "1900");
        assert_eq!(bound(2_000.0), "2000");
        assert_eq!(bound(7.77), "7.7000");
        assert_eq!(bound(f64::INFINITY), "0");
    }
}
