//! What the light really does: trends, events, and when it has settled by definition.

use settled_protocol::settling::Criteria;

/// Luminance, u′ and v′ without noise, at a time in s.
pub(crate) type Trend = Box<dyn Fn(f64) -> [f64; 3] + Send + Sync>;

/// A stretch between events that nobody could foresee.
pub(crate) struct Segment {
    pub(crate) start: f64,
    pub(crate) trend: Trend,
}

/// When a segment has settled, by definition.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Oracle {
    pub(crate) start: f64,
    pub(crate) end: f64,
    /// The first moment from which the promise holds for the rest of the segment; nothing if it never does for long.
    pub(crate) settles: Option<f64>,
    /// How long white noise alone makes anybody wait, in s.
    pub(crate) noise_need: f64,
}

/// The largest move within the next hold, in bands: settled is 1 or less.
pub(crate) fn excursion(segment: &Segment, criteria: &Criteria, at: f64) -> f64 {
    let [y, u, v] = (segment.trend)(at);
    let (band, colour_band) = (criteria.luminance_band(y), criteria.chromaticity_band(y));
    (1..=12)
        .map(|step| {
            let [later, u_later, v_later] = (segment.trend)(at + criteria.hold_s * f64::from(step) / 12.0);
            ((later - y).abs() / band).max((u_later - u).hypot(v_later - v) / colour_band)
        })
        .fold(0.0, f64::max)
}

/// The oracle of a segment that ends at `end`, seen with noise of `sigma` a reading every `interval` s.
pub(crate) fn oracle(segment: &Segment, end: f64, criteria: &Criteria, sigma: f64, interval: f64) -> Oracle {
    let start = segment.start;
    let seconds = (end - start).max(1.0) as usize;
    let at = |second: usize| start + second as f64;
    let last_bad = (0..seconds).rev().find(|&second| excursion(segment, criteria, at(second)) > 1.0);
    let settles = match last_bad {
        None => Some(start),
        Some(second) if second + 1 >= seconds => None,
        Some(second) if end - at(second) < 900_f64.min(0.25 * (end - start)) => None,
        Some(second) => Some(at(second + 1)),
    };
    let [y, ..] = (segment.trend)(end - 1.0);
    let band = criteria.luminance_band(y);
    let drift = 6.2 * criteria.hold_s * sigma * (12.0 * interval).sqrt() / band;
    let value = (2.0 * sigma / band).powi(2) * interval;
    Oracle { start, end, settles, noise_need: drift.powf(2.0 / 3.0).max(value) }
}
