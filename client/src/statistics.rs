//! Mean, spread and drift of a stretch of readings.

/// Figures of a series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Statistics {
    /// How many readings.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation (n − 1).
    pub sd: f64,
    /// The smallest.
    pub min: f64,
    /// The largest.
    pub max: f64,
    /// Slope of the least-squares line, a second.
    pub slope_per_s: f64,
}

impl Statistics {
    /// Of `(t in s, value)` pairs; nothing with fewer than three, or if all were taken at one moment.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "counts of readings are small")]
    pub fn of(series: &[(f64, f64)]) -> Option<Self> {
        let n = series.len() as f64;
        if series.len() < 3 {
            return None;
        }
        let mean = series.iter().map(|(_, y)| y).sum::<f64>() / n;
        let t_mean = series.iter().map(|(t, _)| t).sum::<f64>() / n;
        let sum = |term: &dyn Fn(f64, f64) -> f64| {
            series.iter().map(|(t, y)| term(t - t_mean, y - mean)).sum::<f64>()
        };
        let (syy, stt, sty) = (sum(&|_, y| y * y), sum(&|t, _| t * t), sum(&|t, y| t * y));
        if stt <= 0.0 {
            return None;
        }
        Some(Self {
            n: series.len(),
            mean,
            sd: (syy / (n - 1.0)).sqrt(),
            min: series.iter().map(|(_, y)| *y).fold(f64::INFINITY, f64::min),
            max: series.iter().map(|(_, y)| *y).fold(f64::NEG_INFINITY, f64::max),
            slope_per_s: sty / stt,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn certified_values_are_reproduced() {
        // NIST StRD NumAcc1: 10000001, 10000003, 10000002; certified mean 10000002, standard deviation 1.
        let series = [(0.0, 10_000_001.0), (1.0, 10_000_003.0), (2.0, 10_000_002.0)];
        let found = Statistics::of(&series).unwrap();
        assert!((found.mean - 10_000_002.0).abs() < 1e-9 && (found.sd - 1.0).abs() < 1e-12);
        assert!((found.slope_per_s - 0.5).abs() < 1e-12);
        assert_eq!(Statistics::of(&series[..2]), None);
    }
    /// NIST StRD, univariate and linear, each to what its digits allow in doubles.
    #[test]
    fn nists_certified_mean_standard_deviation_and_slope_are_reproduced() {
        let texts = [
            (include_str!("../../tests/reference/nist/Lottery.json"), 1e-14, 1e-13),
            (include_str!("../../tests/reference/nist/Michelso.json"), 1e-14, 1e-12),
            (include_str!("../../tests/reference/nist/NumAcc1.json"), 1e-15, 1e-15),
            (include_str!("../../tests/reference/nist/NumAcc3.json"), 1e-13, 2e-9),
            (include_str!("../../tests/reference/nist/NumAcc4.json"), 1e-13, 2e-8),
        ];
        let parse = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
        let numbers = |set: &serde_json::Value, member: &str| -> Vec<f64> {
            set[member].as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
        };
        let off = |found: f64, set: &serde_json::Value, member: &str| {
            (found / set[member].as_f64().unwrap() - 1.0).abs()
        };
        for (text, mean, sd) in texts {
            let set = parse(text);
            let series: Vec<_> = (0_u32..).map(f64::from).zip(numbers(&set, "y")).collect();
            let found = Statistics::of(&series).unwrap();
            assert!(off(found.mean, &set, "certified_mean") <= mean, "{} {found:?}", set["name"]);
            assert!(off(found.sd, &set, "certified_sd") <= sd, "{} {found:?}", set["name"]);
        }
        let norris = parse(include_str!("../../tests/reference/nist/Norris.json"));
        let series: Vec<_> = numbers(&norris, "x").into_iter().zip(numbers(&norris, "y")).collect();
        let found = Statistics::of(&series).unwrap();
        assert!(off(found.slope_per_s, &norris, "certified_slope") <= 1e-13, "{found:?}");
    }
}
