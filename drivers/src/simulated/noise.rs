//! Random numbers that depend on the seed and the exposure alone, so that a reading can be had again.

/// SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014; constants from
/// memory): a bijection of 64-bit numbers that looks random.
fn scramble(mut state: u64) -> u64 {
    state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    state = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    state = (state ^ (state >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    state ^ (state >> 31)
}

/// From 0 (excluded) to 1 (included), with 53 bits.
#[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
fn uniform(bits: u64) -> f64 {
    ((bits >> 11) as f64 + 1.0) / (1_u64 << 53) as f64
}

/// A standard normal number for each `(seed, exposure, channel)` (Box and Muller 1958).
#[must_use]
pub fn normal(seed: u64, exposure: u64, channel: u64) -> f64 {
    let key = scramble(scramble(scramble(seed) ^ exposure) ^ channel);
    let (radius, angle) = (uniform(key), uniform(scramble(key)));
    (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_numbers_have_mean_0_and_variance_1_and_neighbours_are_independent() {
        let n = 100_000_u64;
        let draws: Vec<f64> = (0..n).map(|exposure| normal(7, exposure, 0)).collect();
        #[expect(clippy::cast_precision_loss, reason = "small")]
        let count = n as f64;
        let mean = draws.iter().sum::<f64>() / count;
        let variance = draws.iter().map(|x| x * x).sum::<f64>() / count;
        let lag = draws.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / count;
        let channels =
            (0..n).map(|exposure| normal(7, exposure, 0) * normal(7, exposure, 1)).sum::<f64>() / count;
        // Five standard errors: 1/√n for mean, lag and channels, √(2/n) for the variance.
        let error = 5.0 / count.sqrt();
        assert!(mean.abs() < error && lag.abs() < error && channels.abs() < error);
        assert!((variance - 1.0).abs() < error * 2.0_f64.sqrt());
        assert!(draws.iter().all(|draw| draw.is_finite()));
    }
}
