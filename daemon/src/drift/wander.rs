//! Does what a line leaves wander? A random walk and a drift can't be told apart within one stretch; the Allan deviation of the
//! blocks shows which it may be: it falls as 1/√τ for white noise, and rises as √τ for a random walk (NIST SP 1065).

/// Blocks that it takes to tell.
const FEWEST: usize = 16;

/// The Allan variance goes with the averaging time to the power of −1 for white noise, 0 for flicker, 1 for a random walk. Above this
/// it wanders: lines were taken away, which lowers it.
const RISES: f64 = 0.2;

/// How residuals wander.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wander {
    /// As a random walk does.
    pub(super) wanders: bool,
    /// Mean square of the difference of neighbours.
    difference: f64,
}

impl Wander {
    /// The standard error of a line's slope through a random walk with such differences, over `span` in s: its variance is 6/5 of
    /// the walk's variance a second over the span, and means over neighbouring blocks differ by 2/3 of the walk's variance over one.
    pub(super) fn slope_error(&self, length_s: f64, span: f64) -> f64 {
        (1.2 * 1.5 * self.difference / (length_s * span)).sqrt()
    }
}

/// Looks at residuals, given each one's place: its index in time and its segment.
pub(super) fn of(places: impl Iterator<Item = (u64, usize)>, residuals: &[f64]) -> Wander {
    let places: Vec<(u64, usize)> = places.collect();
    let longest = (residuals.len() / 4).max(1).ilog2();
    let shortest = variance(&places, residuals, 1);
    let long = variance(&places, residuals, 1 << longest);
    let difference = shortest.map_or(0.0, |variance| 2.0 * variance);
    let power = match (shortest, long) {
        (Some(short), Some(long)) if residuals.len() >= FEWEST && short > 0.0 && long > 0.0 => {
            (long / short).ln() / f64::from(1_u32 << longest).ln()
        }
        _ => -1.0,
    };
    Wander { wanders: power > RISES, difference }
}

/// The overlapping Allan variance of means over `m` neighbours, none of them missing.
fn variance(places: &[(u64, usize)], residuals: &[f64], m: usize) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for (places, residuals) in places.windows(2 * m).zip(residuals.windows(2 * m)) {
        let whole = places
            .first()
            .zip(places.last())
            .is_some_and(|(first, last)| last.0 - first.0 == 2 * m as u64 - 1 && first.1 == last.1);
        if whole {
            let (early, late) = residuals.split_at(m);
            let difference = (late.iter().sum::<f64>() - early.iter().sum::<f64>()) / m as f64;
            sum += difference * difference;
            count += 1.0;
        }
    }
    (count > 0.0).then(|| sum / (2.0 * count))
}
