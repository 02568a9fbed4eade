//! What is to be seen, in words and numbers, made of what is known at one moment. Nothing here knows of a terminal.
//!
//! | module | idea |
//! |---|---|
//! | `focus` | the chosen meter: its value, its verdict, what there is to know of it |
//! | `picture` | its curve, the band and where it goes |
//! | `rows` | lines of meters, runs and events |

use super::state::{Link, State};
use crate::show;

pub use focus::{Focus, Ruling, Value};
pub(super) use picture::round_step;
pub use picture::{Line, Picture};
pub(super) use rows::MEASURING;
pub use rows::{Happened, MeterRow};

mod focus;
mod picture;
mod rows;

/// How something is meant. Whatever it stands for is told in words, too.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// As it is.
    Plain,
    /// What went well.
    Good,
    /// What one should look at.
    Caution,
    /// What went wrong.
    Bad,
    /// What was asked for.
    Strong,
    /// What is only there to be complete, or isn't fresh.
    Faint,
}

/// Words, and how they are meant.
pub type Said = (Tone, String);

/// All that is to be seen.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    /// That there is no daemon, if so.
    pub lost: Option<String>,
    /// A line for each meter.
    pub meters: Vec<MeterRow>,
    /// Which of them is chosen.
    pub chosen: usize,
    /// The chosen one.
    pub focus: Option<Focus>,
    /// A line for each run.
    pub runs: Vec<Said>,
    /// What happened, the latest last.
    pub events: Vec<Happened>,
    /// Whether the keys are to be seen instead.
    pub help: bool,
    /// Whether all there is to say of the chosen meter is to be seen instead, and how many pages of that were turned over.
    pub whole: Option<usize>,
}

impl View {
    /// Of what is known at a time, in s. `ascii` where words must do with ASCII: bars are drawn so.
    #[must_use]
    pub fn of(state: &State, now_s: f64, zone: &jiff::tz::TimeZone, ascii: bool) -> Self {
        let lost = match state.link() {
            Link::Up => None,
            Link::Lost { since_s, why } => {
                let why = why.as_ref().map_or_else(String::new, |why| format!(" ({why})"));
                let ago = ago(now_s - since_s);
                Some(format!("NO DAEMON since {ago}: all here is stale; waiting for it to come back{why}"))
            }
        };
        let is_lost = lost.is_some();
        Self {
            meters: state.gauges().iter().map(|gauge| rows::meter(gauge, now_s, is_lost, zone)).collect(),
            chosen: state.index(),
            focus: state.gauges().get(state.index()).map(|gauge| focus::focus(state, gauge, now_s, zone)),
            runs: rows::runs(state, zone, ascii),
            events: rows::events(state, zone),
            help: state.help(),
            whole: state.whole(),
            lost,
        }
    }
}

/// How long something is ago, in words that don't flicker.
fn ago(seconds: f64) -> String {
    match seconds {
        short if short < 1.5 => "now".to_owned(),
        long if long < 9.5 => format!("{long:.0} s"),
        longer => show::span(longer),
    }
}
