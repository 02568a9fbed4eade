//! White's colour beside the aim's, and the Planckian locus.

use super::view::{View, Words};
use crate::chart::plane::{Axis, DASHED, Mark, Plane};
use crate::chart::{self, BLUE, GREEN, INK, SOFT};
use crate::evaluate::cct::planckian;
use crate::report::Plot;
use crate::review::figures::distance_words;
use crate::review::figures::white::WhiteFigures;

/// Temperatures that are named along the locus, in K.
const NAMED_K: [f64; 9] = [4000.0, 5000.0, 5500.0, 6000.0, 6500.0, 7000.0, 8000.0, 9300.0, 12_000.0];
/// What is seen at least about the aim, in u′v′.
const LEAST_ROOM: f64 = 0.008;
const HEIGHT: f64 = 400.0;
/// How wide the plane is beside its height, so that it fills the picture.
const WIDE: f64 = 1.53;

/// White in u′v′; nothing where its colour isn't known.
pub(super) fn plots(view: &View<'_>, figures: &WhiteFigures) -> Result<Vec<Plot>, chart::Error> {
    let (Some(colour), Some(aim)) = (&figures.colour, view.scene.aim.white_chromaticity()) else {
        return Ok(Vec::new());
    };
    let (aim_u, aim_v) = (aim.u_prime(), aim.v_prime());
    let [u, v] = colour.uv;
    let room = 1.4 * colour.from_aim.high.max(LEAST_ROOM / 1.4);
    let wide = WIDE * room;
    let x = Axis::even("u′", (aim_u - wide, aim_u + wide));
    let y = Axis::even("v′", (aim_v - room, aim_v + room));
    let mut plane = Plane::new(x, y, HEIGHT);
    plane.square = true;
    let is_within = |(at_u, at_v): &(f64, f64)| (at_u - aim_u).abs() < wide && (at_v - aim_v).abs() < room;
    let at = |kelvin: f64| planckian(kelvin).map(|colour| (colour.u_prime(), colour.v_prime()));
    let locus = (0..=400).filter_map(|step| at(2000.0 * 1.006_f64.powi(step))).filter(is_within);
    plane = plane.line("locus", "blackbodies", SOFT, locus, None);
    let named: Vec<((f64, f64), String)> = NAMED_K
        .iter()
        .filter_map(|kelvin| Some((at(*kelvin).filter(is_within)?, format!("{kelvin} K"))))
        .collect();
    let places = named.iter().map(|(place, _)| *place).collect();
    plane = plane.with("kelvin", "", SOFT, Mark::Dots { points: places, radius: 2.0 });
    if let Some(most) = view.most("white_colour") {
        let circle = (0..=72).map(|step| f64::from(step) * 5.0_f64.to_radians());
        let circle = circle.map(|angle| (aim_u + most * angle.cos(), aim_v + most * angle.sin()));
        plane = plane.line("tolerance", "allowed", GREEN, circle, DASHED);
    }
    for (place, text) in named {
        // Below the locus, which rises to the right.
        let from = Some((place.0 - room, place.1 + room));
        plane = plane.with("name", "", SOFT, Mark::Words { at: place, text, from });
    }
    let plane = plane
        .with(
            "aim",
            &format!("aim: {}", colour.aim),
            INK,
            Mark::Dots { points: vec![(aim_u, aim_v)], radius: 4.0 },
        )
        .with("interval", "measured", BLUE, Mark::Bars(vec![(u.value, v.low, v.high)]))
        .with("interval", "measured", BLUE, Mark::Across(vec![(v.value, u.low, u.high)]))
        .with("measured", "measured", BLUE, Mark::Dots { points: vec![(u.value, v.value)], radius: 3.0 });
    let cct = colour.cct_k.zip(colour.duv).map_or_else(String::new, |(cct, duv)| {
        format!(" Correlated colour temperature {} K, Duv {}.", cct.words(), duv.words())
    });
    let words = Words {
        title: "the colour of white".to_owned(),
        below: format!("peak {} cd/m²; held against {}", figures.peak_cd_m2.words(), colour.aim),
        description: format!(
            "White is Δu′v′ {} from {}: u′ {}, v′ {}.{cct}",
            distance_words(&colour.from_aim),
            colour.aim,
            u.words(),
            v.words()
        ),
        caption: format!(
            "White in CIE 1976 u′v′ beside the aim, with 95 % intervals, and blackbodies by their temperature.{cct}{}",
            view.tolerance(&["white_colour"])
        ),
    };
    Ok(vec![view.plot("white", words, vec![plane])?])
}
