//! Both curves of what two reviews measured alike, in one picture each.

use crate::chart::plane::{Axis, DASHED, Mark, Picture, Plane};
use crate::chart::scene::Colour;
use crate::chart::{self, BLUE, GREEN, SOFT, VERMILION};
use crate::evaluate::figure::{AT_ONCE, Figure};
use crate::report::Plot;
use crate::report::review::gamut::{around, diagram_of};
use crate::report::review::view::slug;
use crate::review::evaluation::Evaluation;
use crate::review::figures::balance::BalanceFigures;
use crate::review::figures::chart::ChartFigures;
use crate::review::figures::distance_words;
use crate::review::figures::gamut::GamutFigures;
use crate::review::figures::greys::{GreyStep, Law};
use crate::review::figures::part::Part;
use crate::review::figures::window::WindowFigures;
use crate::review::record::{Course, Record};
use crate::show;

/// A and B, in their colours.
const SIDES: [(&str, Colour); 2] = [("A", BLUE), ("B", VERMILION)];
/// An error farther off than this, in per cent, isn't drawn.
const FARTHEST_PERCENT: f64 = 100.0;
/// Points of a course that are drawn at most.
const MOST_POINTS: usize = 600;

/// The two reviews.
#[derive(Clone, Debug)]
pub(super) struct Pair<'a> {
    pub(super) records: [&'a Record; 2],
    pub(super) evaluations: &'a [Evaluation; 2],
    pub(super) marks: Vec<String>,
}

/// What a picture shows.
struct Shown {
    kind: &'static str,
    title: String,
    below: String,
    description: String,
    caption: String,
    planes: Vec<Plane>,
}

/// Every picture of one sequence.
pub(super) fn plots(pair: &Pair<'_>, set: &str, sequence: &str) -> Result<Vec<Plot>, chart::Error> {
    let [a, b] = pair.evaluations.each_ref().map(|evaluation| {
        let set = evaluation.sets.iter().find(|found| found.name == set);
        let found = set.and_then(|set| set.sequences.iter().find(|found| found.name == sequence));
        found.map_or(&[][..], |sequence| sequence.figures.as_slice())
    });
    let mut plots = Vec::new();
    for shown in a.iter().flat_map(|a| b.iter().filter_map(|b| of_both(pair, (set, sequence), a, b))) {
        let Shown { kind, title, below, description, caption, planes } = shown;
        let unreal = if pair.marks.is_empty() {
            String::new()
        } else {
            format!("{} data. ", pair.marks.join(" and "))
        };
        let picture = Picture {
            title: format!("{set}, {}: {title}", sequence.replace('_', " ")),
            below,
            caution: pair.marks.join(", "),
            description: format!("{unreal}{description}"),
            planes,
        };
        let name = slug(&format!("{set}-{sequence}-{kind}"));
        plots.push(Plot { name, scene: picture.scene()?, caption });
    }
    Ok(plots)
}

/// What two parts of one kind come to; nothing of different kinds, or where there is no curve.
fn of_both(pair: &Pair<'_>, place: (&str, &str), a: &Part, b: &Part) -> Option<Shown> {
    match (a, b) {
        (Part::Eotf(a), Part::Eotf(b)) => {
            Some(greys("light", "from signal to light", [(&a.steps, a.law()), (&b.steps, b.law())]))
        }
        (Part::NearBlack(a), Part::NearBlack(b)) => {
            Some(greys("near-black", "greys near black", [(&a.steps, a.law()), (&b.steps, b.law())]))
        }
        (Part::Balance(a), Part::Balance(b)) => Some(balance([a, b])),
        (Part::Gamut(a), Part::Gamut(b)) => gamut(pair, place.0, [a, b]),
        (Part::Chart(a), Part::Chart(b)) => Some(chart([a, b])),
        (Part::Window(a), Part::Window(b)) => Some(windows([a, b])),
        (Part::PeakHold(a), Part::PeakHold(b)) => {
            courses(pair, place, ["peak", "peak over time"], [(a.first, a.end), (b.first, b.end)])
        }
        (Part::ColdStart(a), Part::ColdStart(b)) => {
            courses(pair, place, ["cold-start", "as it warms up"], [(a.first, a.end), (b.first, b.end)])
        }
        _ => None,
    }
}

/// One plane with the figures of both, and nothing between them: where their law bends on the axis, straight lines would run beside it.
fn with_points(mut plane: Plane, role: &'static str, both: [Vec<(f64, Figure)>; 2]) -> Plane {
    for ((letter, colour), known) in SIDES.into_iter().zip(both) {
        plane = plane.figures(role, letter, colour, known);
    }
    plane
}

/// One plane with the figures of both, joined.
fn with_both(mut plane: Plane, role: &'static str, both: [Vec<(f64, Figure)>; 2]) -> Plane {
    for ((letter, colour), known) in SIDES.into_iter().zip(both) {
        plane =
            plane.line("course", letter, colour, known.iter().map(|(x, figure)| (*x, figure.value)), None);
        plane = plane.figures(role, letter, colour, known);
    }
    plane
}

fn ends(both: &[Vec<(f64, Figure)>; 2]) -> impl Iterator<Item = f64> {
    both.iter().flatten().flat_map(|(_, figure)| [figure.low, figure.value, figure.high])
}

fn greys(kind: &'static str, title: &str, of_both: [(&Vec<GreyStep>, Law); 2]) -> Shown {
    let both = of_both.each_ref().map(|(steps, _)| *steps);
    let at = |step: &GreyStep| 100.0 * step.signal;
    let known = both.map(|steps| {
        steps.iter().filter_map(|step| Some((at(step), step.luminance_cd_m2?))).collect::<Vec<_>>()
    });
    let off = both.map(|steps| {
        let known = steps.iter().filter_map(|step| Some((at(step), step.error_percent?)));
        known.filter(|(_, error)| error.value.abs() <= FARTHEST_PERCENT).collect::<Vec<_>>()
    });
    let last = both.iter().flat_map(|steps| steps.iter()).map(at).fold(0.0, f64::max);
    let x = Axis::even("signal, %", (-0.02 * last, 1.02 * last));
    let values = known.iter().flatten().map(|(_, figure)| figure.value).collect::<Vec<_>>();
    let mut light = Plane::new(x.silent(), Axis::decades("luminance, cd/m²", values), 250.0);
    for ((letter, colour), (_, law)) in SIDES.into_iter().zip(&of_both) {
        let aim = law.iter().map(|(signal, luminance)| (100.0 * signal, *luminance));
        light = light.line("aim", &format!("aim of {letter}"), colour, aim, DASHED);
    }
    let near =
        |error: &Figure| [error.value, error.low.max(error.value - 10.0), error.high.min(error.value + 10.0)];
    let y = Axis::around(
        "error, %",
        off.iter().flatten().flat_map(|(_, error)| near(error)).chain([-12.0, 12.0]),
    );
    let allowed = both[0]
        .iter()
        .map(|step| (at(step), step.least_percent.max(y.ends.0), step.most_percent.min(y.ends.1)));
    let allowed = allowed.collect();
    let error = Plane::new(x, y, 170.0)
        .with("tolerance", "allowed", GREEN, Mark::Band(allowed))
        .level("aim", "", SOFT, 0.0);
    let worst = off.iter().map(|known| {
        let worst = known.iter().max_by(|(_, one), (_, other)| one.value.abs().total_cmp(&other.value.abs()));
        worst.map_or_else(
            || "none".to_owned(),
            |(signal, error)| format!("{} % at {} % of signal", error.words(), show::number(*signal)),
        )
    });
    let worst: Vec<String> = worst.collect();
    Shown {
        kind,
        title: title.to_owned(),
        below: "each held against its aim between its own white and black".to_owned(),
        description: format!("Luminance of {} and {} greys. The largest error of A is {}, that of B {}.", known[0].len(), known[1].len(), worst[0], worst[1]),
        caption: "Above: luminance of both against the signal, with what is asked for dashed. Below: how far each is off its aim, with what is allowed shaded. Bars are 95 % intervals; those of \
                  errors hold with 99 %, all of one display at once."
            .to_owned(),
        planes: vec![with_points(light, "measured", known), with_both(error, "error", off)],
    }
}

fn balance(both: [&BalanceFigures; 2]) -> Shown {
    let off = both.map(|figures| {
        let known = figures.steps.iter().filter_map(|step| Some((100.0 * step.signal, step.from_aim?)));
        known.collect::<Vec<_>>()
    });
    let y = Axis::around("from the aim, Δu′v′", ends(&off).chain([0.0]));
    let last =
        both.iter().flat_map(|figures| &figures.steps).map(|step| 100.0 * step.signal).fold(0.0, f64::max);
    let x = Axis::even("signal, %", (-0.02 * last, 1.02 * last));
    let mean = both.map(|figures| {
        figures.mean_from_aim.map_or_else(|| "not known".to_owned(), |mean| distance_words(&mean))
    });
    Shown {
        kind: "balance",
        title: "colour of greys".to_owned(),
        below: format!("distance in u′v′ from {}", both[1].aim),
        description: format!(
            "How far greys are from their aim in u′v′: {} on average in A, {} in B.",
            mean[0], mean[1]
        ),
        caption: format!("Distance of each grey from the aim's white in u′v′; of each display {AT_ONCE}."),
        planes: vec![with_both(Plane::new(x, y, 240.0), "from-aim", off)],
    }
}

fn gamut(pair: &Pair<'_>, set: &str, both: [&GamutFigures; 2]) -> Option<Shown> {
    let aim = &pair.records[1].header.plan.sets.iter().find(|found| found.name == set)?.aim;
    let mut plane = diagram_of(aim);
    for ((letter, colour), figures) in SIDES.into_iter().zip(both) {
        let points: Vec<(f64, f64)> =
            figures.colours.iter().map(|found| (found.uv[0].value, found.uv[1].value)).collect();
        plane = plane.line("gamut", letter, colour, around(&points), None);
        plane = plane.with("measured", letter, colour, Mark::Dots { points, radius: 2.4 });
    }
    let covers = both.map(|figures| {
        let shares =
            figures.gamuts.iter().filter(|share| share.diagram == crate::evaluate::gamut::Diagram::Uv);
        let shares: Vec<String> =
            shares.map(|share| format!("{} % of {}", share.coverage_percent.words(), share.name)).collect();
        if shares.is_empty() { "nothing that is known".to_owned() } else { shares.join(", ") }
    });
    let told = format!("In u′v′ A covers {}, B {}.", covers[0], covers[1]);
    Some(Shown {
        kind: "gamut",
        title: "gamut in u′v′".to_owned(),
        below: format!("held against {}", both[1].aim),
        description: told.clone(),
        caption: format!(
            "The measured primaries and secondaries of both, joined, within the spectral locus (CIE 1931, 2°), and what is asked for, dashed. {told}"
        ),
        planes: vec![plane],
    })
}

/// Each colour of a chart: how far it is off in A, and in B.
fn chart(both: [&ChartFigures; 2]) -> Shown {
    let [a, b] = both;
    let both: Vec<(Figure, Figure)> = a
        .colours
        .iter()
        .filter_map(|of_a| {
            let of_b = b.colours.iter().find(|of_b| of_b.name == of_a.name)?;
            Some((of_a.figure, of_b.figure))
        })
        .collect();
    let pairs: Vec<(f64, f64)> = both.iter().map(|(a, b)| (a.value, b.value)).collect();
    let most = pairs.iter().fold(1.0, |most: f64, (a, b)| most.max(*a).max(*b)) * 1.05;
    let name = b.formula.name();
    // Beyond the intervals of both, which hold for all colours at once: by bare values half of them are nearer where nothing has changed.
    let nearer = both.iter().filter(|(a, b)| b.high < a.low).count();
    let farther = both.iter().filter(|(a, b)| a.high < b.low).count();
    let axis = |letter: &str| Axis::even(&format!("{name} in {letter}"), (0.0, most));
    let mut plane = Plane::new(axis("A"), axis("B"), 420.0)
        .line("same", "as far off in both", SOFT, [(0.0, 0.0), (most, most)], DASHED)
        .with("colour", "a colour of the chart", BLUE, Mark::Dots { points: pairs.clone(), radius: 2.4 });
    plane.square = true;
    let told = format!(
        "Of {} colours {nearer} are nearer to their aim in B and {farther} farther from it; of {} that can't be told. The mean is {} in A, {} in B.",
        pairs.len(),
        pairs.len() - nearer - farther,
        distance_words(&a.mean),
        distance_words(&b.mean)
    );
    Shown {
        kind: "chart",
        title: format!("{name} of each colour"),
        below: b.formula.source().to_owned(),
        description: told.clone(),
        caption: format!(
            "Each colour of the chart by how far it is off in A and in B: below the dashed line B is nearer to the aim. {told}"
        ),
        planes: vec![plane],
    }
}

fn windows(both: [&WindowFigures; 2]) -> Shown {
    let known = both.map(|figures| {
        figures.windows.iter().map(|window| (window.percent, window.luminance)).collect::<Vec<_>>()
    });
    let x = Axis::decades("lit area, % of the screen", known.iter().flatten().map(|(percent, _)| *percent));
    let y = Axis::around("luminance, cd/m²", ends(&known).chain([0.0]));
    Shown {
        kind: "windows",
        title: "white by area".to_owned(),
        below: "white windows of several sizes, each settled".to_owned(),
        description: format!(
            "The highest white is {} cd/m² in A, {} cd/m² in B.",
            both[0].peak.words(),
            both[1].peak.words()
        ),
        caption: "Luminance of white against the share of the screen that is lit, with 95 % intervals."
            .to_owned(),
        planes: vec![with_both(Plane::new(x, y, 280.0), "measured", known)],
    }
}

/// The courses of a sequence's first step, and the ends of both trends.
fn courses(
    pair: &Pair<'_>,
    (set, sequence): (&str, &str),
    [kind, title]: [&'static str; 2],
    trends: [(Figure, Figure); 2],
) -> Option<Shown> {
    let [a, b] = pair.records.map(|record| {
        let set = record.header.plan.sets.iter().find(|found| found.name == set)?;
        record.courses(set, sequence).into_iter().find(|course| course.place.step == 0)
    });
    let both = [a?, b?];
    let points = both.map(|course: &Course| {
        let every = course.points.len().div_ceil(MOST_POINTS).max(1);
        course.points.chunks(every).map(mean).collect::<Vec<_>>()
    });
    let told = trends.map(|(first, end)| format!("from {} to {} cd/m²", first.words(), end.words()));
    let all = || points.iter().flatten();
    let x = Axis::spans("time since it was shown", all().map(|(t_s, _)| *t_s));
    let mut plane = Plane::new(x, Axis::around("luminance, cd/m²", all().map(|(_, y)| *y)), 280.0);
    for ((letter, colour), points) in SIDES.into_iter().zip(points.clone()) {
        plane = plane.line("course", letter, colour, points, None);
    }
    Some(Shown {
        kind,
        title: title.to_owned(),
        below: "luminance since the stimulus was shown".to_owned(),
        description: format!("By their trends A goes {}, B {}.", told[0], told[1]),
        caption: "Readings of both as the stimulus stood; where there are very many, means of neighbours."
            .to_owned(),
        planes: vec![plane],
    })
}

#[expect(clippy::cast_precision_loss, reason = "a few readings")]
fn mean(points: &[crate::review::record::Point]) -> (f64, f64) {
    let count = points.len() as f64;
    let sum = |value: fn(&crate::review::record::Point) -> f64| points.iter().map(value).sum::<f64>() / count;
    (sum(|point| point.t_s), sum(|point| point.luminance_cd_m2))
}
