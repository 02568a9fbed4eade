//! Figures in sentences: shares in per cent, findings that are told and not judged.

use super::{Finding, Standing, Tolerance, words};
use crate::evaluate::figure::Figure;
use crate::show;

/// A finding without a tolerance.
pub(super) fn told(subject: &str, words: String, figure: Figure, unit: &str) -> Finding {
    words::told(subject, words, Some(figure), unit)
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
pub(super) fn percent(share: &Figure) -> String {
    let scaled = Figure { value: 100.0 * share.value, low: 100.0 * share.low, high: 100.0 * share.high };
    format!("{} %", scaled.words())
}

/// A change as `+3.2 ± 0.1 %`.
pub(super) fn change(share: &Figure) -> String {
    let words = percent(share);
    if share.value > 0.0 { format!("+{words}") } else { words.replacen('-', "−", 1) }
}

/// A setting such as an area or a time, to two decimals at most.
pub(super) fn plain(value: f64) -> String {
    ((value * 100.0).round() / 100.0).to_string()
}

/// A luminance with its unit.
pub(super) fn luminance(figure: &Figure) -> String {
    format!("{} cd/m²", figure.words())
}

/// A colour difference as a number: five decimals at most.
pub(super) fn colour(figure: &Figure) -> String {
    let u95 = figure.high - figure.value;
    if u95 > 0.0 {
        format!("{:.4} ± {:.4}", figure.value, u95.max(0.0001))
    } else {
        show::number(figure.value)
    }
}

/// Whether a figure is not zero beyond doubt: half as far again from it as its 95 % interval reaches, as what is called a fault must hardly ever be chance (0.3 % in a normal
/// distribution).
pub(super) fn surely_not_zero(figure: &Figure) -> bool {
    let towards_zero =
        if figure.value > 0.0 { figure.value - figure.low } else { figure.high - figure.value };
    figure.value.abs() > 1.5 * towards_zero
}
