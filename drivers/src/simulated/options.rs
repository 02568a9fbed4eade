//! The settings of a simulated meter and its display.

use std::sync::Arc;

use settled_protocol::colorimetry::Method;
use settled_protocol::meter::Span;

use crate::driver::Context;
use crate::meter::{Overdue, ZeroNeed};
use crate::settings::Table;

use super::colorimeter::{Colorimeter, filters};
use super::display::{Cold, Colours, Creep, Display, Limiter, Retention, Sag, Uniformity};
use super::eotf::{Eotf, Transfer};
use super::lag::Lag;
use super::meter::{Habits, Simulated};
use super::presets::{Kind, Preset};
use super::primaries::Primaries;
use super::spectrometer::Spectrometer;
use super::stage::Stage;
use super::tone::Tone;

/// A time constant or duration is at least a tenth of a second and at most a month, in s.
const TIMES_S: (f64, f64) = (0.1, 2_678_400.0);

/// By steps above this, in nm, the display's narrowest peaks (4 nm) fall between the values unless there is a slit.
const COARSE_NM: f64 = 3.0;

/// Keys of the display: they stand with the meter that brings it.
const OF_THE_DISPLAY: [&str; 28] = [
    "display",
    "eotf",
    "gamma",
    "near_black_gamma",
    "near_black_tint",
    "hlg_gamma",
    "tone_mapping",
    "roll_off_from",
    "primaries",
    "crosstalk",
    "white_error",
    "gain",
    "peak_cd_m2",
    "black_cd_m2",
    "glare_cd_m2",
    "falloff",
    "tint",
    "limiter_knee_percent",
    "limiter_exponent",
    "cold",
    "cold_s",
    "cold_white",
    "creep",
    "creep_s",
    "sag",
    "sag_s",
    "retention",
    "retention_s",
];

/// Keys of a colorimeter, and of a spectrometer, that the other knows nothing of.
const OF_FILTERS: [&str; 2] = ["filter_error", "resolution_cd_m2"];
const OF_A_SPECTROMETER: [&str; 2] = ["step_nm", "slit_nm"];

/// Reads all of it.
pub(super) fn read(settings: &mut Table<'_>, context: &Context) -> Option<Simulated> {
    // All of it is read whatever is wrong, so that every mistake is reported.
    let looks_at = settings.text("looks_at");
    let stage = match &looks_at {
        Some(id) => {
            other_stage(settings, context, id).map(|stage| (stage, format!("at the display of {id}")))
        }
        None => own_stage(settings),
    };
    let colorimeter = colorimeter(settings);
    let slit = spectrometer(settings);
    let display = stage.as_ref().map(|(_, display)| display.clone()).unwrap_or_default();
    let habits = habits(settings, display);
    let (stage, _) = stage?;
    let spectrometer = slit.map(|(step_nm, slit_nm)| Spectrometer::new(stage.lights(), step_nm, slit_nm));
    Some(Simulated::new(stage, colorimeter, spectrometer, &habits))
}

/// A display of its own, and what to call it.
fn own_stage(settings: &mut Table<'_>) -> Option<(Arc<Stage>, String)> {
    let kind =
        settings.choice("display", &[("self-emitting", Kind::SelfEmitting), ("backlit", Kind::Backlit)]);
    let kind = settings.required("display", kind);
    let preset = kind.unwrap_or(Kind::SelfEmitting).preset();
    let display = display(settings, &preset);
    kind?;
    Some((Arc::new(Stage::new(display)), format!("{} display", preset.name)))
}

/// The display that the meter `id` has brought.
fn other_stage(settings: &mut Table<'_>, context: &Context, id: &str) -> Option<Arc<Stage>> {
    for key in OF_THE_DISPLAY {
        if settings.has(key) {
            settings.complain(key, format!("is of the display, which is that of {id:?}: it stands there"));
        }
    }
    let found = context.stages.iter().find(|(known, _)| known == id).map(|(_, stage)| Arc::clone(stage));
    if found.is_none() {
        let known: Vec<&str> = context.stages.iter().map(|(id, _)| id.as_str()).collect();
        let known = if known.is_empty() {
            "there is none".to_owned()
        } else {
            format!("there are {}", known.join(", "))
        };
        settings.complain(
            "looks_at",
            format!("expected the id of a simulated meter that stands before this one; {known}, not {id:?}"),
        );
    }
    found
}

/// The step and the slit of a spectrometer, in nm; nothing for a colorimeter.
fn spectrometer(settings: &mut Table<'_>) -> Option<(f64, f64)> {
    let is_one = settings.choice("meter", &[("colorimeter", false), ("spectrometer", true)]).unwrap_or(false);
    let step_nm = settings.number("step_nm", 0.5, 20.0).unwrap_or(1.0);
    let usual_nm = if step_nm > COARSE_NM { step_nm } else { 0.0 };
    let slit_nm = settings.number("slit_nm", 0.0, 50.0).unwrap_or(usual_nm);
    // It is the daemon's, which sums spectra up, and knows no step before there is one.
    let bandwidth_nm = settings.number("bandwidth_nm", 0.1, 100.0);
    let (foreign, whose) = if is_one {
        (OF_FILTERS.as_slice(), "only goes with meter = \"colorimeter\"")
    } else {
        (OF_A_SPECTROMETER.as_slice(), "only goes with meter = \"spectrometer\"")
    };
    for key in foreign {
        if settings.has(key) {
            settings.complain(key, whose);
        }
    }
    let method = Method { bandwidth_nm, ..Method::default() };
    if is_one && let Err(error) = method.fits(step_nm) {
        settings.complain("bandwidth_nm", error.to_string());
    }
    is_one.then_some((step_nm, slit_nm))
}

fn display(settings: &mut Table<'_>, preset: &Preset) -> Display {
    Display {
        transfer: transfer(settings, preset),
        colours: colours(settings),
        limiter: limiter(settings, preset),
        cold: Cold {
            amount: settings.numbers("cold", -0.4, 0.4).unwrap_or(preset.cold.amount),
            time_s: times(settings, "cold_s").unwrap_or(preset.cold.time_s),
            white: settings.numbers("cold_white", -0.01, 0.01).unwrap_or(preset.cold.white),
        },
        creep: Creep {
            amount: settings.numbers("creep", -0.3, 0.3).unwrap_or(preset.creep.amount),
            time_s: times(settings, "creep_s").unwrap_or(preset.creep.time_s),
        },
        sag: Sag {
            amount: settings.number("sag", 0.0, 0.5).unwrap_or(preset.sag.amount),
            lag: lag(settings, "sag_s").unwrap_or(preset.sag.lag),
            by_patch: preset.sag.by_patch,
        },
        retention: Retention {
            amount: settings.number("retention", 0.0, 0.5).unwrap_or(preset.retention.amount),
            lag: lag(settings, "retention_s").unwrap_or(preset.retention.lag),
        },
        uniformity: Uniformity {
            falloff: settings.number("falloff", 0.0, 0.9).unwrap_or(0.0),
            tint: settings.numbers("tint", -0.02, 0.02).unwrap_or_default(),
        },
        glare_cd_m2: settings.number("glare_cd_m2", 0.0, 1000.0).unwrap_or(0.0),
    }
}

fn transfer(settings: &mut Table<'_>, preset: &Preset) -> Transfer {
    let gamma = settings.number("gamma", 1.0, 4.0);
    let hlg_gamma = settings.number("hlg_gamma", 0.5, 2.0);
    let tone = tone(settings);
    let choices = [
        ("bt1886", Eotf::Bt1886),
        ("power", Eotf::Power(gamma.unwrap_or(2.2))),
        ("srgb", Eotf::Srgb),
        ("pq", Eotf::Pq(tone.unwrap_or(Tone::Clip))),
        ("hlg", Eotf::Hlg(hlg_gamma)),
    ];
    let eotf = settings.choice("eotf", &choices).unwrap_or(Eotf::Bt1886);
    if gamma.is_some() && !matches!(eotf, Eotf::Power(_)) {
        settings.complain("gamma", "only goes with eotf = \"power\"");
    }
    if hlg_gamma.is_some() && !matches!(eotf, Eotf::Hlg(_)) {
        settings.complain("hlg_gamma", "only goes with eotf = \"hlg\"");
    }
    if tone.is_some() && !matches!(eotf, Eotf::Pq(_)) {
        settings.complain("tone_mapping", "only goes with eotf = \"pq\"");
    }
    let peak = settings.number("peak_cd_m2", 1.0, 20_000.0).unwrap_or(preset.peak_cd_m2);
    let black = settings.number("black_cd_m2", 0.0, 100.0).unwrap_or(peak * preset.black);
    if black > peak / 2.0 {
        settings.complain("black_cd_m2", format!("must be at most half of the peak, {peak} cd/m²"));
    }
    let near_black_gamma = settings.number("near_black_gamma", -0.9, 2.0).unwrap_or(0.0);
    Transfer { eotf, peak, black, near_black_gamma }
}

/// What is done with light above the peak, where that is said.
fn tone(settings: &mut Table<'_>) -> Option<Tone> {
    let is_soft = settings.choice("tone_mapping", &[("clip", false), ("roll-off", true)]);
    let from = settings.number("roll_off_from", 0.1, 0.95);
    if from.is_some() && is_soft != Some(true) {
        settings.complain("roll_off_from", "only goes with tone_mapping = \"roll-off\"");
    }
    is_soft.map(|is_soft| if is_soft { Tone::RollOff { from: from.unwrap_or(0.75) } } else { Tone::Clip })
}

fn colours(settings: &mut Table<'_>) -> Colours {
    let choices = [("bt709", Primaries::Bt709), ("p3-d65", Primaries::P3D65), ("bt2020", Primaries::Bt2020)];
    let primaries = settings.choice("primaries", &choices).unwrap_or(Primaries::Bt709);
    let white_error = settings.numbers("white_error", -0.03, 0.03).unwrap_or_default();
    let gain = settings.numbers("gain", 0.0, 2.0).unwrap_or([1.0; 3]);
    let mut colours = Colours::new(primaries, white_error, gain);
    colours.crosstalk = settings.number("crosstalk", 0.0, 0.5).unwrap_or(0.0);
    colours.near_black_tint = settings.numbers("near_black_tint", -0.03, 0.03).unwrap_or_default();
    colours
}

fn limiter(settings: &mut Table<'_>, preset: &Preset) -> Limiter {
    let knee = settings.number("limiter_knee_percent", 0.1, 100.0).map(|percent| percent / 100.0);
    let exponent = settings.number("limiter_exponent", 0.0, 1.0);
    Limiter {
        knee: knee.unwrap_or(preset.limiter.knee),
        exponent: exponent.unwrap_or(preset.limiter.exponent),
    }
}

fn colorimeter(settings: &mut Table<'_>) -> Colorimeter {
    let seed = settings.integer("seed", 0, i64::MAX).and_then(|seed| u64::try_from(seed).ok()).unwrap_or(1);
    let integration_s = span(settings, "integration_s", 0.001, 600.0).unwrap_or(Span { min: 0.05, max: 5.0 });
    let automatic_s = settings.duration_s("automatic_s", integration_s.min, integration_s.max);
    Colorimeter {
        seed,
        integration_s,
        automatic_s: automatic_s.unwrap_or(1.0_f64.clamp(integration_s.min, integration_s.max)),
        range: span(settings, "range_cd_m2", 0.0, 1e6).unwrap_or(Span { min: 0.001, max: 5000.0 }),
        noise: settings.number("noise", 0.0, 1000.0).unwrap_or(1.0),
        filters: filters(seed, settings.number("filter_error", 0.0, 0.05).unwrap_or(0.002)),
        dark_cd_m2: settings.number("dark_cd_m2", 0.0, 10.0).unwrap_or(0.0005),
        resolution_cd_m2: settings.number("resolution_cd_m2", 0.0, 100.0).unwrap_or(0.0),
        colour_from_cd_m2: settings.number("colour_from_cd_m2", 0.0, 1000.0).unwrap_or(0.02),
    }
}

fn habits(settings: &mut Table<'_>, display: String) -> Habits {
    let instant = settings.flag("instant").unwrap_or(false);
    let warm_up_s = settings.duration_s("warm_up", 0.0, 86_400.0).unwrap_or(0.0);
    let at_start = settings.flag("zero_at_start");
    let every_s = settings.duration_s("zero_every", 1.0, TIMES_S.1);
    let within_k = settings.number("zero_within_k", 0.01, 100.0);
    let overdue = settings.choice("zero_overdue", &[("flag", Overdue::Flag), ("refuse", Overdue::Refuse)]);
    let zeroed = at_start.is_some() || every_s.is_some() || within_k.is_some();
    if overdue.is_some() && !zeroed {
        settings.complain("zero_overdue", "only goes with zero_at_start, zero_every or zero_within_k");
    }
    let zero = zeroed.then(|| ZeroNeed {
        at_start: at_start.unwrap_or(false),
        every_s,
        within_k,
        overdue: overdue.unwrap_or_default(),
    });
    Habits { display, instant, warm_up_s, zero }
}

/// Two time constants, in s.
fn times(settings: &mut Table<'_>, key: &str) -> Option<[f64; 2]> {
    settings.numbers(key, TIMES_S.0, TIMES_S.1)
}

/// Two time constants, in s: while it grows and while it goes.
fn lag(settings: &mut Table<'_>, key: &str) -> Option<Lag> {
    times(settings, key).map(|[rise_s, fall_s]| Lag { rise_s, fall_s })
}

/// Two numbers, the smaller first.
fn span(settings: &mut Table<'_>, key: &str, least: f64, most: f64) -> Option<Span> {
    let [min, max] = settings.numbers(key, least, most)?;
    if min >= max {
        settings.complain(key, "must be two numbers, the smaller one first");
        return None;
    }
    Some(Span { min, max })
}

#[cfg(test)]
mod tests;
