//! Light that swings: a long window averages it away, but it leaves its band within every hold.

use super::line::Line;
use super::look::{Readings, Rules, Window};

/// A hold is looked at in this many parts.
const PARTS: f64 = 8.0;
/// Swings of less than this many bands can't be told from noise with a memory.
const LARGE: f64 = 1.2;
/// Swings faster than two in a hold are flicker, which is averaged.
const FAST: f64 = 0.5;

impl Window {
    /// Whether the light swings by more than its band, which a window of two holds and more averages away.
    pub(super) fn swings(&self, rules: &Rules, readings: &Readings) -> bool {
        let hold = rules.criteria.hold_s;
        if self.length < 2.0 * hold {
            return false;
        }
        let from = readings.last - self.length;
        let stretch = readings.luminance.since(from);
        let [values] = stretch.channels();
        if swings(stretch.times(), values, &self.luminance, hold, self.band) {
            return true;
        }
        let Some(colour) = self.colour else { return false };
        let stretch = readings.colour.since(from);
        let channels = stretch.channels().into_iter().zip(colour.lines);
        channels.into_iter().any(|(values, line)| swings(stretch.times(), values, &line, hold, colour.band))
    }
}

/// Whether what a window's line leaves over swings by more than the band, and slower than flicker.
///
/// The parts' means are compared: their variance, less that which noise from one reading to the next gives them, is half the
/// square of the swing's amplitude; the times that they change sign give its period.
fn swings(times: &[f64], values: &[f64], line: &Line, hold: f64, band: f64) -> bool {
    let part_s = hold / PARTS;
    let (mut parts, mut crossings, mut squares) = (0.0, 0.0, 0.0);
    let (mut sum, mut count, mut end, mut sign) = (0.0, 0.0, f64::NEG_INFINITY, 0.0);
    let (mut jumps, mut readings, mut before) = (0.0, 0.0_f64, None);
    for (&t, &y) in times.iter().zip(values) {
        let residual = y - line.mean - line.slope * (t - line.time);
        if t > end {
            if count > 0.0 {
                let mean: f64 = sum / count;
                parts += 1.0;
                squares += mean * mean;
                crossings += if mean * sign < 0.0 { 1.0 } else { 0.0 };
                sign = mean;
            }
            (sum, count, end) = (0.0, 0.0, t + part_s);
        }
        sum += residual;
        count += 1.0;
        readings += 1.0;
        jumps +=
            before.replace(residual).map_or(0.0, |before: f64| (residual - before) * (residual - before));
    }
    if parts < PARTS {
        return false;
    }
    let noise = 0.5 * jumps / (readings - 1.0) * parts / readings;
    let amplitude = (2.0 * (squares / parts - noise).max(0.0)).sqrt();
    let period = 2.0 * part_s * parts / f64::max(crossings, 1.0);
    amplitude > LARGE * band && period > FAST * hold
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settle::track::Track;

    /// Ten holds of 60 s, one reading a second, with this swing in bands and this period, and a little noise that repeats.
    fn swinging(bands: f64, period: f64, noise: f64) -> bool {
        let mut track = Track::<1>::new(1e4);
        for second in 0..600_u32 {
            let t = f64::from(second);
            let wobble = noise * (f64::from(second * 7919 % 101) / 50.0 - 1.0);
            track.push(t, [100.0 + 0.5 * bands * (std::f64::consts::TAU * t / period).sin() + 0.5 * wobble]);
        }
        let stretch = track.since(f64::MIN);
        let ([line], [values]) = (stretch.lines().unwrap(), stretch.channels());
        swings(stretch.times(), values, &line, 60.0, 0.5)
    }

    #[test]
    fn slow_large_swings_are_told_from_flicker_and_from_noise() {
        assert!(swinging(1.6, 40.0, 0.1));
        assert!(swinging(2.0, 90.0, 1.0));
        // Flicker, small swings, and noise alone.
        assert!(!swinging(4.0, 20.0, 0.1));
        assert!(!swinging(0.8, 40.0, 0.1));
        assert!(!swinging(0.0, 40.0, 4.0));
    }
}
