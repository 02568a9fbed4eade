//! What each stimulus is waited for: no longer than its figures need, and never without a bound.
//!
//! | stimulus | band of luminance | of chromaticity | hold | longest wait |
//! |---|---|---|---|---|
//! | white, where black is measured beside it | 0.3 % | 0.0007 | 10 s | 120 s |
//! | the grey before image retention | 0.3 % | 0.001 | 20 s | 300 s |
//! | as dark as a grey of 12 % and darker | 1 % or 0.0005 cd/m² | 0.002 | 5 s | 120 s |
//! | as bright as a grey of 75 % (with PQ 100 cd/m²) and brighter | 0.5 % | 0.001 | 5 s | 30 s |
//! | all others | 0.5 % | 0.001 | 5 s | 90 s |
//!
//! A meter that exposes for 5 s in the dark gives the eight readings that settling asks for in 40 s.
//!
//! Common practice, no source. What has not settled by then is kept with its verdict, and its interval is as wide as it is.

use settled_protocol::settling::Criteria;

use super::itinerary::Stop;
use super::light::signal;
use super::order::luminance;
use super::plan::What;
use crate::evaluate::aim::Transfer;
use crate::evaluate::transfer::pq;

/// Up to the luminance of a grey of this signal a stimulus is near black.
const DARK: f64 = 0.12;
/// From the luminance of a grey of this signal on it is bright: no longer on the screen than it must be.
const BRIGHT: f64 = 0.75;
/// From this luminance on it is bright where signals stand for luminances (SMPTE ST 2084), in cd/m²: half of reference white
/// (Report ITU-R BT.2408). Common practice, no source.
const BRIGHT_CD_M2: f64 = 100.0;

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
    match stop.sequence.what {
        What::WhiteBlack if !is_dark(stop) => of(0.003, 0.0007, 10.0, 120.0),
        What::Retention { .. } => of(0.003, 0.001, 20.0, 300.0),
        _ if is_dark(stop) => of(0.01, 0.002, 5.0, 120.0),
        _ if is_bright(stop) => of(0.005, 0.001, 5.0, 30.0),
        _ => of(0.005, 0.001, 5.0, 90.0),
    }
}

/// Whether it is bright enough to be rested from: the window, or what is around it.
#[must_use]
pub fn is_bright(stop: &Stop<'_>) -> bool {
    let (transfer, patch, coding) = (stop.set.aim.transfer, &stop.step.patch, stop.set.coding);
    let from = match transfer {
        Transfer::Pq => signal(transfer, BRIGHT_CD_M2 / pq::PEAK),
        _ => BRIGHT,
    };
    let background = patch.background.map(|code| coding.signal(code));
    let around = if patch.window_percent < 100.0 { luminance(transfer, background) } else { 0.0 };
    // Half a code value of 8 bits off is still meant.
    level(stop).max(signal(transfer, around)) >= from - 0.002
}

fn is_dark(stop: &Stop<'_>) -> bool {
    level(stop) <= DARK + 0.002
}

/// About how long it takes, in s, before any has been measured: what a colorimeter takes that exposes for up to 5 s in the dark (of 700 stimuli of
/// rehearsed reviews). How long the meter at hand does nobody knows yet.
#[must_use]
pub fn expected_s(stop: &Stop<'_>) -> f64 {
    let settles_s = 1.2 * criteria(stop).hold_s + if is_dark(stop) { 65.0 } else { 6.0 };
    rests_s(stop) + stop.step.watch_s.unwrap_or(settles_s)
}

/// How long of that the display rests, before it or after it, in s.
#[must_use]
pub fn rests_s(stop: &Stop<'_>) -> f64 {
    let after_s = if is_bright(stop) { stop.sequence.rest_s } else { 0.0 };
    let before_s = if stop.step.step == 0 { stop.sequence.rests_before_s() } else { 0.0 };
    before_s + after_s
}

/// The signal of a grey of the same luminance.
fn level(stop: &Stop<'_>) -> f64 {
    let transfer = stop.set.aim.transfer;
    signal(transfer, luminance(transfer, stop.step.patch.signal(stop.set.coding)))
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
    fn a_colour_counts_by_its_luminance_and_not_by_its_signal() {
        let plan = READY[0].plan().unwrap();
        let stops = stops(&plan, &[], None);
        let named = |name: &str| stops.iter().find(|stop| stop.step.patch.name == name).unwrap();
        assert!(is_bright(named("yellow")) && !is_bright(named("blue")) && !is_dark(named("blue")));
        assert!(
            is_dark(named("grey 10 %")) && is_bright(named("grey 80 %")) && !is_bright(named("grey 70 %"))
        );
    }

    #[test]
    fn bright_goes_by_luminance_where_signals_stand_for_it_and_counts_what_is_around_a_window() {
        let mut plan = crate::review::ready::Ready::named("hdr-pq").unwrap().plan().unwrap();
        let bright = |plan: &crate::review::plan::Plan, signal: f64, around: f64| {
            let mut stop = stops(plan, &[], None).swap_remove(0);
            let code = |signal| [stop.set.coding.code(signal); 3];
            (stop.step.patch.codes, stop.step.patch.background) = (code(signal), code(around));
            is_bright(&stop)
        };
        // SMPTE ST 2084: 58 % is 203 cd/m², 70 % some 620, 40 % some 32.
        assert!(bright(&plan, 0.58, 0.0) && bright(&plan, 0.7, 0.0) && !bright(&plan, 0.4, 0.0));
        assert!(bright(&plan, 0.0, 0.7));
        plan.sets[0].aim.transfer = Transfer::Srgb;
        assert!(!bright(&plan, 0.7, 0.0) && bright(&plan, 0.7, 0.8));
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

    #[test]
    fn black_is_waited_for_as_other_dark_light_is_also_beside_white() {
        let plan = READY[0].plan().unwrap();
        let of = |name: &str| {
            let stops = stops(&plan, &[], None);
            let is_it =
                |stop: &&Stop<'_>| stop.sequence.name == "white_black" && stop.step.patch.name == name;
            let Criteria { luminance, chromaticity, .. } = criteria(stops.iter().find(is_it).unwrap());
            [luminance, chromaticity]
        };
        assert_eq!((of("white"), of("black")), ([0.003, 0.0007], [0.01, 0.002]));
    }
}
