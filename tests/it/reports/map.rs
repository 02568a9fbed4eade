//! Where each figure of a review stands on its page: in which table, row and column, or in which verdict's words.

use serde_json::Value;

use super::agreement::{Place, Row, Scale};
use Scale::{One, Percent, Stops};

type Column = (&'static str, &'static str, Scale);

/// Places of one part of the figures, whose kind is in its member `of`.
pub(super) fn places(part: &Value) -> Vec<Place> {
    let formula = || match part["formula"].as_str() {
        Some("itp") => "ΔE ITP",
        _ => "ΔE2000",
    };
    match part["of"].as_str().unwrap() {
        "white" => white(part),
        "eotf" => each(part, "Greys", "/steps", signal, &GREY),
        "near_black" => {
            let stops = [("/error_percent", "Off by, stops", Stops)];
            each(part, "Greys near black", "/steps", signal, &[&GREY[..], &stops].concat())
        }
        "balance" => balance(part, formula()),
        "gamut" => gamut(part),
        "saturation" => saturation(part, formula()),
        "chart" => {
            let columns = [("/figure", formula(), One), ("/figure", "all at once, 99 %", One)];
            let all = each(part, "The worst colours", "/colours", name, &columns);
            all.into_iter().filter(|place| matches!(place.row, Row::At(row, _) if row < 5)).collect()
        }
        "window" => {
            let columns = [
                ("/luminance", "luminance, cd/m²", One),
                ("/to_largest", "of the largest window's", Percent),
            ];
            each(part, "Windows", "/windows", |item| Ok(item["percent"].as_f64().unwrap()), &columns)
        }
        "peak_hold" => [named("Peak held", &PEAK_HOLD), constants(part, "Peak held")].concat(),
        "cold_start" => [named("Cold start", &COLD_START), constants(part, "Cold start")].concat(),
        "retention" => retention(part),
        "uniformity" => each(part, "Uniformity", "/spots", across_and_down, &UNIFORMITY),
        "ambient" => named("Light of the room", &AMBIENT),
        kind => panic!("nobody says where {kind} stands"),
    }
}

const GREY: [Column; 5] = [
    ("/luminance_cd_m2", "Luminance, cd/m²", One),
    ("/less_than_cd_m2", "Luminance, cd/m²", One),
    ("/aim_cd_m2", "Aim, cd/m²", One),
    ("/error_percent", "Off by, %", One),
    ("/local_gamma", "Local gamma", One),
];
const WHITE: [Column; 8] = [
    ("/colour/xy/0", "x", One),
    ("/colour/xy/1", "y", One),
    ("/colour/uv/0", "u′", One),
    ("/colour/uv/1", "v′", One),
    ("/colour/cct_k", "CCT (K)", One),
    ("/colour/duv", "Duv (from the Planckian locus)", One),
    ("/colour/duv_from_aim", "ΔDuv (from AIM)", One),
    ("/colour/from_aim", "Δu′v′ (from AIM)", One),
];
const COLOUR: [Column; 6] = [
    ("/luminance_cd_m2", "cd/m²", One),
    ("/xy/0", "x", One),
    ("/xy/1", "y", One),
    ("/uv/0", "u′", One),
    ("/uv/1", "v′", One),
    ("/from_aim", "Δu′v′", One),
];
const SHARE: [Column; 4] = [
    ("/coverage_percent", "coverage (%)", One),
    ("/ratio_percent", "area (%)", One),
    ("/hexagon_coverage_percent", "coverage with secondaries (%)", One),
    ("/hexagon_ratio_percent", "area with secondaries (%)", One),
];
const PEAK_HOLD: [Column; 8] = [
    ("/first", "first reading, cd/m²", One),
    ("/peak", "peak, cd/m²", One),
    ("/at_30_s", "after 30 s, cd/m²", One),
    ("/at_60_s", "after 60 s, cd/m²", One),
    ("/end", "end, cd/m²", One),
    ("/creep", "from the first reading to the end", Percent),
    ("/sag", "from the peak to the end", Percent),
    ("/end_rate_per_min", "change at the end, a minute", Percent),
];
const COLD_START: [Column; 8] = [
    ("/first", "first reading, cd/m²", One),
    ("/end", "end, cd/m²", One),
    ("/change", "from the first reading to the end", Percent),
    ("/left", "left to go", Percent),
    ("/within_1_percent_s", "within 1 % after, s", One),
    ("/within_half_percent_s", "within 0.5 % after, s", One),
    ("/end_rate_per_h", "change at the end, an hour", Percent),
    ("/white_drift", "Δu′v′", One),
];
const UNIFORMITY: [Column; 3] = [
    ("/luminance", "luminance, cd/m²", One),
    ("/to_centre", "of the centre's", Percent),
    ("/colour", "Δu′v′ from the centre", One),
];
const AMBIENT: [Column; 4] = [
    ("/off", "switched off, cd/m²", One),
    ("/black", "black, cd/m²", One),
    ("/own_black", "black without what is reflected, cd/m²", One),
    ("/share", "reflected, of black", Percent),
];

/// A table of a row an item: how each begins, a text or a number, and its columns by members.
fn each(
    part: &Value,
    table: &str,
    array: &str,
    head: impl Fn(&Value) -> Result<f64, String>,
    columns: &[(&str, &str, Scale)],
) -> Vec<Place> {
    let items = part.pointer(array).and_then(Value::as_array).unwrap();
    let place = |(row, item): (usize, &Value), (member, column, scale): &(&str, &str, Scale)| Place {
        pointer: format!("{array}/{row}{member}"),
        table: table.to_owned(),
        row: match head(item) {
            Ok(number) => Row::AtNumber(row, number),
            Err(text) => Row::At(row, text),
        },
        column: (*column).to_owned(),
        scale: *scale,
    };
    // Two members of one column stand for each other: that which is there counts.
    let is_there = |place: &Place| {
        let others = columns.iter().filter(|(_, column, _)| *column == place.column).count();
        others < 2 || table == "The worst colours" || part.pointer(&place.pointer).is_some()
    };
    let all = items.iter().enumerate().flat_map(|item| columns.iter().map(move |column| (item, column)));
    all.map(|(item, column)| place(item, column)).filter(is_there).collect()
}

/// A table of two columns, the names of figures and the figures.
fn named(table: &str, rows: &[Column]) -> Vec<Place> {
    let place = |(pointer, row, scale): &Column| Place {
        pointer: (*pointer).to_owned(),
        table: table.to_owned(),
        row: Row::Named((*row).to_owned()),
        column: String::new(),
        scale: *scale,
    };
    rows.iter().map(place).collect()
}

fn signal(item: &Value) -> Result<f64, String> {
    Ok(100.0 * item["signal"].as_f64().unwrap())
}

fn name(item: &Value) -> Result<f64, String> {
    Err(item["name"].as_str().unwrap().to_owned())
}

fn across_and_down(item: &Value) -> Result<f64, String> {
    Err([0, 1].map(|side| format!("{:.0}", 100.0 * item["at"][side].as_f64().unwrap())).join(", "))
}

fn white(part: &Value) -> Vec<Place> {
    let Some(aim) = part["colour"]["aim"].as_str() else { return Vec::new() };
    let mut places = named("White", &WHITE);
    for place in &mut places {
        if let Row::Named(name) = &mut place.row {
            *name = name.replace("AIM", aim);
        }
    }
    places
}

fn balance(part: &Value, formula: &'static str) -> Vec<Place> {
    let of_colour = format!("{formula} of colour");
    let columns = [
        ("/from_aim", "Δu′v′", One),
        ("/cct_k", "CCT (K)", One),
        ("/duv", "Duv", One),
        ("/rgb_percent/0", "R (%)", One),
        ("/rgb_percent/1", "G (%)", One),
        ("/rgb_percent/2", "B (%)", One),
        ("/difference", formula, One),
        ("/colour_difference", &of_colour, One),
    ];
    each(part, "Balance of greys", "/steps", name, &columns)
}

fn gamut(part: &Value) -> Vec<Place> {
    let colours = each(part, "Primaries and secondaries", "/colours", name, &COLOUR);
    [colours, each(part, "Gamut", "/gamuts", name, &SHARE)].concat()
}

fn saturation(part: &Value, formula: &'static str) -> Vec<Place> {
    let mean = format!("mean {formula}");
    let of_sweeps = [("/mean", mean.as_str(), One), ("/mean_chroma", "mean Δchroma", One)];
    let colour = |item: &Value| Err(item["colour"].as_str().unwrap().to_owned());
    let mut places = each(part, "Sweeps", "/sweeps", colour, &of_sweeps);
    let columns = [
        ("/saturation_percent", "saturation (%)", One),
        ("/difference", formula, One),
        ("/chroma", "Δchroma", One),
        ("/hue_degrees", "Δhue (°)", One),
    ];
    let mut before = 0;
    for sweep in 0..part["sweeps"].as_array().unwrap().len() {
        let steps = format!("/sweeps/{sweep}/steps");
        let these = each(part, "Saturation", &steps, name, &columns);
        places.extend(these.into_iter().map(|place| {
            let Row::At(row, name) = place.row else { panic!("{place:?}") };
            Place { row: Row::At(before + row, name), ..place }
        }));
        before += part.pointer(&steps).and_then(Value::as_array).unwrap().len();
    }
    places
}

fn retention(part: &Value) -> Vec<Place> {
    let at = |pointer: &str, row: usize, t_s: &Value| Place {
        pointer: pointer.to_owned(),
        table: "Image retention".to_owned(),
        row: Row::AtNumber(row, t_s.as_f64().unwrap()),
        column: String::new(),
        scale: Percent,
    };
    let course = part["course"].as_array().unwrap();
    let first = std::iter::once(at("/first", 0, &part["first_s"]));
    let along = course.iter().enumerate();
    let along = along.map(|(row, ghost)| at(&format!("/course/{row}/contrast"), row + 1, &ghost["t_s"]));
    let end = std::iter::once(at("/end", course.len() + 1, &part["end_s"]));
    first.chain(along).chain(end).collect()
}

/// Time constants that are known, and how much each takes along.
fn constants(part: &Value, table: &str) -> Vec<Place> {
    let terms = part["constants"].as_array().unwrap().iter().enumerate();
    let both = |(term, constant): (usize, &Value)| {
        let at = |member: &str, row: &str, scale| Place {
            pointer: format!("/constants/{term}/{member}"),
            table: table.to_owned(),
            row: Row::Named(format!("{row} {}", term + 1)),
            column: String::new(),
            scale,
        };
        let share = at("share", "share of term", Percent);
        let known = (constant["open"] == false).then(|| at("constant_s", "time constant of term", One));
        known.into_iter().chain([share]).collect::<Vec<_>>()
    };
    terms.flat_map(both).collect()
}

/// The verdict in whose words a figure stands that is in no table, and those that stand below a plot instead.
pub(super) fn subject(kind: &str, pointer: &str) -> Option<&'static str> {
    Some(match (kind, pointer) {
        ("white", "/peak_cd_m2") => "peak",
        ("white", "/black_cd_m2") => "black",
        ("white", "/contrast") => "contrast",
        ("eotf", "/gamma/gamma") => "gamma",
        ("eotf", "/hlg_gamma/gamma") => "hlg_gamma",
        ("eotf", "/tracking_end/signal" | "/tracking_end/luminance" | "/tracking_end/level") => {
            "tracking_end"
        }
        ("near_black", "/exponent/gamma") => "near_black_exponent",
        ("balance", "/mean_from_aim") => "grey_balance",
        ("balance", "/mean_difference" | "/mean_colour_difference") => "grey_difference",
        ("gamut", "/sum_percent") => "gamut_sum",
        ("chart", "/mean") => "chart_mean",
        ("chart", "/worst") => "chart_worst",
        ("chart", "/median" | "/percentile_95") => "chart_spread",
        ("chart", "/luv/mean" | "/luv/worst/figure") => "chart_luv",
        ("window", "/largest_to_peak") => "limiter",
        ("window", "/curve/exponent" | "/curve/knee_percent") => "exponent",
        ("retention", "/gone_s") => "gone",
        ("retention", "/colour") => "ghost_colour",
        ("uniformity", "/worst") => "luminance",
        ("uniformity", "/min_to_max") => "min_to_max",
        ("uniformity", "/worst_colour") => "colour",
        _ => return None,
    })
}
