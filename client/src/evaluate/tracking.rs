//! Where a display leaves ST 2084, and how: what it can't show is cut off at its peak, or rolled off towards it.

use super::draws::Draws;
use super::figure::Figure;
use super::measured::Measured;
use super::ramp::Ramp;
use super::transfer::pq;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How far from the peak the first step beyond the end may lie where light is called flat from there, relative (common practice, no source).
const FLAT: f64 = 0.03;

/// Where a display stops to follow ST 2084.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrackingEnd {
    /// The signal, from 0 to 1, where the light falls below the tolerance and stays there: between two steps by interpolation. Its interval holds both.
    pub signal: Figure,
    /// The luminance that ST 2084 has there, in cd/m², with the same two steps.
    pub luminance: Figure,
    /// What comes after it.
    pub kind: Kind,
    /// The luminance of signal 1, in cd/m²: what is cut off at, or rolled off to.
    pub level: Figure,
    /// The last step, by its signal, that still is within the tolerance.
    pub last_signal: f64,
}

/// What a display does with what it can't show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A hard clip: the next step is as light as white, as far as steps so wide can tell.
    Clip,
    /// A roll-off: light goes on growing, more slowly.
    RollOff,
    /// The next step's interval allows either, or that step is white itself.
    Undecided,
}

/// Where a ramp leaves ST 2084 for good by more than `tolerance`, relative (0.1 is 10 %), towards less light. Nothing where it follows up to its last step, or
/// is off all the way: there is no end of what never was.
#[must_use]
pub fn end(ramp: &Ramp, tolerance: f64, draws: &Draws) -> Option<TrackingEnd> {
    let last = last_within(ramp, ramp.lights(), tolerance)?;
    let signals = ramp.signals();
    let [signal, low, high] = draws
        .figures(ramp.lights(), |lights| {
            let last = last_within(ramp, lights, tolerance)?;
            let [here, next] = [signals[last], signals[last + 1]];
            let [a, b] =
                [last, last + 1].map(|index| error(signals[index], lights[index].luminance) + tolerance);
            Some(vec![here + (next - here) * (a / (a - b)).clamp(0.0, 1.0), here, next])
        })?
        .try_into()
        .ok()?;
    let signal = Figure::between(signal.value, low.low, high.high);
    let luminance = signal.map(pq::eotf);
    let level = draws.figure(ramp.lights(), |lights| Some(ramp.white(lights)))?;
    let next = draws.figure(ramp.lights(), |lights| Some(lights[last + 1].luminance / ramp.white(lights)))?;
    let kind = if last + 2 == signals.len() {
        // White itself: what comes before it nobody saw.
        Kind::Undecided
    } else if next.low >= 1.0 - FLAT {
        Kind::Clip
    } else if next.high < 1.0 - FLAT {
        Kind::RollOff
    } else {
        Kind::Undecided
    };
    Some(TrackingEnd { signal, luminance, kind, level, last_signal: signals[last] })
}

/// Relative to what ST 2084 has.
fn error(signal: f64, luminance: f64) -> f64 {
    luminance / pq::eotf(signal) - 1.0
}

/// The last step that isn't too dark; nothing if that is the very last, or there is none.
fn last_within(ramp: &Ramp, lights: &[Measured], tolerance: f64) -> Option<usize> {
    let last = ramp
        .steps(lights)
        .collect::<Vec<_>>()
        .into_iter()
        .rposition(|(signal, light)| signal > 0.0 && error(signal, light.luminance) >= -tolerance)?;
    (last + 1 < ramp.signals().len()).then_some(last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::draws::Calibration;

    fn ramp(light: impl Fn(f64) -> f64) -> Ramp {
        let steps: Vec<(f64, Measured)> = (0..=20)
            .map(|step| {
                let signal = f64::from(step) / 20.0;
                let luminance = light(signal);
                (signal, Measured { luminance_u: 0.002 * luminance, ..Measured::exactly(luminance, None) })
            })
            .collect();
        Ramp::new(&steps, None, None).unwrap()
    }

    fn end_of(light: impl Fn(f64) -> f64) -> Option<TrackingEnd> {
        end(&ramp(light), 0.1, &Draws::new(Calibration::default()))
    }

    #[test]
    fn what_is_cut_off_is_a_clip_at_its_level() {
        let found = end_of(|signal| pq::eotf(signal).min(600.0)).unwrap();
        assert_eq!(found.kind, Kind::Clip);
        assert!(found.level.holds(600.0), "{found:?}");
        // It is 10 % off where ST 2084 has 600/0.9 cd/m².
        assert!(found.signal.holds(pq::inverse_eotf(600.0 / 0.9)), "{found:?}");
        // At 0.7 it has 621 cd/m², from which 600 are 3 % off.
        assert!((found.last_signal - 0.7).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn light_that_goes_on_growing_is_rolled_off() {
        // In ST 2084's signal: from 0.5 on half as steep.
        let found = end_of(|signal| pq::eotf(if signal > 0.5 { 0.5 + (signal - 0.5) / 2.0 } else { signal }))
            .unwrap();
        assert_eq!(found.kind, Kind::RollOff);
        assert!(found.signal.low >= 0.5 - 1e-9 && found.signal.high <= 0.6 + 1e-9, "{found:?}");
    }

    #[test]
    fn where_only_white_is_off_nobody_can_tell_what_comes_before_it() {
        let found = end_of(|signal| pq::eotf(signal).min(8000.0)).unwrap();
        assert_eq!(found.kind, Kind::Undecided, "{found:?}");
    }

    #[test]
    fn a_display_that_reaches_all_of_it_or_none_has_no_end() {
        assert_eq!(end_of(pq::eotf), None);
        assert_eq!(end_of(|signal| pq::eotf(signal) * 0.8), None);
    }
}
