//! Numbers in words: as many digits as mean something, in the notation that reads best.

use settled_protocol::settling::Drift;

/// A drift with its interval, in a unit of which one band is `band`. Both have the digits that matter beside the band, and a few
/// more where the interval is much smaller than that.
#[must_use]
pub fn in_units(drift: Drift, band: f64) -> String {
    let (change, interval) = (drift.bands_per_hold * band, drift.interval * band);
    let Some(coarse) = decimals(band, 2) else { return format!("{change:+.1e} ± {interval:.1e}") };
    let needed = order(interval, 1).map_or(0, |order| usize::try_from(-order).unwrap_or_default());
    let digits = needed.clamp(coarse, coarse + 2);
    format!("{change:+.digits$} ± {interval:.digits$}")
}

/// A number with no fewer than so many significant digits: in plain notation from 1e-4 to 1e6, in powers of ten beyond.
#[must_use]
pub fn significant(value: f64, digits: usize) -> String {
    match decimals(value, digits) {
        _ if value == 0.0 => "0".to_owned(),
        Some(decimals) => format!("{value:.decimals$}"),
        None => format!("{value:.*e}", digits.saturating_sub(1)),
    }
}

/// A span of time in s, in the unit that reads best.
#[must_use]
pub fn span(seconds: f64) -> String {
    match seconds {
        tiny if tiny > 0.0 && tiny < 0.1 => format!("{} ms", significant(1000.0 * tiny, 2)),
        short if short < 10.0 => format!("{short:.1} s"),
        middling if middling < 120.0 => format!("{middling:.0} s"),
        long if long < 7200.0 => format!("{:.0} min", long / 60.0),
        longer => format!("{:.1} h", longer / 3600.0),
    }
}

/// Decimals that show `digits` significant digits of `value`, if plain notation suits it.
fn decimals(value: f64, digits: usize) -> Option<usize> {
    let order = order(value, digits).filter(|order| (-4..6).contains(order))?;
    let decimals = i32::try_from(digits).ok()? - 1 - order;
    Some(usize::try_from(decimals).unwrap_or_default())
}

/// The power of ten of the first of `digits` significant digits. Rounding may carry: 0.0999 is 0.10.
fn order(value: f64, digits: usize) -> Option<i32> {
    let rounded = format!("{:.*e}", digits.saturating_sub(1), value.abs());
    rounded.split_once('e')?.1.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_has_its_digits_in_plain_notation_where_that_reads_well() {
        for (value, digits, expected) in [
            (60.6, 2, "61"),
            (0.5, 2, "0.50"),
            (0.0999, 2, "0.10"),
            (0.000_1, 2, "0.00010"),
            (0.000_05, 2, "5.0e-5"),
            (6063.4, 2, "6063"),
            (999_999.0, 3, "1.00e6"),
            (-0.0123, 3, "-0.0123"),
            (0.0, 2, "0"),
        ] {
            assert_eq!(significant(value, digits), expected);
        }
    }

    #[test]
    fn a_drift_has_the_digits_of_its_band_however_narrow_that_is() {
        let drift = |interval: f64| Drift { bands_per_hold: -0.5, interval };
        for (interval, band, expected) in [
            (0.1, 0.5, "-0.25 ± 0.05"),
            (0.002, 0.5, "-0.250 ± 0.001"),
            (1e-9, 0.5, "-0.2500 ± 0.0000"),
            (30.0, 0.5, "-0.25 ± 15.00"),
            (0.1, 0.000_5, "-0.00025 ± 0.00005"),
            (0.1, 0.000_05, "-2.5e-5 ± 5.0e-6"),
            (0.1, 0.002, "-0.0010 ± 0.0002"),
        ] {
            assert_eq!(in_units(drift(interval), band), expected);
        }
    }
}
