//! What a PQ display does with light above its peak.

use super::eotf::pq_inverse;

/// How signals above the peak are shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Tone {
    /// As the peak: all below it is as the standard has it.
    Clip,
    /// Compressed from a share of the peak's PQ signal on, so that only the highest signal of all reaches the peak.
    RollOff {
        /// Where that begins, as a share of the peak's PQ signal; above 0 and below 1.
        from: f64,
    },
}

impl Tone {
    /// The PQ signal that is shown in place of `signal` by a display of `peak` cd/m², M being the peak's own and K = `from`·M:
    ///
    /// ```text
    /// E up to K, then M − (M − K)·((1 − E)/(1 − K))^((1 − K)/(M − K))
    /// ```
    ///
    /// The curve leaves the diagonal without a kink (its slope at K is 1), rises all the way and ends at M, level. A formula of our own; it
    /// does what the knee of Report ITU-R BT.2390 (clause 5.4, from memory) does, for any K.
    pub(super) fn mapped(self, signal: f64, peak: f64) -> f64 {
        let Self::RollOff { from } = self else { return signal };
        let most = pq_inverse(peak).min(1.0);
        let knee = from * most;
        if signal <= knee {
            return signal;
        }
        let left = (1.0 - signal.min(1.0)) / (1.0 - knee);
        most - (most - knee) * left.powf((1.0 - knee) / (most - knee))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROLL: Tone = Tone::RollOff { from: 0.75 };

    #[test]
    fn below_the_knee_nothing_changes_and_only_full_signal_reaches_the_peak() {
        for peak in [100.0, 1000.0, 9999.0, 20_000.0] {
            let most = pq_inverse(peak).min(1.0);
            for step in 0..=100_u32 {
                let signal = most * 0.75 * f64::from(step) / 100.0;
                assert!((ROLL.mapped(signal, peak) - signal).abs() < 1e-15);
            }
            assert!((ROLL.mapped(1.0, peak) - most).abs() < 1e-15);
            assert!(most == 1.0 || ROLL.mapped(0.999, peak) < most);
        }
    }

    #[test]
    fn it_rises_all_the_way_without_a_kink() {
        let slope =
            |signal: f64| (ROLL.mapped(signal + 1e-6, 600.0) - ROLL.mapped(signal - 1e-6, 600.0)) / 2e-6;
        let knee = 0.75 * pq_inverse(600.0);
        assert!((slope(knee) - 1.0).abs() < 1e-4, "{}", slope(knee));
        let mut last = 1.0 + 1e-9;
        for step in 1..200_u32 {
            let here = slope(knee + (1.0 - knee) * f64::from(step) / 200.0);
            assert!(here > 0.0 && here < last, "{here} after {last}");
            last = here;
        }
    }

    #[test]
    fn a_peak_at_the_systems_own_end_needs_no_compression() {
        for signal in [0.1, 0.8, 0.95, 1.0] {
            assert!((ROLL.mapped(signal, 10_000.0) - signal).abs() < 1e-12);
        }
    }
}
