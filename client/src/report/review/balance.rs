//! The colour of greys: red, green and blue by level, and how far each step is from the aim.

use super::view::{View, Words};
use crate::chart::plane::{Axis, Mark, Plane};
use crate::chart::{self, BLUE, GREEN, PURPLE, SOFT, VERMILION};
use crate::evaluate::figure::{AT_ONCE, Figure};
use crate::report::Plot;
use crate::review::figures::balance::{BalanceFigures, BalanceStep};
use crate::review::figures::distance_words;

/// From here on, in per cent of signal, steps are held against the narrower tolerance.
const NEAR_BLACK_PERCENT: f64 = 9.5;

/// Red, green and blue, distance from the aim's white, and colour difference.
pub(super) fn plots(view: &View<'_>, figures: &BalanceFigures) -> Result<Vec<Plot>, chart::Error> {
    let steps = &figures.steps;
    let last = steps.iter().map(|step| 100.0 * step.signal).fold(0.0, f64::max);
    let x = Axis::even("signal, %", (-0.02 * last, 1.02 * last));
    let planes =
        vec![balance(steps, x.silent()), distances(view, steps, x.silent()), differences(figures, x)];
    let words = Words {
        title: "the colour of greys".to_owned(),
        below: format!("held against {}; {}", figures.aim, figures.formula.source()),
        description: described(figures),
        caption: format!(
            "Above: red, green and blue of each grey in per cent of what {} of the same luminance has. Middle: Δu′v′ from {}; dashed is what is allowed. Below: {} from the aim, \
             and of colour alone. Bars or bands are {AT_ONCE}, each kind of figure for itself.{}",
            figures.aim,
            figures.aim,
            figures.formula.name(),
            view.tolerance(&["grey_balance", "grey_near_black"])
        ),
    };
    Ok(vec![view.plot("balance", words, planes)?])
}

type Value = fn(&BalanceStep) -> Option<Figure>;

fn all(steps: &[BalanceStep], value: Value) -> Vec<(f64, Figure)> {
    steps.iter().filter_map(|step| Some((100.0 * step.signal, value(step)?))).collect()
}

fn balance(steps: &[BalanceStep], x: Axis) -> Plane {
    let channels: [(&str, &str, _, Value); 3] = [
        ("red", "red", VERMILION, |step| step.rgb_percent.map(|[red, _, _]| red)),
        ("green", "green", GREEN, |step| step.rgb_percent.map(|[_, green, _]| green)),
        ("blue", "blue", BLUE, |step| step.rgb_percent.map(|[_, _, blue]| blue)),
    ];
    let found = channels.map(|(role, key, colour, value)| (role, key, colour, all(steps, value)));
    let ends = found.iter().flat_map(|(_, _, _, values)| values.iter().map(|(_, figure)| figure.value));
    let y = Axis::around("beside white's, %", ends.chain([95.0, 105.0]));
    let plane = Plane::new(x, y, 180.0).level("aim", "", SOFT, 100.0);
    found.into_iter().fold(plane, |plane, (role, key, colour, values)| {
        let along: Vec<_> = values.iter().map(|(at, figure)| (*at, figure.value)).collect();
        let line = Mark::Line { points: along, width: 1.0, dash: None };
        plane.with(role, key, colour, line).figures(role, key, colour, values)
    })
}

fn distances(view: &View<'_>, steps: &[BalanceStep], x: Axis) -> Plane {
    let values = all(steps, |step| step.from_aim);
    let (near, rest) = (view.most("grey_near_black"), view.most("grey_balance"));
    let ends = values.iter().map(|(_, figure)| figure.high.min(2.0 * figure.value + 0.004));
    let y = Axis::around("Δu′v′ from the aim", ends.chain([0.0]).chain(near).chain(rest));
    let (first, last) = x.ends;
    let allowed = [(first, NEAR_BLACK_PERCENT.min(last), near), (NEAR_BLACK_PERCENT, last, rest)];
    let mut plane = Plane::new(x, y, 140.0);
    for (from, to, most) in allowed {
        if let Some(most) = most.filter(|_| from < to) {
            let points = vec![(from, most), (to, most)];
            let dash = crate::chart::plane::DASHED;
            plane = plane.with("tolerance", "at most", GREEN, Mark::Line { points, width: 1.4, dash });
        }
    }
    plane.figures("distance", "Δu′v′", VERMILION, values)
}

fn differences(figures: &BalanceFigures, x: Axis) -> Plane {
    let name = figures.formula.name();
    let whole = all(&figures.steps, |step| step.difference);
    let colour = all(&figures.steps, |step| step.colour_difference);
    let ends = whole.iter().chain(&colour).map(|(_, figure)| figure.high.min(2.0 * figure.value + 1.0));
    Plane::new(x, Axis::around(name, ends.chain([0.0])), 140.0)
        .figures("difference", name, BLUE, whole)
        .figures("colour", "of colour alone", PURPLE, colour)
}

fn described(figures: &BalanceFigures) -> String {
    let worst = |named: &Option<crate::review::figures::Named>, where_: &str| {
        named.as_ref().map_or_else(String::new, |named| {
            format!(" The largest Δu′v′ {where_} is {} at {}.", distance_words(&named.figure), named.name)
        })
    };
    let mean = figures.mean_difference.map_or_else(String::new, |mean| {
        format!(" The mean {} from 10 % up is {}.", figures.formula.name(), distance_words(&mean))
    });
    format!(
        "Red, green and blue of {} greys beside {}.{}{}{mean}",
        figures.steps.len(),
        figures.aim,
        worst(&figures.worst_from_aim, "from 10 % up"),
        worst(&figures.worst_near_black, "below 10 %")
    )
}
