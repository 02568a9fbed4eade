//! The course of the light as it is drawn: every reading of late, means of the earlier ones, in bounded memory.

/// Points that are kept: four for each column of dots of the widest screen.
const MOST: usize = 2048;

/// A reading, or the mean of neighbouring ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Boot clock, in s.
    pub t_s: f64,
    /// Luminance in cd/m², or illuminance in lx.
    pub y: f64,
    /// How many readings.
    count: f64,
}

/// Points in rising order of time.
#[derive(Clone, Debug, Default)]
pub struct Curve {
    points: Vec<Point>,
}

impl Curve {
    /// Takes a reading; one that is no later than the last is left out.
    pub fn push(&mut self, t_s: f64, y: f64) {
        if !t_s.is_finite() || !y.is_finite() || self.last().is_some_and(|last| t_s <= last.t_s) {
            return;
        }
        if self.points.len() >= MOST {
            self.thin();
        }
        self.points.push(Point { t_s, y, count: 1.0 });
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        self.points.clear();
    }

    /// The latest point.
    #[must_use]
    pub fn last(&self) -> Option<&Point> {
        self.points.last()
    }

    /// The first point that is left.
    #[must_use]
    pub fn first(&self) -> Option<&Point> {
        self.points.first()
    }

    /// The points from a moment on.
    #[must_use]
    pub fn since(&self, t_s: f64) -> &[Point] {
        let before = self.points.partition_point(|point| point.t_s < t_s);
        self.points.get(before..).unwrap_or_default()
    }

    /// The earlier half is merged two by two: the further back, the coarser.
    fn thin(&mut self) {
        let (early, late) = self.points.split_at(self.points.len() / 2);
        let merged = early.chunks(2).filter_map(mean);
        self.points = merged.chain(late.iter().copied()).collect();
    }
}

fn mean(points: &[Point]) -> Option<Point> {
    let count: f64 = points.iter().map(|point| point.count).sum();
    let of =
        |value: fn(&Point) -> f64| points.iter().map(|point| point.count * value(point)).sum::<f64>() / count;
    (count > 0.0).then(|| Point { t_s: of(|point| point.t_s), y: of(|point| point.y), count })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_night_takes_no_more_room_than_an_hour_and_the_latest_readings_are_all_there() {
        let mut curve = Curve::default();
        for index in 0..500_000_u32 {
            curve.push(0.1 * f64::from(index), 100.0 + 1e-4 * f64::from(index));
        }
        assert!(curve.points.len() <= MOST && curve.points.capacity() <= 2 * MOST);
        let count: f64 = curve.points.iter().map(|point| point.count).sum();
        assert!((count - 500_000.0).abs() < 1e-6, "{count}");
        let late = curve.since(0.1 * 499_000.0);
        assert!(late.len() >= 1000 && late.iter().all(|point| point.count <= 1.0));
        assert!(curve.points.windows(2).all(|pair| pair[0].t_s < pair[1].t_s));
        // A mean is on the line that its readings are on.
        assert!(curve.points.iter().all(|point| (point.y - 100.0 - 1e-3 * point.t_s).abs() < 1e-6));
    }

    #[test]
    fn what_is_told_twice_or_is_no_number_is_left_out() {
        let mut curve = Curve::default();
        for (t_s, y) in
            [(1.0, 1.0), (1.0, 2.0), (0.5, 3.0), (2.0, f64::NAN), (f64::INFINITY, 1.0), (3.0, 4.0)]
        {
            curve.push(t_s, y);
        }
        let times: Vec<f64> = curve.since(f64::MIN).iter().map(|point| point.t_s).collect();
        assert_eq!(times, [1.0, 3.0]);
        assert_eq!(curve.first().map(|point| point.y), Some(1.0));
        curve.clear();
        assert!(curve.last().is_none());
    }
}
