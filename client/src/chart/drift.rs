//! The picture of a drift: the means of a stretch, the line of its drift through them, and where that line may run.

use settled::drift::words::Drifting;
use settled_protocol::quantity::Photometric;
use settled_protocol::statistics::Drift;

use super::face::Face;
use super::panel::{LEFT, Panel, RIGHT, SMALL, heading};
use super::scale::{marks, roomy};
use super::scene::{Anchor, Scene};
use super::{BLUE, Error, INK, VERMILION};
use crate::course::Course;
use crate::show;

/// Room above the panel and below it.
const TOP: f64 = 92.0;
const BOTTOM: f64 = 56.0;
/// Marks are about this far apart, on either axis.
const APART: (f64, f64) = (80.0, 45.0);

const HOUR_S: f64 = 3600.0;

/// The line of a drift. A drift tells a rate and no level: the line goes through the means' own mean.
struct Line {
    /// Where it is known best, in h from the beginning.
    middle_h: f64,
    level: f64,
    per_h: f64,
    low_per_h: f64,
    high_per_h: f64,
}

impl Line {
    /// Through the bins, each by its readings.
    #[expect(clippy::cast_precision_loss, reason = "a weight")]
    fn through(course: &Course, drift: &Drift) -> Self {
        let begin = course.span().0;
        let weights = course.bins.iter().map(|bin| (bin.count as f64, course.middle(bin) - begin, bin.mean));
        let (total, t_s, level) = weights.fold((0.0, 0.0, 0.0), |(total, t_s, level), (weight, t, mean)| {
            (total + weight, t_s + weight * t, level + weight * mean)
        });
        let Drift { per_h, low_per_h, high_per_h, .. } = *drift;
        Self { middle_h: t_s / total / HOUR_S, level: level / total, per_h, low_per_h, high_per_h }
    }

    fn at(&self, per_h: f64, hours: f64) -> f64 {
        self.level + per_h * (hours - self.middle_h)
    }

    /// The ends of the interval there.
    fn interval(&self, hours: f64) -> (f64, f64) {
        let (one, other) = (self.at(self.low_per_h, hours), self.at(self.high_per_h, hours));
        (one.min(other), one.max(other))
    }
}

/// Draws how the light of a course drifts; nothing of a single bin.
///
/// # Errors
/// [`Error::Typeface`] if words can't be measured.
pub fn drift(course: &Course, drift: &Drift, size: (f64, f64)) -> Result<Option<Scene>, Error> {
    let (begin, end) = course.span();
    if course.bins.len() < 2 || end <= begin {
        return Ok(None);
    }
    let face = Face::new()?;
    let (line, last_h) = (Line::through(course, drift), (end - begin) / HOUR_S);
    let unit = course.quantity().unit();
    let mut scene = Scene::new(size, format!("{}: drift", course.name));
    let title = scene.title.clone();
    let below = format!("with 95 %: {}", rate(drift, &line, unit));
    heading(&mut scene, &face, &title, &below, &course.unreal().join(", "));
    let ends = [line.interval(0.0), line.interval(last_h)].into_iter();
    let means = course.bins.iter().map(|bin| (bin.mean, bin.mean));
    let far = ends.chain(means).fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (one, other)| {
        (low.min(one), high.max(other))
    });
    let panel = Panel::new(&scene, (TOP, size.1 - BOTTOM), (0.0, last_h), roomy(far));
    let hours = marks(panel.x.values, (size.0 - LEFT - RIGHT) / APART.0);
    panel.lower_grid(&mut scene, &hours);
    let values = marks(panel.y.values, (size.1 - BOTTOM - TOP) / APART.1);
    panel.left_axis(&mut scene, &values, &format!("{}, {unit}", what(course.quantity())));
    draw(&mut scene, course, &line, &panel);
    panel.frame(&mut scene);
    panel.lower_axis(&mut scene, &face, &hours, "hours since the first reading");
    legend(&mut scene, &face);
    scene.description = described(course, drift, &line, last_h);
    Ok(Some(scene))
}

fn draw(scene: &mut Scene, course: &Course, line: &Line, panel: &Panel) {
    let (begin, (from, to)) = (course.span().0, panel.x.values);
    let pivot = panel.at(line.middle_h, line.level);
    for end in [from, to] {
        let (low, high) = line.interval(end);
        scene.area("interval", vec![panel.at(end, low), pivot, panel.at(end, high)], VERMILION, 0.2);
    }
    for bin in &course.bins {
        let hours = (course.middle(bin) - begin) / HOUR_S;
        scene.dot("value", panel.at(hours, bin.mean), BLUE, 1.4);
    }
    let ends = [from, to].map(|end| panel.at(end, line.at(line.per_h, end)));
    scene.line("drift", ends.to_vec(), VERMILION, 1.8, None);
}

fn legend(scene: &mut Scene, face: &Face) {
    let (mut x, y) = (LEFT, TOP - 20.0);
    let words = ["means of readings", "drift", "where the line may run, 95 %"];
    for (index, words) in words.into_iter().enumerate() {
        match index {
            0 => scene.dot("key", (x + 10.0, y), BLUE, 2.4),
            1 => scene.line("key", vec![(x, y), (x + 20.0, y)], VERMILION, 1.8, None),
            _ => {
                let corners = vec![(x, y - 5.0), (x + 20.0, y - 5.0), (x + 20.0, y + 5.0), (x, y + 5.0)];
                scene.area("key", corners, VERMILION, 0.2);
            }
        }
        scene.words("label", (x + 26.0, y + 4.0), words, (SMALL, INK, Anchor::Start));
        x += 26.0 + face.width(words, SMALL) + 22.0;
    }
}

fn what(quantity: Photometric) -> &'static str {
    match quantity {
        Photometric::Luminance => "luminance",
        Photometric::Illuminance => "illuminance",
    }
}

/// The drift as it is told wherever it is told, of the mean that its line goes through.
fn rate(drift: &Drift, line: &Line, unit: &str) -> String {
    Drifting { level: line.level, unit, is_light: true }.rate(drift)
}

fn described(course: &Course, drift: &Drift, line: &Line, last_h: f64) -> String {
    let unit = course.quantity().unit();
    let unreal = course.unreal();
    let unreal = if unreal.is_empty() { String::new() } else { format!("{} data. ", unreal.join(" and ")) };
    format!(
        "{unreal}{} over {}, and a straight line through them from {} {unit} to {} {unit}. Its drift, with 95 %: {}.{}",
        show::counted(course.bins.len() as u64, "mean", "means"),
        show::span(last_h * HOUR_S),
        show::number(line.at(line.per_h, 0.0)),
        show::number(line.at(line.per_h, last_h)),
        rate(drift, line, unit),
        drift.caution.as_ref().map_or_else(String::new, |caution| format!(" Caution: {caution}."))
    )
}

#[cfg(test)]
mod tests {
    use settled_protocol::bins::Bin;

    use super::*;
    use crate::chart::scene::Form;

    fn course(count: u32) -> Course {
        let bin = |index: u32| {
            let at = format!("2026-11-26T{:02}:{:02}:00Z", 18 + index / 60, index % 60);
            serde_json::from_value::<Bin>(serde_json::json!({
                "at": at, "span_s": 60.0, "quantity": "luminance", "count": 2, "first": index + 1, "last": index + 2,
                "mean": 100.0 - f64::from(index) / 60.0, "min": 99.0, "max": 101.0, "flags": ["simulated"],
            }))
            .unwrap()
        };
        let bins = (0..count).map(bin).collect();
        let (name, events) = ("run 7".to_owned(), Vec::new());
        Course { name, bins, events, more_events: false, settled: None, ends_s: None }
    }

    #[test]
    fn the_line_goes_through_the_means_and_its_interval_is_narrowest_in_their_middle() {
        let told =
            Drift { per_h: -1.0, low_per_h: -1.1, high_per_h: -0.9, caution: Some("a walk".to_owned()) };
        let course = course(120);
        let line = Line::through(&course, &told);
        assert!((line.middle_h - 1.0).abs() < 1e-9 && (line.at(-1.0, 0.0) - 100.0).abs() < 0.02);
        let (low, high) = line.interval(2.0);
        assert!((high - low - 0.2).abs() < 1e-9 && line.interval(1.0) == (line.level, line.level));
        let scene = drift(&course, &told, (960.0, 420.0)).unwrap().unwrap();
        assert!(
            scene.description.starts_with("SIMULATED data. 120 means over 2.0 h"),
            "{}",
            scene.description
        );
        assert!(scene.description.ends_with("Caution: a walk."), "{}", scene.description);
        // As it is told wherever it is told.
        let rate = "-1.01 ± 0.10 % an hour, or -1.00 ± 0.10 cd/m²";
        let shapes: Vec<String> = scene.shapes.iter().map(|shape| format!("{:?}", shape.form)).collect();
        assert!(scene.description.contains(rate), "{}", scene.description);
        assert!(shapes.iter().any(|form| form.contains(rate)), "{shapes:?}");
        let drawn = |role: &str| scene.shapes.iter().filter(|shape| shape.role == role).count();
        assert_eq!((drawn("value"), drawn("interval"), drawn("drift")), (120, 2, 1));
        let is_inside = |(x, y): &(f64, f64)| (0.0..=960.0).contains(x) && (TOP..=420.0).contains(y);
        for shape in scene.shapes.iter().filter(|shape| ["drift", "interval"].contains(&shape.role)) {
            let (Form::Line { points, .. } | Form::Area { points, .. }) = &shape.form else {
                panic!("{shape:?}")
            };
            assert!(points.iter().all(is_inside), "{shape:?}");
        }
        assert!(super::drift(&self::course(1), &told, (960.0, 420.0)).unwrap().is_none());
    }
}
