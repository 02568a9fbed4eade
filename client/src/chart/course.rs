//! The picture of a course: luminance or illuminance with the range of its readings, chromaticity below, gaps, and what happened.

use settled_protocol::bins::Bin;
use settled_protocol::log::EventKind;
use settled_protocol::quantity::Photometric;
use settled_protocol::time::Timestamp;

use super::face::Face;
use super::panel::{LEFT, Panel, RIGHT, SMALL, WORDS, fitting, heading};
use super::scale::{Mark, marks, roomy, times};
use super::scene::{Anchor, Scene};
use super::{ABSENT, BLUE, Error, GREEN, INK, SOFT, VERMILION};
use crate::course::{Course, letter, seconds};
use crate::show;
use crate::zone::Zone;

/// Room above the panels, between them, and for the axis below them.
const TOP: f64 = 72.0;
const BETWEEN: f64 = 34.0;
const AXIS: f64 = 48.0;
/// Marks of an axis of values are about this far apart.
const MARKS: f64 = 45.0;
/// A line of the legend.
const LINE: f64 = 16.0;
/// Kinds of event that the legend names.
const MOST_KINDS: usize = 10;
/// Letters of events are this far apart at least.
const APART: f64 = 9.0;

/// Draws a course in so many units of width and height.
///
/// # Errors
/// [`Error::Typeface`] if words can't be measured.
pub fn course(course: &Course, zone: &Zone, size: (f64, f64)) -> Result<Scene, Error> {
    let face = Face::new()?;
    let mut scene = Scene::new(size, title(course));
    let legend = legend(course);
    let bottom = size.1 - AXIS - LINE * rows(&face, &legend, size.0 - LEFT - RIGHT).len() as f64;
    let colour = course.mean_colour();
    let height = bottom - TOP - if colour.is_some() { BETWEEN } else { 0.0 };
    let split = if colour.is_some() { TOP + 0.62 * height } else { bottom };
    let span = course.span();
    let x = axis_of_times(course, zone, size.0);
    let caution = course.unreal().join(", ");
    heading(&mut scene, &face, &title(course), &summary(course, zone), &caution);

    let upper = Panel::new(&scene, (TOP, split), span, roomy(light_range(course)));
    let unit = course.quantity().unit();
    let name = match course.quantity() {
        Photometric::Luminance => format!("luminance, {unit}"),
        Photometric::Illuminance => format!("illuminance, {unit}"),
    };
    ground(&mut scene, course, &upper, &x);
    upper.left_axis(&mut scene, &marks(upper.y.values, (split - TOP) / MARKS), &name);
    light(&mut scene, course, &upper);
    upper.frame(&mut scene);
    let mut last = upper.clone();
    if let Some(mean) = colour {
        let lower = Panel::new(&scene, (split + BETWEEN, bottom), span, roomy(colour_range(course, mean)));
        ground(&mut scene, course, &lower, &x);
        lower.left_axis(
            &mut scene,
            &marks(lower.y.values, (bottom - split - BETWEEN) / MARKS),
            "change of u′ and v′",
        );
        chromaticity(&mut scene, course, &lower, mean);
        lower.frame(&mut scene);
        last = lower;
    }
    last.lower_axis(&mut scene, &face, &x, &time_axis(course, zone));
    events(&mut scene, course, &upper, last.ends().1);
    settled(&mut scene, course, &upper);
    for (index, row) in rows(&face, &legend, size.0 - LEFT - RIGHT).iter().enumerate() {
        let y = bottom + AXIS + LINE * index as f64;
        scene.words("label", (LEFT, y + 4.0), row, (SMALL, INK, Anchor::Start));
    }
    scene.description = described(course, zone);
    Ok(scene)
}

fn title(course: &Course) -> String {
    course.name.clone()
}

fn moment(seconds: f64) -> Timestamp {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "since 1970, far below 2^63 ns"
    )]
    Timestamp::from_unix_ns((seconds * 1e9) as u64)
}

fn axis_of_times(course: &Course, zone: &Zone, width: f64) -> Vec<Mark> {
    let (from, until) = course.span();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few marks")]
    let most = ((width - LEFT - RIGHT) / 70.0) as u64;
    times(moment(from), moment(until), most.max(2), zone)
}

/// What the axis of times is called: its zone, and the dates that it spans.
fn time_axis(course: &Course, zone: &Zone) -> String {
    let (from, until) = course.span();
    let (from, until) = (moment(from), moment(until));
    let days = [from, until].map(|moment| zone.at(moment).full_date());
    let days = if days[0] == days[1] { days[0].clone() } else { days.join(" to ") };
    format!("{}, {days}", zone.words(from, until))
}

/// One line on what is drawn.
fn summary(course: &Course, zone: &Zone) -> String {
    let (from, until) = course.span();
    let every = course.bins.iter().map(|bin| bin.span_s).fold(0.0, f64::max);
    let begin = zone.at(moment(from));
    format!(
        "{} from {} {}, {}; a point is the mean of {}, the band their range",
        show::counted(course.readings(), "reading", "readings"),
        begin.full_date(),
        begin.minute(),
        show::span(until - from),
        show::span(every)
    )
}

/// What is below the lines: gaps, and the grid of times.
fn ground(scene: &mut Scene, course: &Course, panel: &Panel, x: &[Mark]) {
    for (from, to) in course.gaps() {
        scene.area("gap", panel.column(from, to), ABSENT, 1.0);
    }
    panel.lower_grid(scene, x);
}

fn light(scene: &mut Scene, course: &Course, panel: &Panel) {
    for bins in course.stretches() {
        let along =
            |value: fn(&Bin) -> f64| bins.iter().map(move |bin| panel.at(course.middle(bin), value(bin)));
        let around = along(|bin| bin.max).chain(along(|bin| bin.min).rev());
        // The band of a single bin would be a line without width.
        if let [alone] = bins {
            let (x, half) = (panel.x.at(course.middle(alone)), 1.0);
            let (top, bottom) = (panel.y.at(alone.max), panel.y.at(alone.min));
            let corners = vec![(x - half, top), (x + half, top), (x + half, bottom), (x - half, bottom)];
            scene.area("range", corners, BLUE, 0.25);
            scene.dot("value", panel.at(course.middle(alone), alone.mean), BLUE, 1.6);
        } else {
            scene.area("range", around.collect(), BLUE, 0.25);
            scene.line("value", along(|bin| bin.mean).collect(), BLUE, 1.6, None);
        }
    }
}

/// The smallest and the largest of what is drawn.
fn light_range(course: &Course) -> (f64, f64) {
    let (low, high) = course.range();
    let level = course.settled.iter();
    level.fold((low, high), |(low, high), level| {
        (low.min(level.value - level.u95), high.max(level.value + level.u95))
    })
}

/// Where the light had settled, with its interval: above the line of the run's end, which is there too.
fn settled(scene: &mut Scene, course: &Course, panel: &Panel) {
    let Some(level) = course.settled else { return };
    let (begin, end) = course.span();
    let (x, y) = panel.at(seconds(level.at).clamp(begin, end), level.value);
    let ends = [level.value - level.u95, level.value + level.u95].map(|end| panel.y.at(end));
    scene.line("settled", ends.map(|end| (x, end)).to_vec(), GREEN, 2.4, None);
    for end in ends {
        scene.line("settled", vec![(x - 5.0, end), (x + 5.0, end)], GREEN, 2.4, None);
    }
    scene.dot("settled", (x, y), GREEN, 4.0);
}

fn colour_range(course: &Course, (u, v): (f64, f64)) -> (f64, f64) {
    let colours = course.bins.iter().filter_map(|bin| bin.chromaticity);
    let off = colours.flat_map(|colour| [colour.u_prime() - u, colour.v_prime() - v]);
    off.fold((0.0, 0.0), |(low, high): (f64, f64), off| (low.min(off), high.max(off)))
}

fn chromaticity(scene: &mut Scene, course: &Course, panel: &Panel, (u, v): (f64, f64)) {
    for bins in course.stretches() {
        for known in bins.chunk_by(|one, other| one.chromaticity.is_some() == other.chromaticity.is_some()) {
            let along = |value: &dyn Fn(settled_protocol::quantity::Chromaticity) -> f64| {
                let points = known
                    .iter()
                    .filter_map(|bin| Some(panel.at(course.middle(bin), value(bin.chromaticity?))));
                points.collect::<Vec<_>>()
            };
            let (us, vs) = (along(&|colour| colour.u_prime() - u), along(&|colour| colour.v_prime() - v));
            if let ([u], [v]) = (us.as_slice(), vs.as_slice()) {
                scene.dot("u", *u, VERMILION, 1.6);
                scene.dot("v", *v, GREEN, 1.6);
            } else if !us.is_empty() {
                scene.line("u", us, VERMILION, 1.6, None);
                scene.line("v", vs, GREEN, 1.6, Some((5.0, 4.0)));
            }
        }
    }
    let y = panel.ends().0 - 8.0;
    let keys = [
        (format!("u′ from {u:.5}"), VERMILION, None, 0.0),
        (format!("v′ from {v:.5}"), GREEN, Some((5.0, 4.0)), 150.0),
    ];
    for (text, colour, dash, right) in keys {
        let x = LEFT + right;
        scene.line("key", vec![(x, y - 4.0), (x + 24.0, y - 4.0)], colour, 1.6, dash);
        scene.words("label", (x + 30.0, y), &text, (SMALL, INK, Anchor::Start));
    }
}

/// Whether an event parts one run from the next.
fn parts_runs(kind: EventKind) -> bool {
    matches!(kind, EventKind::RunStarted | EventKind::RunEnded)
}

/// A line through all panels for each event, and its letter above.
fn events(scene: &mut Scene, course: &Course, upper: &Panel, bottom: f64) {
    let top = upper.ends().0;
    let mut taken: Vec<f64> = Vec::new();
    for (index, (kind, times)) in course.happened().into_iter().enumerate() {
        let letter = letter(index).to_string();
        for at in times {
            let x = upper.x.at(at);
            let (dash, width) = if parts_runs(kind) { (None, 1.4) } else { (Some((2.0, 3.0)), 1.0) };
            scene.line("event", vec![(x, top), (x, bottom)], SOFT, width, dash);
            if taken.iter().all(|other| (other - x).abs() >= APART) {
                taken.push(x);
                scene.words("letter", (x, top - 6.0), &letter, (WORDS, INK, Anchor::Middle));
            }
        }
    }
}

/// What the letters and the colours mean.
fn legend(course: &Course) -> Vec<String> {
    let happened = course.happened();
    let mut items: Vec<String> = Vec::new();
    for (index, (kind, times)) in happened.iter().enumerate().take(MOST_KINDS) {
        let count = if times.len() > 1 { format!(" ({})", times.len()) } else { String::new() };
        items.push(format!("{}  {}{count}", letter(index), kind.name().replace('_', " ")));
    }
    if happened.len() > MOST_KINDS || course.more_events {
        items.push("more events than can be named here".to_owned());
    }
    let unit = course.quantity().unit();
    items.extend(course.settled.iter().map(|level| format!("green  {}, with 95 %", level.words(unit))));
    let gaps = course.gaps();
    if !gaps.is_empty() {
        let long: f64 = gaps.iter().map(|(from, to)| to - from).sum();
        items.push(format!("grey  no readings ({} in all)", show::span(long)));
    }
    items
}

/// Items in as few lines as they fit.
fn rows(face: &Face, items: &[String], room: f64) -> Vec<String> {
    let mut rows: Vec<String> = Vec::new();
    for item in items {
        let longer = rows.last().map(|row| format!("{row}     {item}"));
        match (longer.filter(|row| face.width(row, SMALL) <= room), rows.last_mut()) {
            (Some(longer), Some(last)) => *last = longer,
            _ => rows.push(fitting(face, item, SMALL, room)),
        }
    }
    rows
}

/// The picture in words.
fn described(course: &Course, zone: &Zone) -> String {
    let (low, high) = course.range();
    let unit = course.quantity().unit();
    let ends = [course.bins.first(), course.bins.last()].map(|bin| bin.map_or(0.0, |bin| bin.mean));
    let mut words = vec![
        summary(course, zone),
        format!(
            "it goes from {} to {} {unit}, between {} and {}",
            show::number(ends[0]),
            show::number(ends[1]),
            show::number(low),
            show::number(high)
        ),
    ];
    let unreal = course.unreal();
    if !unreal.is_empty() {
        words.insert(0, format!("{} data", unreal.join(" and ")));
    }
    for (from, to) in course.gaps() {
        words.push(format!("no readings from {} for {}", show::moment(moment(from)), show::span(to - from)));
    }
    words.extend(course.settled.iter().map(|level| format!("it {}, with 95 %", level.words(unit))));
    for event in course.events.iter().filter(|event| course.place(event).is_some()) {
        words.push(format!("{}: {}", show::moment(event.at), event.detail));
    }
    words.truncate(MOST_SENTENCES);
    words.join(". ") + "."
}

/// Sentences of a description.
const MOST_SENTENCES: usize = 50;
