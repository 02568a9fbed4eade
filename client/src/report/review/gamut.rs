//! Colours in the u′v′ diagram: the gamut, and sweeps of saturation within it.

use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::{Chromaticity, Xyz};

use super::view::{Shown, View, Words};
use crate::chart::plane::{Axis, DASHED, Mark, Plane};
use crate::chart::scene::Colour;
use crate::chart::{self, ABSENT, BLUE, GREEN, INK, ORANGE, PURPLE, SKY, SOFT, VERMILION};
use crate::evaluate::aim::{Aim, Primaries};
use crate::evaluate::difference::Formula;
use crate::evaluate::figure::AT_ONCE;
use crate::evaluate::gamut::Diagram;
use crate::report::Plot;
use crate::review::figures::distance_words;
use crate::review::figures::gamut::GamutFigures;
use crate::review::figures::saturation::SaturationFigures;

/// What the diagram spans.
const U: (f64, f64) = (0.0, 0.64);
const V: (f64, f64) = (0.0, 0.6);
const HEIGHT: f64 = 540.0;

/// Primaries, secondaries and what they cover.
pub(super) fn gamut(view: &View<'_>, figures: &GamutFigures) -> Result<Vec<Plot>, chart::Error> {
    let all = view.shown();
    let (whites, colours): (Vec<&Shown<'_>>, Vec<&Shown<'_>>) = all
        .iter()
        .partition(|shown| shown.patch.patch.codes.iter().all(|code| *code == shown.patch.patch.codes[0]));
    let aims: Vec<(f64, f64)> = colours.into_iter().filter_map(aim).collect();
    let whites: Vec<(f64, f64)> = whites.into_iter().filter_map(measured).collect();
    let found: Vec<(f64, f64)> =
        figures.colours.iter().map(|colour| (colour.uv[0].value, colour.uv[1].value)).collect();
    let across =
        figures.colours.iter().map(|colour| (colour.uv[1].value, colour.uv[0].low, colour.uv[0].high));
    let along =
        figures.colours.iter().map(|colour| (colour.uv[0].value, colour.uv[1].low, colour.uv[1].high));
    let mut plane = diagram(view)
        .line("gamut", "measured", BLUE, around(&found), None)
        .with("aim", "aim of each colour", INK, Mark::Dots { points: aims, radius: 3.4 })
        .with("interval", "", BLUE, Mark::Across(across.collect()))
        .with("interval", "", BLUE, Mark::Bars(along.collect()))
        .with("measured", "measured", BLUE, Mark::Dots { points: found.clone(), radius: 2.2 })
        .with("white-measured", "measured", BLUE, Mark::Dots { points: whites, radius: 2.2 });
    let middle = middle(&found);
    for (colour, at) in figures.colours.iter().zip(found) {
        let text = colour.name.clone();
        plane = plane.with("name", "", INK, Mark::Words { at, text, from: Some(middle) });
    }
    let shares = figures.gamuts.iter().filter(|share| share.diagram == Diagram::Uv);
    let shares: Vec<String> =
        shares.map(|share| format!("{} % of {}", share.coverage_percent.words(), share.name)).collect();
    let covers = if shares.is_empty() {
        String::new()
    } else {
        format!(" It covers {} in u′v′.", shares.join(", "))
    };
    let far = figures.colours.iter().filter_map(|colour| {
        let off = colour.from_aim?;
        Some(format!(" {} is Δu′v′ {} from its aim.", colour.name, distance_words(&off)))
    });
    let words = Words {
        title: "gamut in u′v′".to_owned(),
        below: format!("held against {}", figures.aim),
        description: format!(
            "The measured gamut within the spectral locus, beside {}.{covers}{}",
            figures.aim,
            far.collect::<String>()
        ),
        caption: format!(
            "The measured primaries and secondaries, joined, and the triangle of {}. The outline is the spectral locus (CIE 1931, 2°). Intervals of 95 % are drawn, and mostly smaller than \
             the points.{covers}{}",
            figures.aim,
            view.tolerance(&["gamut_red", "gamut_green", "gamut_blue"])
        ),
    };
    Ok(vec![view.plot("gamut", words, vec![plane])?])
}

/// Sweeps of saturation in the diagram, and how far each step is off.
pub(super) fn saturation(view: &View<'_>, figures: &SaturationFigures) -> Result<Vec<Plot>, chart::Error> {
    let shown = view.shown();
    let off = shown.iter().filter_map(|shown| Some(vec![aim(shown)?, measured(shown)?]));
    let mut plane = diagram(view);
    for points in off {
        plane = plane.with("off", "", SOFT, Mark::Line { points, width: 0.8, dash: None });
    }
    let aims: Vec<(f64, f64)> = shown.iter().filter_map(aim).collect();
    let found: Vec<(f64, f64)> = shown.iter().filter_map(measured).collect();
    let plane = plane.with("aim", "aim of each step", INK, Mark::Dots { points: aims, radius: 2.6 }).with(
        "measured",
        "measured",
        BLUE,
        Mark::Dots { points: found, radius: 1.8 },
    );
    let name = figures.formula.name();
    let worst = figures.sweeps.iter().filter_map(|sweep| {
        let worst = sweep.worst.as_ref()?;
        Some(format!(
            " Towards {} the largest {name} is {} ({}).",
            sweep.colour,
            distance_words(&worst.figure),
            worst.name
        ))
    });
    let description = format!("{} sweeps from white.{}", figures.sweeps.len(), worst.collect::<String>());
    let subjects: Vec<String> =
        figures.sweeps.iter().map(|sweep| format!("saturation_{}", sweep.colour)).collect();
    let subjects: Vec<&str> = subjects.iter().map(String::as_str).collect();
    let in_diagram = Words {
        title: "saturation in u′v′".to_owned(),
        below: "from white to each primary and secondary".to_owned(),
        description: description.clone(),
        caption: "Each step of the sweeps, joined with where it is meant to be. The outline is the spectral locus (CIE 1931, 2°).".to_owned(),
    };
    let by_step = Words {
        title: format!("{name} by saturation"),
        below: figures.formula.source().to_owned(),
        description,
        caption: format!(
            "Colour difference of each step by how far its aim is from white. Bars or bands are {AT_ONCE}.{}",
            view.tolerance(&subjects)
        ),
    };
    Ok(vec![
        view.plot("diagram", in_diagram, vec![plane])?,
        view.plot("differences", by_step, vec![differences(figures)])?,
    ])
}

fn differences(figures: &SaturationFigures) -> Plane {
    let steps = |index: usize| {
        let steps = figures.sweeps.get(index).map(|sweep| sweep.steps.as_slice()).unwrap_or_default();
        steps.iter().filter_map(|step| Some((step.saturation_percent?, step.difference?))).collect::<Vec<_>>()
    };
    let all = || (0..figures.sweeps.len()).flat_map(steps);
    let x = Axis::around("saturation of the aim in u′v′, %", all().map(|(at, _)| at).chain([0.0, 100.0]));
    let y = Axis::around(figures.formula.name(), all().map(|(_, figure)| figure.high).chain([0.0]));
    let mut plane = Plane::new(x, y, 280.0);
    for (index, sweep) in figures.sweeps.iter().enumerate() {
        let (colour, dash) = ink(&sweep.colour);
        let points: Vec<_> = steps(index).iter().map(|(at, figure)| (*at, figure.value)).collect();
        plane = plane.with("sweep", &sweep.colour, colour, Mark::Line { points, width: 1.2, dash }).figures(
            "step",
            &sweep.colour,
            colour,
            steps(index),
        );
    }
    if figures.formula == Formula::De2000 { plane.level("even", "", SOFT, 1.0) } else { plane }
}

/// What a colour is drawn in, and how it is dashed.
fn ink(colour: &str) -> (Colour, Option<(f64, f64)>) {
    match colour {
        "red" => (VERMILION, None),
        "green" => (GREEN, None),
        "blue" => (BLUE, None),
        "cyan" => (SKY, DASHED),
        "magenta" => (PURPLE, DASHED),
        _ => (ORANGE, DASHED),
    }
}

/// The diagram with the spectral locus, the aim's triangle and its white.
fn diagram(view: &View<'_>) -> Plane {
    diagram_of(&view.set.aim)
}

/// The diagram with the spectral locus, and what an aim asks for.
pub(in crate::report) fn diagram_of(aim: &Aim) -> Plane {
    let locus = locus();
    let first = locus.first().copied();
    let primaries = aim.primaries;
    let mut plane = Plane::new(Axis::even("u′", U), Axis::even("v′", V), HEIGHT);
    plane.square = true;
    let white = aim.white_chromaticity().map(uv);
    plane
        .with("ground", "", ABSENT, Mark::Area(locus.clone()))
        .line("locus", "", SOFT, locus.into_iter().chain(first), None)
        .line("target", primaries.name(), INK, around(&corners(primaries)), DASHED)
        .with(
            "white",
            "white of the aim",
            ORANGE,
            Mark::Dots { points: white.into_iter().collect(), radius: 4.4 },
        )
}

fn corners(primaries: Primaries) -> Vec<(f64, f64)> {
    primaries.xy().into_iter().filter_map(|[x, y]| Chromaticity::from_xy(x, y).ok().map(uv)).collect()
}

/// The spectral locus in u′v′, every 5 nm from 400 to 700 nm.
fn locus() -> Vec<(f64, f64)> {
    let colour = |step: u16| {
        let [x, y, z] = Observer::Cie1931Deg2.at(f64::from(400 + 5 * step));
        Xyz::new(x, y, z).ok()?.chromaticity().map(uv)
    };
    (0..=60).filter_map(colour).collect()
}

fn uv(colour: Chromaticity) -> (f64, f64) {
    (colour.u_prime(), colour.v_prime())
}

fn measured(shown: &Shown<'_>) -> Option<(f64, f64)> {
    shown.light.chromaticity.map(uv)
}

fn aim(shown: &Shown<'_>) -> Option<(f64, f64)> {
    let [x, y, z] = shown.aim?;
    Xyz::new(x, y, z).ok()?.chromaticity().map(uv)
}

fn middle(points: &[(f64, f64)]) -> (f64, f64) {
    let count = points.len().max(1) as f64;
    points.iter().fold((0.0, 0.0), |sum, at| (sum.0 + at.0 / count, sum.1 + at.1 / count))
}

/// Points in the order in which they surround their middle, the first again at the end.
pub(in crate::report) fn around(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let middle = middle(points);
    let angle = |at: &(f64, f64)| (at.1 - middle.1).atan2(at.0 - middle.0);
    let mut sorted = points.to_vec();
    sorted.sort_by(|one, other| angle(one).total_cmp(&angle(other)));
    sorted.extend(sorted.first().copied());
    sorted
}
