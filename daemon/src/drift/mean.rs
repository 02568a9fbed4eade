//! How sure a mean is, of readings that may be alike from one to the next.
//!
//! n_eff = n / (1 + 2 Σ (1 − k/n) r_k), the sum up to the last lag before the first r_k ≤ 0, and u² = s² (n − 1) / (n (n_eff − 1))
//! (Zieba, Metrol. Meas. Syst. 17, 3, 2010; Zieba & Ramza, 18, 529, 2011; Bayley & Hammersley 1946).

use super::blocks::Block;

/// A mean's standard uncertainty, and how sure that is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Uncertainty {
    /// Standard uncertainty.
    pub(super) error: f64,
    /// Degrees of freedom.
    pub(super) freedom: f64,
}

/// The uncertainty of the mean of a channel's block means; nothing where hardly more than one of them is independent.
pub(super) fn uncertainty<const C: usize>(blocks: &[Block<C>], channel: usize) -> Option<Uncertainty> {
    let values: Vec<f64> = blocks.iter().filter_map(|block| block.y.get(channel).copied()).collect();
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let off: Vec<f64> = values.iter().map(|value| value - mean).collect();
    let squares = off.iter().map(|off| off * off).sum::<f64>();
    if values.len() < 2 {
        return None;
    }
    if squares <= 0.0 {
        return Some(Uncertainty { error: 0.0, freedom: count - 1.0 });
    }
    let mut alike = 1.0;
    for lag in 1..values.len() {
        let products = off.iter().zip(off.iter().skip(lag)).map(|(a, b)| a * b).sum::<f64>();
        if products <= 0.0 {
            break;
        }
        alike += 2.0 * (1.0 - lag as f64 / count) * products / squares;
    }
    let freedom = count / alike - 1.0;
    (freedom > 0.5).then(|| Uncertainty { error: (squares / (count * freedom)).sqrt(), freedom })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drift::blocks::Blocks;

    /// Numbers by numpy and statsmodels, as the file says.
    #[test]
    fn the_mean_of_readings_that_are_alike_is_as_sure_as_published() {
        let file: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/type_a_autocorrelated.json"))
                .unwrap();
        let sets = [
            ("Michelso", include_str!("../../../tests/reference/nist/Michelso.json")),
            ("Lottery", include_str!("../../../tests/reference/nist/Lottery.json")),
        ];
        let cases = file["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 4);
        for case in cases {
            let set = sets.iter().find(|(name, _)| case["name"] == *name);
            let set: Option<serde_json::Value> = set.map(|(_, text)| serde_json::from_str(text).unwrap());
            let values = set.as_ref().map_or(&case["y"], |set| &set["y"]).as_array().unwrap();
            let mut blocks = Blocks::<1>::default();
            for (second, value) in values.iter().enumerate() {
                blocks.push(second as f64, [value.as_f64().unwrap()], 1.0);
            }
            let found = uncertainty(blocks.all(), 0).unwrap();
            let off = |found: f64, member: &str| (found / case[member].as_f64().unwrap() - 1.0).abs();
            assert!(off(found.error, "u_mean_unbiased") < 1e-8, "{}: {found:?}", case["name"]);
            assert!(off(found.freedom + 1.0, "n_eff") < 1e-8, "{}: {found:?}", case["name"]);
        }
    }
}
