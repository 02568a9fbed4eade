//! The profile file, strictly read. PROFILES.md describes every key.

use std::time::Duration;

use regex::Regex;
use settled_protocol::meter::{Kind, Span};
use settled_protocol::quantity::Photometric;

use crate::link::line::{Endings, LONGEST};
use crate::link::serial::{Flow, ParityBit, Settings};
use crate::meter::{Overdue, ZeroNeed};
use crate::recording::line::ProfileText;
use crate::settings::Table;

use super::answer::{self, Shape};
use super::patterns::{pattern, patterns};
use super::spectral::Spectral;

/// 1 fL = 1/π cd/ft², and 1 ft = 0.3048 m: 3.4262590996 cd/m² (NIST SP 811, appendix B.8, gives 3.426259).
pub const CD_M2_IN_A_FOOTLAMBERT: f64 = 1.0 / (std::f64::consts::PI * 0.3048 * 0.3048);

/// A checked profile.
#[derive(Clone, Debug)]
pub struct Profile {
    /// The model, if the instrument doesn't tell one itself.
    pub model: String,
    /// The kind of instrument.
    pub kind: Kind,
    /// What its amounts are, and what one of its units is in cd/m² or lx.
    pub unit: (Photometric, f64),
    /// Its stated range, in cd/m² or lx.
    pub range: Option<Span>,
    /// The smallest step of its answers, in cd/m² or lx.
    pub resolution: Option<f64>,
    /// Its own warm-up, in s.
    pub warm_up_s: f64,
    /// How the line is set and spoken on.
    pub line: LineSettings,
    /// Sent once after opening.
    pub start: Exchange,
    /// How it says what it is.
    pub identify: Option<Exchange>,
    /// How it measures.
    pub measure: Exchange,
    /// What its reply to a measurement is made of.
    pub shape: Shape,
    /// How that tells a spectrum, if it does.
    pub spectral: Option<Spectral>,
    /// Integration times that a command may carry.
    pub integration: Option<Integration>,
    /// How it is zeroed, and when it must be.
    pub zero: Option<(Exchange, ZeroNeed)>,
    /// How it reports errors.
    pub errors: Errors,
    /// All of it, as it was written.
    pub written: ProfileText,
}

impl Profile {
    /// Whether the instrument tells its serial number when it is asked what it is.
    #[must_use]
    pub fn tells_serial(&self) -> bool {
        let patterns = self.identify.iter().flat_map(|exchange| &exchange.answer);
        patterns.flat_map(|pattern| pattern.capture_names().flatten()).any(|name| name == "serial")
    }
}

/// How the line is set and spoken on.
#[derive(Clone, Debug)]
pub struct LineSettings {
    /// How a serial port is set.
    pub serial: Settings,
    /// How lines end.
    pub endings: Endings,
    /// After this long without a byte, the line is taken to be quiet.
    pub quiet: Duration,
}

impl Profile {
    /// The longest line that it may answer, in bytes.
    #[must_use]
    pub fn longest_line(&self) -> usize {
        self.spectral.as_ref().map_or(LONGEST, Spectral::longest_line)
    }
}

/// Commands, and the lines that answer the last of them.
#[derive(Clone, Debug, Default)]
pub struct Exchange {
    /// Sent in order.
    pub send: Vec<String>,
    /// What comes back after each command but the last; nothing does if absent.
    pub acknowledge: Option<Regex>,
    /// One for each line of the answer to the last.
    pub answer: Vec<Regex>,
    /// The longest that each line may take, beyond the integration time.
    pub timeout: Duration,
}

/// Integration times that a command may carry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Integration {
    /// The shortest and the longest, in s.
    pub range: Span,
    /// What is used if nobody asks, in s.
    pub default_s: f64,
}

/// How an instrument reports errors.
#[derive(Clone, Debug, Default)]
pub struct Errors {
    /// Answers that mean an error.
    pub refused: Option<Regex>,
    /// Answers that mean too little light.
    pub too_dark: Option<Regex>,
    /// Answers that mean too much light.
    pub too_bright: Option<Regex>,
    /// Asked after each exchange, and the answer that means no error.
    pub query: Option<(String, Regex)>,
}

impl Errors {
    /// Whether the instrument can tell of any.
    #[must_use]
    pub fn are_told(&self) -> bool {
        [&self.refused, &self.too_dark, &self.too_bright].iter().any(|pattern| pattern.is_some())
            || self.query.is_some()
    }
}

/// The usual time for an answer.
const TIMEOUT_S: f64 = 2.0;

/// Reads a profile.
pub(super) fn read(table: &mut Table<'_>) -> Option<Profile> {
    let line = table.table("line").map_or_else(usual_line, |mut table| read_line(&mut table));
    let errors =
        table.table("error").map_or_else(|| Some(Errors::default()), |mut table| read_errors(&mut table));
    let start =
        table.table("start").map_or_else(|| Some(Exchange::default()), |mut table| read_exchange(&mut table));
    let identify = table.table("identify").map(|mut table| read_identify(&mut table));
    let zero = table.table("zero");
    let integration = table.table("integration").map(|mut table| read_integration(&mut table));
    let measure = table.table("measure");
    let measure = table.required("measure", measure);
    let measure = measure.and_then(|mut table| read_measure(&mut table, integration.is_some()));
    let zero = zero.map(|mut table| read_zero(&mut table, measure.as_ref().map(|(exchange, ..)| exchange)));
    let instrument = table.table("instrument");
    let mut instrument = table.required("instrument", instrument)?;
    let about = read_instrument(&mut instrument, measure.as_ref().map(|(_, shape, _)| shape));
    let (measure, shape, spectral) = measure?;
    let (model, kind, unit, warm_up_s) = about?;
    let scaled = |value: f64| value * unit.1;
    let range = instrument
        .numbers::<2>("range", 0.0, 1e9)
        .map(|[min, max]| Span { min: scaled(min), max: scaled(max) });
    Some(Profile {
        model,
        kind,
        unit,
        range,
        resolution: instrument.number("resolution", 1e-9, 1e6).map(scaled),
        warm_up_s,
        line,
        start: start?,
        identify: identify.map_or(Some(None), |identify| identify.map(Some))?,
        measure,
        shape,
        spectral,
        integration: integration.map_or(Some(None), |integration| integration.map(Some))?,
        zero: zero.map_or(Some(None), |zero| zero.map(Some))?,
        errors: errors?,
        written: ProfileText { file: String::new(), text: String::new() },
    })
}

type About = (String, Kind, (Photometric, f64), f64);

fn read_instrument(table: &mut Table<'_>, shape: Option<&Shape>) -> Option<About> {
    let model = table.text("model");
    let model = table.required("model", model);
    let units = [
        ("cd/m2", (Photometric::Luminance, 1.0)),
        ("fL", (Photometric::Luminance, CD_M2_IN_A_FOOTLAMBERT)),
        ("lx", (Photometric::Illuminance, 1.0)),
    ];
    let unit = table.choice("unit", &units);
    let unit = table.required("unit", unit);
    let kinds = [
        ("colorimeter", Kind::Colorimeter),
        ("spectrometer", Kind::Spectrometer),
        ("photometer", Kind::Photometer),
        ("illuminance-meter", Kind::IlluminanceMeter),
    ];
    let kind = table.choice("kind", &kinds);
    let warm_up_s = table.duration_s("warm_up", 0.0, 86_400.0).unwrap_or(0.0);
    // The keys that are read once the unit is known.
    table.has("range");
    table.has("resolution");
    let usual = || match (shape.is_some_and(|shape| shape.has_colour()), unit) {
        (true, _) if shape.is_some_and(|shape| shape.is_spectral()) => Kind::Spectrometer,
        (true, _) => Kind::Colorimeter,
        (false, Some((Photometric::Illuminance, _))) => Kind::IlluminanceMeter,
        (false, _) => Kind::Photometer,
    };
    Some((model?, kind.unwrap_or_else(usual), unit?, warm_up_s))
}

fn usual_line() -> LineSettings {
    LineSettings {
        serial: Settings {
            baud: 9600,
            data_bits: 8,
            parity: ParityBit::None,
            stop_bits: 1,
            flow: Flow::None,
            exclusive: true,
        },
        endings: Endings { sent: b"\r\n".to_vec(), answered: b"\r\n".to_vec() },
        quiet: Duration::from_millis(200),
    }
}

fn read_line(table: &mut Table<'_>) -> LineSettings {
    let LineSettings { serial: usual, endings, quiet } = usual_line();
    let small =
        |value: Option<i64>, usual: u8| value.and_then(|value| u8::try_from(value).ok()).unwrap_or(usual);
    let ends = [("lf", b"\n".to_vec()), ("cr", b"\r".to_vec()), ("crlf", b"\r\n".to_vec())];
    let sent = table.choice("send_end", &ends).unwrap_or(endings.sent);
    let answered = table.choice("answer_end", &ends).unwrap_or(endings.answered);
    let parities = [("none", ParityBit::None), ("odd", ParityBit::Odd), ("even", ParityBit::Even)];
    let flows = [("none", Flow::None), ("hardware", Flow::Hardware), ("software", Flow::Software)];
    let baud = table.integer("baud", 50, 4_000_000).and_then(|baud| u32::try_from(baud).ok());
    let serial = Settings {
        baud: baud.unwrap_or(usual.baud),
        data_bits: small(table.integer("data_bits", 5, 8), usual.data_bits),
        parity: table.choice("parity", &parities).unwrap_or(usual.parity),
        stop_bits: small(table.integer("stop_bits", 1, 2), usual.stop_bits),
        flow: table.choice("flow", &flows).unwrap_or(usual.flow),
        exclusive: table.flag("exclusive").unwrap_or(usual.exclusive),
    };
    LineSettings {
        serial,
        endings: Endings { sent, answered },
        quiet: table.duration_s("quiet", 0.01, 5.0).map_or(quiet, Duration::from_secs_f64),
    }
}

fn read_exchange(table: &mut Table<'_>) -> Option<Exchange> {
    let send = table.texts("send");
    let send = table.required("send", send);
    for (index, command) in send.iter().flatten().enumerate() {
        if command.chars().any(char::is_control) {
            let message = "expected commands without control characters: send_end is for line ends";
            table.complain_of("send", index, message);
        }
    }
    let answer = patterns(table, "answer");
    let timeout = Duration::from_secs_f64(table.duration_s("timeout", 0.01, 600.0).unwrap_or(TIMEOUT_S));
    let acknowledge = pattern(table, "acknowledge");
    Some(Exchange { send: send?, acknowledge, answer: answer?, timeout })
}

fn read_identify(table: &mut Table<'_>) -> Option<Exchange> {
    let exchange = read_exchange(table)?;
    if exchange.answer.is_empty() {
        table.complain("answer", "is missing: how else to tell that it is the right instrument?");
        return None;
    }
    answer::check_groups(table, "answer", &exchange.answer, &["model", "serial"]).then_some(exchange)
}

fn read_measure(table: &mut Table<'_>, adjustable: bool) -> Option<(Exchange, Shape, Option<Spectral>)> {
    // Known, though the rest should be too wrong for it to be read.
    table.has("spectrum");
    let mut exchange = read_exchange(table)?;
    let right = check_placeholders(table, &exchange.send, adjustable);
    if exchange.answer.is_empty() {
        table.complain(
            "answer",
            "is missing: expected a regular expression with the named group Y, or spectrum",
        );
        return None;
    }
    let known = answer::check_groups(table, "answer", &exchange.answer, answer::GROUPS);
    let shape = Shape::of(&exchange.answer).map_err(|message| table.complain("answer", message)).ok();
    let spectral = Spectral::read(table, &exchange.answer);
    if let Some(spectral) = &spectral {
        exchange.answer = spectral.repeated(&exchange.answer);
    }
    let shape = shape.filter(|shape| shape.is_spectral() == spectral.is_some())?;
    (right && known).then_some((exchange, shape, spectral))
}

/// Complains of placeholders that mean nothing here. True if there were none.
fn check_placeholders(table: &Table<'_>, send: &[String], adjustable: bool) -> bool {
    let mut right = true;
    for (index, command) in send.iter().enumerate() {
        for placeholder in placeholders(command) {
            let message = if !["integration_s", "integration_ms"].contains(&placeholder) {
                format!("unknown placeholder {{{placeholder}}}; known: {{integration_s}}, {{integration_ms}}")
            } else if !adjustable {
                format!("{{{placeholder}}} needs an [integration] table with its range")
            } else {
                continue;
            };
            table.complain_of("send", index, message);
            right = false;
        }
    }
    right
}

/// What stands between braces.
fn placeholders(command: &str) -> impl Iterator<Item = &str> {
    command.split('{').skip(1).filter_map(|rest| rest.split_once('}').map(|(name, _)| name))
}

fn read_integration(table: &mut Table<'_>) -> Option<Integration> {
    let range = table.numbers::<2>("range_s", 1e-6, 3600.0);
    let [min, max] = table.required("range_s", range)?;
    let default_s = table.number("default_s", 1e-6, 3600.0);
    let default_s = table.required("default_s", default_s)?;
    let range = Span { min, max };
    if min > max || !range.contains(default_s) {
        table.complain("default_s", "expected range_s to rise, and default_s to lie within it");
        return None;
    }
    Some(Integration { range, default_s })
}

fn read_zero(table: &mut Table<'_>, measure: Option<&Exchange>) -> Option<(Exchange, ZeroNeed)> {
    let at_start = table.flag("at_start").unwrap_or(false);
    let every_s = table.duration_s("every", 1.0, 31_557_600.0);
    let within_k = table.number("within_k", 0.01, 100.0);
    let overdue =
        table.choice("overdue", &[("flag", Overdue::Flag), ("refuse", Overdue::Refuse)]).unwrap_or_default();
    let tells = |exchange: &Exchange| answer::has_group(&exchange.answer, "temperature_c");
    if within_k.is_some() && !measure.is_none_or(tells) {
        let message =
            "needs the group temperature_c in the answer of [measure]: else nobody knows that it moves";
        table.complain("within_k", message);
    }
    Some((read_exchange(table)?, ZeroNeed { at_start, every_s, within_k, overdue }))
}

fn read_errors(table: &mut Table<'_>) -> Option<Errors> {
    let errors = Errors {
        refused: pattern(table, "answer"),
        too_dark: pattern(table, "too_dark"),
        too_bright: pattern(table, "too_bright"),
        query: None,
    };
    let (query, none) = (table.text("query"), pattern(table, "no_error"));
    match (query, none) {
        (Some(query), Some(none)) => Some(Errors { query: Some((query, none)), ..errors }),
        (None, None) => Some(errors),
        _ => {
            table.complain(
                "query",
                "query and no_error belong together: what to ask, and the answer that means no error",
            );
            None
        }
    }
}
