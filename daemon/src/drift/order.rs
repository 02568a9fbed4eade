//! Order statistics.

/// A normal's standard deviation in units of its median absolute deviation.
const OF_NORMAL: f64 = 1.482_602_218_505_602;

/// The middle one, or the mean of the two in the middle; nothing of nothing. The order of `values` changes.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    let half = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let even = values.len().is_multiple_of(2);
    let (below, middle, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let middle = *middle;
    let before = below.iter().copied().max_by(f64::total_cmp).filter(|_| even);
    Some(before.map_or(middle, |before| f64::midpoint(before, middle)))
}

/// The value that so great a share, from 0 to 1, of all lie below; nothing of nothing. The order of `values` changes.
pub(super) fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let place = ((last as f64 * share).round() as usize).min(last);
    Some(*values.select_nth_unstable_by(place, f64::total_cmp).1)
}

/// The standard deviation about zero that the median of absolute values tells, which a few wild ones don't move.
pub(super) fn spread(values: impl Iterator<Item = f64>) -> f64 {
    let mut sizes: Vec<f64> = values.map(f64::abs).collect();
    OF_NORMAL * median(&mut sizes).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_in_the_middle_whatever_the_order() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&mut []), None);
        assert_eq!(quantile(&mut [5.0, 1.0, 2.0, 3.0, 4.0], 0.75), Some(4.0));
    }
}
