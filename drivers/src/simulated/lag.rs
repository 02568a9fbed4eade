//! A quantity that follows its target like the charge of a capacitor, with its own time constant each way.

/// x′ = (target − x)/τ, with τ = `rise_s` upwards and `fall_s` downwards.
///
/// For a target that stands still this has an exact answer, and the way there never turns: one step of any length ends
/// where many small ones do.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lag {
    /// Time constant upwards, in s; above 0.
    pub(super) rise_s: f64,
    /// Time constant downwards, in s; above 0.
    pub(super) fall_s: f64,
}

impl Lag {
    /// The same time constant both ways.
    pub(super) fn even(time_s: f64) -> Self {
        Self { rise_s: time_s, fall_s: time_s }
    }

    /// x after `dt_s`: target + (x − target)·exp(−dt/τ).
    pub(super) fn after(self, x: f64, target: f64, dt_s: f64) -> f64 {
        let time_s = if target > x { self.rise_s } else { self.fall_s };
        target + (x - target) * (-dt_s / time_s).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_way_has_its_time_constant() {
        let lag = Lag { rise_s: 10.0, fall_s: 40.0 };
        assert!((lag.after(0.0, 1.0, 10.0) - (1.0 - (-1.0_f64).exp())).abs() < 1e-15);
        assert!((lag.after(1.0, 0.0, 40.0) - (-1.0_f64).exp()).abs() < 1e-15);
        assert!((lag.after(0.2, 0.7, f64::INFINITY) - 0.7).abs() < 1e-15);
    }
}
