//! Count, mean, spread and range, one by one (Welford, Technometrics 4, 419, 1962) or many at once (Chan, Golub & LeVeque 1979).

/// What readings come to.
#[derive(Clone, Copy, Debug)]
pub struct Moments {
    /// Readings.
    pub count: u64,
    /// Mean.
    pub mean: f64,
    /// Σ (y − mean)².
    pub squares: f64,
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
}

impl Default for Moments {
    fn default() -> Self {
        Self { count: 0, mean: 0.0, squares: 0.0, min: f64::INFINITY, max: f64::NEG_INFINITY }
    }
}

impl Moments {
    /// Of one reading.
    #[must_use]
    pub fn of(y: f64) -> Self {
        Self { count: 1, mean: y, squares: 0.0, min: y, max: y }
    }

    /// Takes others in.
    pub fn add(&mut self, other: &Self) {
        if other.count == 0 {
            return;
        }
        let (mine, theirs) = (self.count as f64, other.count as f64);
        let (all, apart) = (mine + theirs, other.mean - self.mean);
        self.count += other.count;
        self.mean += apart * theirs / all;
        self.squares += other.squares + apart * apart * mine * theirs / all;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
    }

    /// Standard deviation of a reading (n − 1); nothing for fewer than two.
    #[must_use]
    pub fn sd(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count - 1) as f64).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reference(text: &str) -> serde_json::Value {
        serde_json::from_str(text).unwrap()
    }

    /// NIST StRD, univariate: mean and standard deviation as certified, one by one and in parts that are put together.
    #[test]
    fn mean_and_spread_are_those_that_nist_certifies() {
        for (text, mean_off, sd_off) in [
            (include_str!("../../../tests/reference/nist/Lottery.json"), 1e-14, 1e-12),
            (include_str!("../../../tests/reference/nist/Michelso.json"), 1e-14, 1e-12),
            (include_str!("../../../tests/reference/nist/NumAcc1.json"), 1e-14, 1e-12),
            // Doubles hold steps of 0.1 beside 10⁶ and 10⁷ to 10⁻⁹ and 10⁻⁸.
            (include_str!("../../../tests/reference/nist/NumAcc3.json"), 1e-15, 2e-9),
            (include_str!("../../../tests/reference/nist/NumAcc4.json"), 1e-15, 2e-8),
        ] {
            let set = reference(text);
            let values: Vec<f64> =
                set["y"].as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect();
            let of = |values: &[f64]| {
                values.iter().fold(Moments::default(), |mut moments, value| {
                    moments.add(&Moments::of(*value));
                    moments
                })
            };
            let mut parts = Moments::default();
            for part in values.chunks(7) {
                parts.add(&of(part));
            }
            for moments in [of(&values), parts] {
                let off = |found: f64, member: &str| (found / set[member].as_f64().unwrap() - 1.0).abs();
                assert!(off(moments.mean, "certified_mean") <= mean_off, "{}: {moments:?}", set["name"]);
                assert!(off(moments.sd().unwrap(), "certified_sd") <= sd_off, "{}: {moments:?}", set["name"]);
                assert_eq!(moments.count, values.len() as u64);
                assert_eq!(moments.max, values.iter().copied().fold(f64::MIN, f64::max));
            }
        }
    }
}
