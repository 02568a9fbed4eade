//! One line of time through a stretch: the boot clock's within a boot, UTC's from one boot to the next.

/// From the first reading on, in s. Steps of UTC don't bend it, nor do suspends, leap seconds or zones.
#[derive(Clone, Debug, Default)]
pub struct Axis {
    last: Option<Last>,
}

#[derive(Clone, Debug)]
struct Last {
    boot: i64,
    t_s: f64,
    at_ns: u64,
    elapsed_s: f64,
}

impl Axis {
    /// When the next reading was, in s since the first: readings come in the order of their sequence. `boot` names the boot, `t_s` is
    /// its clock's, `at_ns` UTC in ns since 1970. Across a reboot the difference of UTC counts, never less than nothing; within
    /// a boot that of its clock.
    pub fn elapsed_s(&mut self, boot: i64, t_s: f64, at_ns: u64) -> f64 {
        let elapsed_s = self.last.as_ref().map_or(0.0, |last| {
            let passed = if last.boot == boot {
                t_s - last.t_s
            } else {
                at_ns.saturating_sub(last.at_ns) as f64 / 1e9
            };
            last.elapsed_s + passed.max(0.0)
        });
        self.last = Some(Last { boot, t_s, at_ns, elapsed_s });
        elapsed_s
    }

    /// How far the first reading was from a UTC midnight, in s, by what the clock said last: a clock that was set is right afterwards.
    #[must_use]
    pub fn midnight_s(&self) -> f64 {
        self.last.as_ref().map_or(0.0, |last| last.at_ns as f64 / 1e9 - last.elapsed_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_NS: u64 = 3_600_000_000_000;

    #[test]
    fn a_step_of_utc_does_not_bend_time_and_a_reboot_is_bridged_by_utc() {
        let mut axis = Axis::default();
        let day = 24 * HOUR_NS;
        assert_eq!(axis.elapsed_s(1, 100.0, 10 * day), 0.0);
        assert_eq!(axis.elapsed_s(1, 160.0, 11 * day), 60.0);
        assert_eq!(axis.elapsed_s(1, 220.0, 9 * day), 120.0);
        assert_eq!(axis.elapsed_s(2, 5.0, 9 * day + HOUR_NS), 3720.0);
        // UTC was set back between two boots: no time passed that is known of, and none runs backwards.
        assert_eq!(axis.elapsed_s(3, 5.0, 8 * day), 3720.0);
        assert_eq!(axis.elapsed_s(3, 6.0, 8 * day + HOUR_NS / 3600), 3721.0);
    }
}
