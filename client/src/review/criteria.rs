//! What each stimulus is waited for: no longer than its figures need, and never without a bound.
//!
//! | stimulus | band of luminance | of chromaticity | hold | longest wait |
//! |---|---|---|---|---|
//! | white and black | 0.3 % | 0.0007 | 10 s | 120 s |
//! | the grey before image retention | 0.3 % | 0.001 | 20 s | 300 s |
//! | signals up to 12 % | 1 % or 0.0005 cd/m² | 0.002 | 5 s | 60 s |
//! | bright: three quarters of white's signal and more | 0.5 % | 0.001 | 5 s | 30 s |
//! | all others | 0.5 % | 0.001 | 5 s | 60 s |
//!
//! Common practice, no source. What has not settled by then is kept with its verdict, and its interval is as wide as it is.

use settled_protocol::settling::Criteria;

use super::expand::Step;
use super::itinerary::Stop;
use super::plan::What;

/// Up to this signal a stimulus is near black.
const DARK: f64 = 0.12;
/// From this signal on it is bright: no longer on the screen than it must be.
const BRIGHT: f64 = 0.75;

/// What to call settled.
#[must_use]
pub fn criteria(stop: &Stop<'_>) -> Criteria {
    let of = |luminance, chromaticity, hold_s, max_wait_s| Criteria {
        luminance,
        chromaticity,
        hold_s,
        max_wait_s,
        ..Criteria::default()
    };
    let signal = brightest(stop);
    match stop.sequence.what {
        What::WhiteBlack => of(0.003, 0.0007, 10.0, 120.0),
        What::Retention { .. } => of(0.003, 0.001, 20.0, 300.0),
        _ if signal <= DARK => of(0.01, 0.002, 5.0, 60.0),
        _ if is_bright(stop) => of(0.005, 0.001, 5.0, 30.0),
        _ => of(0.005, 0.001, 5.0, 60.0),
    }
}

/// Whether it is bright enough to be rested from.
#[must_use]
pub fn is_bright(stop: &Stop<'_>) -> bool {
    brightest(stop) >= BRIGHT
}

/// About how long it takes, in s, before any has been measured: a settled reading takes a little more than its hold.
#[must_use]
pub fn expected_s(stop: &Stop<'_>) -> f64 {
    let rest_s = if is_bright(stop) { stop.sequence.rest_s } else { 0.0 };
    let Step { watch_s, .. } = stop.step;
    rest_s + watch_s.unwrap_or_else(|| 1.2 * criteria(stop).hold_s + 1.0)
}

/// The signal of the brightest channel.
fn brightest(stop: &Stop<'_>) -> f64 {
    stop.step.patch.signal(stop.set.coding).into_iter().fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::itinerary::stops;
    use crate::review::ready::READY;

    #[test]
    fn no_stimulus_is_waited_for_without_a_bound_and_all_criteria_are_in_range() {
        for ready in READY {
            let plan = ready.plan().unwrap();
            for stop in stops(&plan, &[], None) {
                let criteria = criteria(&stop);
                assert_eq!(criteria.checked(), Ok(criteria));
                assert!(criteria.max_wait_s <= 300.0);
            }
        }
    }

    #[test]
    fn white_is_on_the_screen_for_half_a_minute_at_most_unless_all_is_held_against_it() {
        let plan = READY[0].plan().unwrap();
        let wait = |sequence: &str, name: &str| {
            let stops = stops(&plan, &[], None);
            let stop =
                stops.iter().find(|stop| stop.sequence.name == sequence && stop.step.patch.name == name);
            criteria(stop.unwrap()).max_wait_s
        };
        assert_eq!((wait("primaries", "white"), wait("white_black", "white")), (30.0, 120.0));
        assert!(wait("near_black", "grey 2 %") > wait("grey", "white"));
    }
}
