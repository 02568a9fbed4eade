//! Is it the display that moves, or the meter? Readings with the aperture covered tell of the meter's zero; its declared warm-up
//! tells of the rest.
//!
//! A zero that drifts adds to every reading alike. A sensitivity that drifts can't be seen in the dark: for that there is
//! only the meter's own word, its warm-up.

use std::collections::VecDeque;

use settled_protocol::settling::{Drift, Estimate, Evidence, Moves, Who};

/// Dark readings that are kept.
const MOST: usize = 64;
/// Older ones say nothing of now, in s.
const OLDEST_S: f64 = 1800.0;
/// Nor does any if the latest is older than this, in s, or than two holds.
const LATEST_S: f64 = 600.0;
/// The quantile of the normal distribution for an interval of 99 %.
const SURE: f64 = 2.576;
/// A part of a move this large or smaller is not what moves it; the rest is.
const MINOR: f64 = 1.0 / 3.0;
/// What is more than this share of the light is no dark reading: the aperture was open.
const LIT: f64 = 0.2;

/// The meter's own warm-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WarmUp {
    /// The meter states none.
    Unknown,
    /// It is not over.
    Going,
    /// It is over.
    Over,
}

/// The latest dark readings of a meter.
#[derive(Clone, Debug, Default)]
pub struct Darks(VecDeque<(f64, f64)>);

impl Darks {
    /// Takes a reading made with the aperture covered, at a time in s on the boot clock. One older than the last is left out.
    pub fn push(&mut self, t_s: f64, y: f64) {
        if self.0.back().is_some_and(|(last, _)| t_s <= *last) || !y.is_finite() || !t_s.is_finite() {
            return;
        }
        if self.0.len() == MOST {
            self.0.pop_front();
        }
        self.0.push_back((t_s, y));
    }

    /// Change over `hold_s` and the half-width of its 99 % interval; nothing with less than two dark readings, or none from
    /// about now. Readings have a standard deviation of `noise` at most: where there are four dark ones or more they tell their own.
    fn change(&self, now: f64, hold_s: f64, noise: f64, darkest: f64) -> Option<(f64, f64)> {
        let recent = || self.0.iter().filter(|(t, y)| now - t <= OLDEST_S && y.abs() <= darkest);
        let count = recent().count();
        let (latest, _) = recent().next_back()?;
        if count < 2 || now - latest > LATEST_S.max(2.0 * hold_s) {
            return None;
        }
        let mean = |of: fn(&(f64, f64)) -> f64| recent().map(of).sum::<f64>() / count as f64;
        let (time, level) = (mean(|dark| dark.0), mean(|dark| dark.1));
        let spread: f64 = recent().map(|(t, _)| (t - time).powi(2)).sum();
        let product: f64 = recent().map(|(t, y)| (t - time) * (y - level)).sum();
        let slope = product / spread;
        let squares: f64 = recent().map(|(t, y)| (y - level - slope * (t - time)).powi(2)).sum();
        let freedom = count as f64 - 2.0;
        // Student's t at 99 % is within a tenth of 2.576·(1 + 1.6/ν) from two degrees of freedom on.
        let (noise, sure) = if count < 4 {
            (noise, SURE)
        } else {
            ((squares / freedom).sqrt(), SURE * (1.0 + 1.6 / freedom))
        };
        Some((slope * hold_s, sure * noise / spread.sqrt() * hold_s))
    }
}

/// What moves, of light whose evidence and value are given, at `now` (boot clock); nothing where it isn't known to move.
#[must_use]
pub fn moves(
    evidence: &Evidence,
    value: Option<&Estimate>,
    hold_s: f64,
    now: f64,
    darks: &Darks,
    warm_up: WarmUp,
) -> Option<Moves> {
    let seen = evidence.luminance_drift?;
    let (band, noise) = (evidence.luminance_band?, evidence.noise?);
    if seen.bands_per_hold.abs() <= seen.interval {
        return None;
    }
    let darkest = LIT * value?.y.abs();
    let zero = darks
        .change(now, hold_s, noise, darkest)
        .map(|(change, error)| Drift { bands_per_hold: change / band, interval: error / band });
    // A zero that is known no better than the light moves tells nothing.
    let telling = zero.filter(|zero| zero.interval < seen.bands_per_hold.abs());
    let who = match telling {
        Some(zero) => told_by_the_dark(seen, zero, warm_up),
        None if warm_up == WarmUp::Over => Who::Display,
        None => Who::Either,
    };
    Some(Moves { who, zero_drift: zero })
}

fn told_by_the_dark(seen: Drift, zero: Drift, warm_up: WarmUp) -> Who {
    let whole = seen.bands_per_hold.abs();
    // In the direction in which the light moves.
    let part = zero.bands_per_hold * seen.bands_per_hold.signum();
    let explains = part - zero.interval >= (1.0 - MINOR) * (whole - seen.interval)
        && part + zero.interval >= (1.0 - MINOR) * whole
        && (1.0 - MINOR) * (part - zero.interval) <= whole + seen.interval;
    let is_minor = part.abs() + zero.interval <= MINOR * whole;
    if explains && part > zero.interval {
        Who::Meter
    } else if is_minor && warm_up != WarmUp::Going {
        Who::Display
    } else {
        Who::Either
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two bands a hold, known to a fifth; a band is 0.5.
    fn moving() -> Evidence {
        Evidence {
            luminance_drift: Some(Drift { bands_per_hold: 2.0, interval: 0.4 }),
            luminance_band: Some(0.5),
            noise: Some(0.05),
            ..Evidence::default()
        }
    }

    fn darks(per_minute: f64) -> Darks {
        let mut darks = Darks::default();
        for minute in 0..10 {
            darks.push(f64::from(minute) * 60.0, 0.001 + per_minute * f64::from(minute));
        }
        darks
    }

    fn level() -> Estimate {
        Estimate {
            y: 100.0,
            y_u95: 0.1,
            y_standard: 0.05,
            coverage_factor: 2.0,
            degrees_of_freedom: 60.0,
            chromaticity: None,
            chromaticity_u95: None,
            n_effective: 62.0,
        }
    }

    fn who(darks: &Darks, warm_up: WarmUp) -> Option<Who> {
        moves(&moving(), Some(&level()), 60.0, 600.0, darks, warm_up).map(|moves| moves.who)
    }

    #[test]
    fn a_zero_that_drifts_as_the_light_does_is_the_meter() {
        assert_eq!(who(&darks(1.0), WarmUp::Over), Some(Who::Meter));
        assert_eq!(who(&darks(1.0), WarmUp::Unknown), Some(Who::Meter));
    }

    #[test]
    fn a_zero_that_stands_still_is_the_display_unless_the_meter_warms_up() {
        assert_eq!(who(&darks(0.0), WarmUp::Unknown), Some(Who::Display));
        assert_eq!(who(&darks(0.0), WarmUp::Going), Some(Who::Either));
    }

    #[test]
    fn a_zero_that_explains_half_of_it_is_either() {
        assert_eq!(who(&darks(0.5), WarmUp::Over), Some(Who::Either));
    }

    #[test]
    fn without_dark_readings_only_the_meters_word_is_left() {
        assert_eq!(who(&Darks::default(), WarmUp::Over), Some(Who::Display));
        assert_eq!(who(&Darks::default(), WarmUp::Going), Some(Who::Either));
        assert_eq!(who(&Darks::default(), WarmUp::Unknown), Some(Who::Either));
    }

    #[test]
    fn dark_readings_from_hours_ago_say_nothing_and_old_ones_make_room() {
        let mut old = darks(1.0);
        assert_eq!(
            moves(&moving(), Some(&level()), 60.0, 9000.0, &old, WarmUp::Unknown).map(|moves| moves.who),
            Some(Who::Either)
        );
        for second in 0..1000 {
            old.push(10_000.0 + f64::from(second), 0.0);
        }
        assert_eq!(old.0.len(), MOST);
        old.push(5.0, 7.0);
        assert!(old.0.iter().all(|(_, y)| *y == 0.0));
    }

    #[test]
    fn what_does_not_move_is_moved_by_nobody() {
        let mut still = moving();
        still.luminance_drift = Some(Drift { bands_per_hold: 0.3, interval: 0.4 });
        assert_eq!(moves(&still, Some(&level()), 60.0, 600.0, &darks(1.0), WarmUp::Over), None);
    }

    #[test]
    fn a_zero_that_moves_too_little_too_much_or_the_other_way_does_not_explain_it() {
        for per_minute in [0.6, 3.0, -1.0] {
            assert_eq!(who(&darks(per_minute), WarmUp::Unknown), Some(Who::Either), "{per_minute}");
        }
        let mut vague = moving();
        vague.luminance_drift = Some(Drift { bands_per_hold: 2.0, interval: 1.9 });
        let told = moves(&vague, Some(&level()), 60.0, 600.0, &darks(0.15), WarmUp::Unknown);
        assert_ne!(told.map(|moves| moves.who), Some(Who::Meter));
    }

    #[test]
    fn what_is_lit_is_no_dark_reading() {
        let mut lit = Darks::default();
        for minute in 0..10 {
            lit.push(f64::from(minute) * 60.0, 100.0 + f64::from(minute));
        }
        let told = moves(&moving(), Some(&level()), 60.0, 600.0, &lit, WarmUp::Over);
        assert_eq!(told.map(|moves| (moves.who, moves.zero_drift)), Some((Who::Display, None)));
    }
}
