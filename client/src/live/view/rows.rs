//! Lines of meters, runs and events.

use jiff::tz::TimeZone;
use settled_protocol::meter::{Meter, State as Condition};
use settled_protocol::reading::Flag;
use settled_protocol::run::{Run, RunState};
use settled_protocol::text::Text;

use super::{Said, Tone, ago};
use crate::command::runs::bar;
use crate::live::gauge::Gauge;
use crate::live::state::State;
use crate::local;
use crate::show;

/// A meter in a line.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterRow {
    /// Its id.
    pub id: String,
    /// How it is.
    pub state: Said,
    /// Its latest light, with its unit; that there was none.
    pub light: Said,
    /// How old that is.
    pub age: Said,
    /// What else there is to know, the most important first.
    pub words: Vec<Said>,
}

/// An event in a line.
#[derive(Clone, Debug, PartialEq)]
pub struct Happened {
    /// When, on the clock on the wall.
    pub at: String,
    /// What.
    pub said: Said,
}

/// That this program asks for readings without pause.
pub(in crate::live) const MEASURING: &str = "MEASURING";
/// That a meter must be zeroed.
pub(super) const ZERO_DUE: &str = "ZERO DUE";

/// How a meter is. That it is reading is not told: it would flicker with every exposure, and readings tell it.
fn condition(meter: &Meter) -> (Tone, &'static str) {
    let is_due = meter.zero.as_ref().is_some_and(|zero| zero.needed);
    match meter.state {
        // What must be done has a place where it is never cut off.
        Condition::Ready | Condition::Reading if is_due => (Tone::Caution, ZERO_DUE),
        Condition::Ready | Condition::Reading => (Tone::Good, "ready"),
        Condition::Zeroing => (Tone::Good, "zeroing"),
        Condition::Warming => (Tone::Caution, "warming up"),
        Condition::Absent => (Tone::Bad, "ABSENT"),
        Condition::Failed => (Tone::Bad, "FAILED"),
    }
}

pub(super) fn meter(gauge: &Gauge, now_s: f64, is_lost: bool, zone: &TimeZone) -> MeterRow {
    let Gauge { meter, latest, .. } = gauge;
    let (tone, words) = if is_lost { (Tone::Faint, "stale") } else { condition(meter) };
    let age = match (latest, gauge.age_s(now_s)) {
        (None, _) => (Tone::Faint, String::new()),
        // Out of the log, and its age can't be told: which time it has.
        (Some(latest), None) => (Tone::Faint, format!("of {}", local::time(latest.reading.at, zone))),
        (Some(_), Some(age_s)) => match ago(age_s) {
            now if now == "now" => (Tone::Plain, now),
            span => (Tone::Faint, format!("{span} ago")),
        },
    };
    MeterRow {
        id: meter.id.clone(),
        state: (tone, words.to_owned()),
        light: latest.as_ref().map_or_else(
            || (Tone::Faint, "no reading".to_owned()),
            |latest| {
                let tone = if gauge.since.is_some() { Tone::Faint } else { Tone::Plain };
                (tone, show::light(&latest.reading.light))
            },
        ),
        age,
        words: remarks(gauge, words),
    }
}

/// Beside its `state`, which may say some of it already.
fn remarks(gauge: &Gauge, state: &str) -> Vec<Said> {
    let Gauge { meter, measuring, unfollowed, .. } = gauge;
    let mut words = unreal(gauge);
    if meter.zero.as_ref().is_some_and(|zero| zero.needed) && state != ZERO_DUE {
        words.push((Tone::Caution, ZERO_DUE.to_owned()));
    }
    if *measuring {
        words.push((Tone::Strong, MEASURING.to_owned()));
    }
    if let Some(holder) = &meter.lease {
        let who = holder.client.as_ref().map_or("somebody", Text::as_str);
        words.push((Tone::Caution, format!("LEASED by {who}")));
    }
    if unfollowed.is_some() {
        words.push((Tone::Bad, "NOT FOLLOWED".to_owned()));
    }
    words.extend(meter.reason.clone().map(|reason| (Tone::Plain, reason)));
    words
}

/// That a meter's light is none of the world: what is shown was measured before, maybe, and by another driver.
pub(super) fn unreal(gauge: &Gauge) -> Vec<Said> {
    let was = |flag| gauge.latest.as_ref().is_some_and(|latest| latest.reading.flags.contains(&flag));
    let words = [
        (gauge.meter.simulated || was(Flag::Simulated), "SIMULATED"),
        (gauge.meter.replayed || was(Flag::Replayed), "REPLAYED"),
    ];
    words.into_iter().filter(|(is, _)| *is).map(|(_, word)| (Tone::Caution, word.to_owned())).collect()
}

/// Those that go on first, and of these the chosen meter's: where there is room for one it is that.
pub(super) fn runs(state: &State, zone: &TimeZone, ascii: bool) -> Vec<Said> {
    let line = |run: &&Run| {
        let tone = match run.state {
            _ if !run.standing.is_empty() => Tone::Bad,
            RunState::Running | RunState::Planned => Tone::Plain,
            RunState::Failed => Tone::Bad,
            RunState::Done | RunState::Stopped | RunState::Unknown => Tone::Faint,
        };
        (tone, bar::line(run, true, ascii, zone).trim_start().to_owned())
    };
    let chosen = state.gauges().get(state.index()).map(|gauge| &gauge.meter.id);
    let mut runs = state.runs();
    // A stable order: among themselves they stay as they are.
    runs.sort_by_key(|run| (run.state.is_over(), Some(&run.plan.meter) != chosen));
    let runs: Vec<Said> = runs.iter().map(line).collect();
    if runs.is_empty() { vec![(Tone::Faint, "none goes on, and none is planned".to_owned())] } else { runs }
}

pub(super) fn events(state: &State, zone: &TimeZone) -> Vec<Happened> {
    if let Some(why) = state.no_events() {
        return vec![Happened { at: String::new(), said: (Tone::Faint, why.to_owned()) }];
    }
    let several = state.gauges().len() > 1;
    let events = state.events().iter().map(|event| {
        let tone = if event.kind.is_trouble() { Tone::Caution } else { Tone::Plain };
        let of = event.meter.as_ref().filter(|meter| several && !event.detail.contains(meter.as_str()));
        let of = of.map_or_else(String::new, |meter| format!("{meter}: "));
        Happened { at: local::second(event.at, zone), said: (tone, format!("{of}{}", event.words())) }
    });
    events.collect()
}
