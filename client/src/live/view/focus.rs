//! The chosen meter: its value, its verdict, what there is to know of it.

use jiff::tz::TimeZone;
use settled::settle::Standing;
use settled_protocol::meter::State as Condition;
use settled_protocol::reading::Flag;
use settled_protocol::run::RunState;
use settled_protocol::settling::{Estimate, Evidence, Verdict};

use super::picture::{self, Picture};
use super::rows::{ZERO_DUE, unreal};
use super::{Said, Tone, ago};
use crate::command::settled::standing as obstacle;
use crate::command::{lease, meters};
use crate::live::gauge::{Gauge, Latest, Since};
use crate::live::state::{Link, State};
use crate::local;
use crate::show;

/// The chosen meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Focus {
    /// Its id.
    pub id: String,
    /// That its light is none of the world, if so.
    pub unreal: Vec<Said>,
    /// Whether exposures are caused.
    pub manner: Said,
    /// What it reads.
    pub value: Value,
    /// Whether that has settled.
    pub ruling: Ruling,
    /// What one must know, the most important first.
    pub notes: Vec<Said>,
    /// What there is to know beside: a name and words each.
    pub details: Vec<(&'static str, String)>,
    /// Its curve, once there are readings.
    pub picture: Option<Picture>,
}

/// What a meter reads now.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Value {
    /// The amount, rounded as its uncertainty has it; empty before there is a reading.
    pub number: String,
    /// The half-width of its 95 % interval, with the sign before it; empty where there is none yet.
    pub uncertainty: String,
    /// The unit.
    pub unit: &'static str,
    /// x and y.
    pub xy: String,
    /// u′ and v′, with the radius of their 95 % interval where there is one.
    pub uv: String,
    /// What it is of.
    pub of: String,
    /// Whether it is fresh.
    pub fresh: bool,
}

/// Whether the light has settled.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruling {
    /// The verdict.
    pub verdict: Said,
    /// When it is expected to settle, or what is waited for.
    pub ahead: String,
    /// Why, in a sentence.
    pub sentence: String,
}

pub(super) fn focus(state: &State, gauge: &Gauge, now_s: f64, zone: &TimeZone) -> Focus {
    let age_s = gauge.age_s(now_s);
    // The promise that a verdict is holds for a hold, and so does whatever was known.
    let fresh = age_s.is_some_and(|age_s| age_s * state.speed() <= state.criteria().hold_s)
        && *state.link() == Link::Up
        && gauge.since.is_none();
    let standing = gauge.judging.standing();
    Focus {
        id: gauge.meter.id.clone(),
        unreal: unreal(gauge),
        manner: manner(state, gauge),
        value: value(gauge, standing.as_ref(), fresh),
        ruling: ruling(state, gauge, standing.as_ref(), fresh, now_s, zone),
        notes: notes(gauge, zone),
        details: details(gauge),
        picture: picture::picture(state, gauge, standing.as_ref(), fresh),
    }
}

/// Whether this program causes exposures: of the chosen meter, or of others that were left measuring.
fn manner(state: &State, gauge: &Gauge) -> Said {
    if gauge.measuring {
        return (Tone::Strong, "MEASURING without pause (m ends it)".to_owned());
    }
    let others: Vec<&str> =
        state.gauges().iter().filter(|gauge| gauge.measuring).map(|gauge| gauge.meter.id.as_str()).collect();
    match others[..] {
        [] => (Tone::Plain, "watching: causes no exposure (m measures)".to_owned()),
        [other] => (Tone::Strong, format!("watching this one; MEASURING {other}")),
        _ => (Tone::Strong, format!("watching this one; MEASURING {} others", others.len())),
    }
}

fn value(gauge: &Gauge, standing: Option<&Standing>, fresh: bool) -> Value {
    let Some(Latest { reading, .. }) = &gauge.latest else { return Value::default() };
    let unit = reading.light.photometric().unit();
    let latest = format!("latest {} {unit}", show::number(reading.light.value()));
    let (estimate, evidence) = match standing {
        Some(Standing { value: Some(value), evidence, .. }) => (value, evidence),
        _ => {
            let (xy, uv) = colour(reading.light.chromaticity(), None);
            let number = show::number(reading.light.value());
            let of = "of one reading: no uncertainty yet".to_owned();
            return Value { number, uncertainty: String::new(), unit, xy, uv, of, fresh };
        }
    };
    let Estimate { y, y_u95, chromaticity, chromaticity_u95, .. } = *estimate;
    let words = show::uncertain(y, y_u95);
    let (number, uncertainty) = words.split_once(' ').unwrap_or((&words, ""));
    let (xy, uv) = colour(chromaticity, chromaticity_u95);
    let readings = show::counted(evidence.n as u64, "reading", "readings");
    let of = format!("95 %, of {readings} over {}; {latest}", show::span(evidence.window_s));
    Value { number: number.to_owned(), uncertainty: uncertainty.to_owned(), unit, xy, uv, of, fresh }
}

fn colour(colour: Option<settled_protocol::quantity::Chromaticity>, u95: Option<f64>) -> (String, String) {
    let Some(colour) = colour else { return (String::new(), String::new()) };
    let radius = u95.map_or_else(String::new, |u95| format!(" {}", show::radius(u95)));
    let xy = format!("x {:.4}  y {:.4}", colour.x(), colour.y());
    (xy, format!("u′ {:.5}  v′ {:.5}{radius}", colour.u_prime(), colour.v_prime()))
}

fn ruling(
    state: &State,
    gauge: &Gauge,
    standing: Option<&Standing>,
    fresh: bool,
    now_s: f64,
    zone: &TimeZone,
) -> Ruling {
    let Some(standing) = standing else { return unjudged(state, gauge, now_s, zone) };
    let sentence = match standing.verdict {
        Some(verdict) => gauge.judging.sentence(verdict, standing),
        None => so_far(gauge, standing),
    };
    if !fresh {
        let how = standing.verdict.map_or("not settled", name);
        let verdict = (Tone::Faint, format!("STALE: was {how}"));
        return Ruling { verdict, ahead: last(gauge, now_s, zone), sentence };
    }
    let hold = show::span(state.criteria().hold_s);
    let ahead = match standing.verdict {
        Some(Verdict::Settled) => format!("stays so for {hold}, as far as its trend tells"),
        _ => ahead(gauge, &standing.evidence, gauge.age_s(now_s).unwrap_or_default() * state.speed()),
    };
    Ruling { verdict: badge(standing.verdict), ahead, sentence }
}

/// That nothing is known of how the light stands, and why.
fn unjudged(state: &State, gauge: &Gauge, now_s: f64, zone: &TimeZone) -> Ruling {
    let since = match gauge.since {
        Some(Since::Zeroed) => {
            Some("The meter was zeroed since: what it read before doesn't count any more.")
        }
        Some(Since::Replaced) => {
            Some("Another instrument was attached since: what the one before it read doesn't count for it.")
        }
        None => None,
    };
    let (verdict, ahead) = match since {
        Some(_) => ("NOT JUDGED YET", last(gauge, now_s, zone)),
        None => ("no reading yet", String::new()),
    };
    let sentence = match (&gauge.unfollowed, since, gauge.measuring) {
        (Some(why), ..) => why.clone(),
        (None, Some(since), _) => since.to_owned(),
        (None, None, _) => awaited(state, gauge),
    };
    Ruling { verdict: (Tone::Faint, verdict.to_owned()), ahead, sentence }
}

/// What keeps the first reading from being there.
fn awaited(state: &State, gauge: &Gauge) -> String {
    let id = &gauge.meter.id;
    let run = state.runs().into_iter().find(|run| run.state == RunState::Running && run.plan.meter == *id);
    match (gauge.meter.state, run) {
        (Condition::Absent, _) => {
            "The meter is absent: nothing can be read. It is looked for until it is back.".to_owned()
        }
        (Condition::Failed, _) => {
            "The meter has failed: nothing can be read. It is tried again until it works.".to_owned()
        }
        (_, Some(run)) => format!("Waiting for the first reading: run {} takes some.", run.run),
        (_, None) if gauge.measuring => "Waiting for the first reading.".to_owned(),
        (_, None) => {
            "Nobody takes readings of this meter: m takes some, and so does whatever else measures with it."
                .to_owned()
        }
    }
}

/// How long the latest reading is ago; of one out of the log whose age nobody can tell, which time it has.
fn last(gauge: &Gauge, now_s: f64, zone: &TimeZone) -> String {
    match (&gauge.latest, gauge.age_s(now_s).map(ago)) {
        (Some(_), Some(age)) if age == "now" => "last reading now".to_owned(),
        (Some(_), Some(age)) => format!("last reading {age} ago"),
        (Some(latest), None) => {
            format!("last reading of {}", local::second(latest.reading.at, zone))
        }
        (None, _) => String::new(),
    }
}

fn badge(verdict: Option<Verdict>) -> Said {
    let tone = match verdict {
        Some(Verdict::Settled) => Tone::Good,
        Some(Verdict::NoiseLimited | Verdict::TimedOut) => Tone::Caution,
        Some(Verdict::WontSettle | Verdict::Lost) => Tone::Bad,
        None => Tone::Strong,
    };
    (tone, verdict.map_or("not settled yet", name).to_uppercase())
}

fn name(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Settled => "settled",
        Verdict::Lost => "lost",
        Verdict::NoiseLimited => "noise limited",
        Verdict::WontSettle => "won't settle",
        Verdict::TimedOut => "timed out",
    }
}

/// When it is expected to settle, and what is in the way. The latest reading is `age_s` old on the daemon's clock.
fn ahead(gauge: &Gauge, evidence: &Evidence, age_s: f64) -> String {
    let waits = obstacle(&evidence.failing);
    match show::forecast_by_now(evidence, gauge.judging.waited_s(), age_s) {
        Some(forecast) => format!("{forecast}; {waits}"),
        None => waits.to_owned(),
    }
}

/// The evidence, where it isn't enough for a verdict yet.
fn so_far(gauge: &Gauge, standing: &Standing) -> String {
    let Standing { value, evidence, .. } = standing;
    let hold_s = gauge.judging.criteria().hold_s;
    let mut parts = Vec::new();
    parts.extend(
        show::drift(evidence, value.as_ref(), hold_s).map(|drift| format!("luminance drifts {drift}")),
    );
    if let Some((drift, band)) = evidence.chromaticity_drift.zip(evidence.chromaticity_band) {
        let [moved, interval] = [drift.bands_per_hold, drift.interval].map(|bands| bands * band);
        parts.push(format!("chromaticity {moved:.5} ± {interval:.5} in u′v′"));
    }
    if parts.is_empty() {
        "Too little was seen for a trend.".to_owned()
    } else {
        format!("So far {}.", parts.join(", "))
    }
}

/// What one must know of the meter and its readings.
fn notes(gauge: &Gauge, zone: &TimeZone) -> Vec<Said> {
    let Gauge { meter, latest, .. } = gauge;
    let mut notes = Vec::new();
    if let Some(holder) = &meter.lease {
        let until = local::time(holder.expires_at, zone);
        let waits = if gauge.measuring { "; measuring waits for it" } else { "" };
        let words = format!("{}, until {until} unless it is renewed{waits}", lease::held_by(holder));
        notes.push((Tone::Caution, words));
    }
    notes.extend(gauge.unmeasured.clone().map(|why| (Tone::Bad, format!("not measured: {why}"))));
    notes.extend(gauge.unfollowed.clone().map(|why| (Tone::Bad, why)));
    if let Some(zero) = meter.zero.as_ref().filter(|zero| zero.needed) {
        // What is to be done comes first: the rest may be cut off.
        let why = zero.why.as_ref().map_or_else(String::new, |why| format!(", because {why}"));
        let refuses = if zero.refuses { "; no readings until then" } else { "" };
        let words = format!("{ZERO_DUE}: cover it, then settle zero {}{refuses}{why}", meter.id);
        notes.push((Tone::Caution, words));
    }
    if let Some(Latest { reading, .. }) = latest {
        let (uncorrected, mut flags) = show::uncorrected(&reading.flags, reading.correction.as_ref());
        notes.extend(uncorrected.map(|words| (Tone::Caution, words.to_owned())));
        // These are told elsewhere, or none of one's business.
        flags.retain(|flag| {
            ![Flag::Shared, Flag::Simulated, Flag::Replayed, Flag::ZeroOverdue].contains(flag)
        });
        if !flags.is_empty() {
            notes.push((Tone::Caution, show::flags(&meter.id, &flags)));
        }
        notes.extend(
            reading.observer.map(|observer| (Tone::Plain, format!("by {}", show::observer(observer)))),
        );
    }
    notes.extend(meter.reason.clone().map(|reason| (Tone::Plain, reason)));
    notes
}

fn details(gauge: &Gauge) -> Vec<(&'static str, String)> {
    let meter = &gauge.meter;
    let mut details = Vec::new();
    if let Some(instrument) = &meter.instrument {
        let serial =
            instrument.serial.as_ref().map_or_else(String::new, |serial| format!(", serial\u{a0}{serial}"));
        details
            .push(("instrument", format!("{}, {}{serial}", instrument.model, meters::kind(instrument.kind))));
    }
    details.extend(meter.address.clone().map(|address| ("where", address)));
    details.extend(
        meter.warm_up.map(|warm_up| ("warm-up", meters::warm_up_words(warm_up.needed_s, warm_up.elapsed_s))),
    );
    if let Some(zero) = meter.zero.as_ref().filter(|zero| !zero.needed) {
        details.push(("zeroing", meters::zero_words(&meter.id, zero)));
    }
    details.extend(
        gauge
            .latest
            .as_ref()
            .and_then(|latest| latest.reading.integration_s)
            .map(|integration_s| ("exposes", show::span(integration_s))),
    );
    details.extend(
        gauge
            .latest
            .as_ref()
            .and_then(|latest| latest.reading.correction.clone())
            .map(|id| ("correction", id)),
    );
    if meter.faults > 0 {
        details.push(("faults", format!("{} since the daemon started", meter.faults)));
    }
    details
}
