//! A point: the mean of a burst of readings.

use settled_protocol::quantity::Chromaticity;
use settled_protocol::reading::Reading;
use settled_protocol::run::RunPoint;
use settled_protocol::time::Timestamp;

use super::plan::after;
use super::series::Observed;

/// The readings of one burst so far. All of its spans are in s from the run's beginning.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Burst {
    count: u32,
    y: f64,
    coloured: u32,
    uv: [f64; 2],
    /// UTC at the end of the first exposure, and that end.
    first: Option<(Timestamp, f64)>,
    began_s: f64,
    ended_s: f64,
}

impl Burst {
    /// Readings in it.
    pub(super) fn count(&self) -> u32 {
        self.count
    }

    /// From the beginning of its first exposure to the end of its last, in s.
    pub(super) fn span_s(&self) -> f64 {
        self.ended_s - self.began_s
    }

    /// Adds a reading that was exposed from `began_s` to `ended_s`.
    pub(super) fn push(&mut self, reading: &Reading, began_s: f64, ended_s: f64) {
        if self.first.is_none() {
            (self.first, self.began_s) = (Some((reading.at, ended_s)), began_s);
        }
        self.count += 1;
        self.ended_s = ended_s;
        self.y += reading.light.value();
        if let Some(colour) = reading.light.chromaticity() {
            self.coloured += 1;
            self.uv[0] += colour.u_prime();
            self.uv[1] += colour.v_prime();
        }
    }

    /// The point that it comes to; nothing without readings. A colour is only told where all readings have one.
    pub(super) fn point(&self) -> Option<(RunPoint, Observed)> {
        let (at, first_s) = self.first?;
        let count = f64::from(self.count);
        let t_s = 0.5 * (self.began_s + self.ended_s);
        let uv = (self.coloured == self.count).then(|| self.uv.map(|sum| sum / count));
        let chromaticity = uv.and_then(|[u, v]| Chromaticity::from_uv(u, v).ok());
        let y = self.y / count;
        let early = Timestamp::from_unix_ns(at.unix_ns().saturating_sub(nanoseconds(first_s - t_s)));
        let at = if t_s >= first_s { after(at, t_s - first_s) } else { early };
        let point = RunPoint { at, value: y, chromaticity, count: u64::from(self.count) };
        Some((point, Observed { y, uv }))
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to what a stamp can be")]
fn nanoseconds(seconds: f64) -> u64 {
    (seconds.max(0.0) * 1e9) as u64
}
