//! Numbers for people: no more digits than mean something.

use settled::settle::digits::{in_units, significant};
use settled::settle::{UNFORESEEN, counted_down, expected, is_telling};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::{Chromaticity, Light};
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Estimate, Evidence};
use settled_protocol::time::Timestamp;

pub use settled::settle::digits::span;

/// Decimals that show `digits` significant digits of an uncertainty, which is never written in powers of ten.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a small whole number, 0 or more"
)]
fn decimals(value: f64, digits: i32) -> usize {
    if value == 0.0 || !value.is_finite() {
        return 2;
    }
    let order = value.abs().log10().floor() as i32;
    (digits - 1 - order).clamp(0, 9) as usize
}

/// A value with five significant digits.
#[must_use]
pub fn number(value: f64) -> String {
    significant(value, 5)
}

/// A value and its uncertainty: two significant digits of the uncertainty, and the value to match.
#[must_use]
pub fn uncertain(value: f64, uncertainty: f64) -> String {
    let decimals = decimals(uncertainty, 2);
    let told = format!("{value:.decimals$}");
    // Minus nothing is nothing.
    let is_zero = !told.contains(|sign: char| ('1'..='9').contains(&sign));
    let told = if is_zero { told.trim_start_matches('-') } else { &told };
    format!("{told} ± {uncertainty:.decimals$}")
}

/// A value and the ends of an interval that is lopsided: digits as far as the nearer end tells them, the ends rounded outwards.
#[must_use]
pub fn between(value: f64, low: f64, high: f64) -> [String; 3] {
    let nearer = (value - low).min(high - value);
    let decimals = decimals(nearer.max(0.1 * (high - low)), 2);
    let scale = 10_f64.powi(i32::try_from(decimals).unwrap_or_default());
    // What rounding of the machine makes of an end must not cost a digit.
    let outwards = |end: f64, up: bool| {
        let steps = if up { (end * scale - 1e-6).ceil() } else { (end * scale + 1e-6).floor() };
        // Minus nothing is nothing, and a whole number that is exact needs no more digits.
        let end = steps / scale + 0.0;
        if end == 0.0 { "0".to_owned() } else { format!("{end:.decimals$}") }
    };
    [format!("{value:.decimals$}"), outwards(low, false), outwards(high, true)]
}

/// What a figure is no more than: two significant digits, rounded up.
#[must_use]
pub fn at_most(bound: f64) -> String {
    let decimals = decimals(bound, 2);
    let scale = 10_f64.powi(i32::try_from(decimals).unwrap_or_default());
    format!("{:.decimals$}", (bound * scale - 1e-6).ceil() / scale)
}

/// The radius of a chromaticity's 95 % interval, in u′v′.
#[must_use]
pub fn radius(u95: f64) -> String {
    let decimals = decimals(u95, 2).max(5);
    format!("± {u95:.decimals$}")
}

/// So many of something: `one` of it, or `many`.
#[must_use]
pub fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}

/// Light: the amount with its unit.
#[must_use]
pub fn light(light: &Light) -> String {
    format!("{} {}", number(light.value()), light.photometric().unit())
}

/// A chromaticity in both systems.
#[must_use]
pub fn chromaticity(colour: Chromaticity) -> String {
    let (x, y, u, v) = (colour.x(), colour.y(), colour.u_prime(), colour.v_prime());
    format!("x {x:.4}  y {y:.4}   u′ {u:.4}  v′ {v:.4}")
}

/// An estimate's luminance with its 95 % interval.
#[must_use]
pub fn estimate(value: &Estimate, unit: &str) -> String {
    format!("{} {unit}", uncertain(value.y, value.y_u95))
}

/// By whose eye light is meant.
#[must_use]
pub fn observer(observer: Observer) -> &'static str {
    match observer {
        Observer::Cie1931Deg2 => "CIE 1931, 2°",
        Observer::Cie1964Deg10 => "CIE 1964, 10°",
        Observer::Cie2015Deg2 => "CIE 2015, 2°",
        Observer::Cie2015Deg10 => "CIE 2015, 10°",
    }
}

/// A wavelength or a step in nm, without what sums of steps leave behind the sixth decimal.
#[must_use]
pub fn wavelength(nm: f64) -> String {
    ((nm * 1e6).round() / 1e6).to_string()
}

/// Every digit of a number, the smallest and largest in powers of ten, as JSON has them.
#[must_use]
pub fn exact(value: f64) -> String {
    serde_json::Number::from_f64(value).map_or_else(String::new, |number| number.to_string())
}

/// A moment, to the tenth of a second.
#[must_use]
pub fn moment(at: Timestamp) -> String {
    format!("{:.21}Z", at.to_string())
}

/// The same, to a thousandth: more is for programs.
#[must_use]
pub fn exact_moment(at: Timestamp) -> String {
    format!("{:.23}Z", at.to_string())
}

/// A size in bytes.
#[must_use]
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1000 => format!("{bytes} bytes"),
        1000..1_000_000 => format!("{} kB", bytes / 1000),
        1_000_000..1_000_000_000 => format!("{}.{} MB", bytes / 1_000_000, bytes / 100_000 % 10),
        _ => format!("{}.{} GB", bytes / 1_000_000_000, bytes / 100_000_000 % 10),
    }
}

/// Flags in a few words, for one line among many.
#[must_use]
pub fn short_flags(flags: &[Flag]) -> String {
    let words: Vec<String> = flags
        .iter()
        .filter(|flag| **flag != Flag::Shared)
        .map(|flag| match flag {
            Flag::Simulated | Flag::Replayed => words(*flag).to_owned(),
            Flag::ZeroOverdue => "zeroing overdue".to_owned(),
            flag => flag.name().replace('_', " "),
        })
        .collect();
    words.join(", ")
}

/// That light has not gone through the correction that is in force, where that is what its flags mean; and the flags but that one.
#[must_use]
pub fn uncorrected(flags: &[Flag], correction: Option<&String>) -> (Option<&'static str>, Vec<Flag>) {
    let is_it = |flag: &Flag| correction.is_none() && *flag == Flag::CorrectionMismatch;
    let words = "NOT corrected: what is in force is for another meter than the one that is attached; settle correct tells";
    let others = flags.iter().copied().filter(|flag| !is_it(flag)).collect();
    (flags.iter().any(is_it).then_some(words), others)
}

/// Flags of a reading of `meter` in words, one caution set off from the next.
#[must_use]
pub fn flags(meter: &str, flags: &[Flag]) -> String {
    let words = flags.iter().map(|flag| match flag {
        Flag::ZeroOverdue => format!("{}: cover it, then settle zero {meter}", words(*flag)),
        flag => words(*flag).to_owned(),
    });
    words.collect::<Vec<String>>().join("; ")
}

fn words(flag: Flag) -> &'static str {
    match flag {
        Flag::Simulated => "SIMULATED",
        Flag::Replayed => "REPLAYED",
        Flag::BelowRange => "below the meter's range",
        Flag::AboveRange => "above the meter's range",
        Flag::MeterWarming => "the meter is still warming up",
        Flag::ZeroOverdue => "the meter's own zeroing is overdue",
        Flag::Shared => "shared",
        Flag::Dark => "dark: the aperture was covered",
        Flag::CorrectionStale => "the correction is old",
        Flag::CorrectionMismatch => "the correction is for another meter or display",
        Flag::NarrowSpectrum => "the spectrum does not reach from 380 to 780 nm",
        Flag::Unlogged => "not in the log",
        Flag::Unknown => "a flag of a later version",
    }
}

/// How long something has been waited for, or still has to be: nobody counts its milliseconds.
#[must_use]
pub fn wait(seconds: f64) -> String {
    if seconds < 0.1 { span(0.0) } else { span(seconds) }
}

/// The drift of luminance in per cent a hold, with its interval.
#[must_use]
pub fn drift(evidence: &Evidence, value: Option<&Estimate>, hold_s: f64) -> Option<String> {
    let (drift, band) = evidence.luminance_drift.zip(evidence.luminance_band)?;
    let percent = 100.0 * band / value.map(|value| value.y.abs()).filter(|y| *y > 0.0)?;
    Some(format!("{} % per {}", in_units(drift, percent), span(hold_s)))
}

/// When it is expected to settle, by a reading that came `waited_s` into the wait and is `age_s` old by now.
#[must_use]
pub fn forecast_by_now(evidence: &Evidence, waited_s: f64, age_s: f64) -> Option<String> {
    let forecast = evidence.forecast?;
    let (low_s, high_s) = (forecast.low_s - waited_s, forecast.high_s - waited_s);
    if !is_telling(low_s, high_s) {
        return Some(unforeseen());
    }
    Some(
        counted_down(low_s, high_s, age_s)
            .map_or_else(|| "should have settled by now".to_owned(), |words| format!("settles {words}")),
    )
}

/// When it is expected to settle, `waited_s` into the wait.
#[must_use]
pub fn forecast(evidence: &Evidence, waited_s: f64) -> Option<String> {
    let forecast = evidence.forecast?;
    let (low_s, high_s) = (forecast.low_s - waited_s, forecast.high_s - waited_s);
    Some(if is_telling(low_s, high_s) {
        format!("settles {}", expected(low_s, high_s))
    } else {
        unforeseen()
    })
}

fn unforeseen() -> String {
    format!("when it settles {UNFORESEEN}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_size_is_told_in_the_unit_that_reads_best() {
        for (bytes, words) in [
            (999, "999 bytes"),
            (1000, "1 kB"),
            (2_340_000, "2.3 MB"),
            (999_999_999, "999.9 MB"),
            (70_213_600_000, "70.2 GB"),
        ] {
            assert_eq!(size(bytes), words);
        }
    }

    #[test]
    fn the_uncertainty_decides_the_digits() {
        assert_eq!(uncertain(203.45678, 0.4321), "203.46 ± 0.43");
        assert_eq!(uncertain(-0.3, 21.0), "0 ± 21");
        assert_eq!(uncertain(203.45678, 12.7), "203 ± 13");
        assert_eq!(uncertain(0.001_234_5, 0.000_021), "0.001234 ± 0.000021");
        assert_eq!(number(1234.567), "1234.6");
        assert_eq!([number(0.0), number(0.001_234_56)], ["0", "0.0012346"]);
        assert_eq!([radius(0.000_123), radius(0.000_004_56)], ["± 0.00012", "± 0.0000046"]);
    }

    #[test]
    fn a_correction_that_was_not_applied_is_not_told_as_one_that_was() {
        let flags = [Flag::Simulated, Flag::CorrectionMismatch];
        let (words, others) = uncorrected(&flags, None);
        assert!(words.unwrap().starts_with("NOT corrected"));
        assert_eq!(others, [Flag::Simulated]);
        assert_eq!(uncorrected(&flags, Some(&"c1".to_owned())), (None, flags.to_vec()));
    }

    #[test]
    fn cautions_are_set_off_and_name_the_command_to_type() {
        assert_eq!(
            flags("bench", &[Flag::MeterWarming, Flag::ZeroOverdue, Flag::Shared]),
            "the meter is still warming up; the meter's own zeroing is overdue: cover it, then settle zero bench; shared"
        );
    }

    #[test]
    fn a_wait_is_not_told_in_milliseconds() {
        let words: Vec<String> = [-1.0, 0.0, 3.0e-8, 0.099, 0.1, 90.0].into_iter().map(wait).collect();
        assert_eq!(words, ["0.0 s", "0.0 s", "0.0 s", "0.0 s", "0.1 s", "90 s"]);
    }

    #[test]
    fn spans_read_well() {
        let words: Vec<String> =
            [0.0, 0.02, 9.94, 10.0, 119.0, 120.0, 7199.0, 28_800.0].into_iter().map(span).collect();
        assert_eq!(words, ["0.0 s", "20 ms", "9.9 s", "10 s", "119 s", "2 min", "120 min", "8.0 h"]);
    }
}
