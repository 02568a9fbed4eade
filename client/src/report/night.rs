//! A run as a document: how the light drifted, how steady it was, what happened meanwhile, and under which conditions. All of it is what the
//! daemon's log has.

use settled::runs::bands::Bands;
use settled_protocol::meter::Meter;
use settled_protocol::reading::Flag;
use settled_protocol::run::{Run, RunKind, RunState, RunVerdict};
use settled_protocol::statistics::{Comparison, Statistics};

use super::{Document, Plot, Section, Statement, Tone};
use crate::chart;
use crate::course::Course;
use crate::show;
use crate::zone::Zone;

mod against;
mod conditions;
mod figures;
mod happened;
mod tables;

pub use figures::{Against, Figures};

/// The size of each picture: what a page of A4 is wide, and what each needs to be read.
const COURSE: (f64, f64) = (720.0, 640.0);
const DRIFT: (f64, f64) = (720.0, 380.0);
const ALLAN: (f64, f64) = (720.0, 420.0);

/// What a report of a run is made of.
#[derive(Clone, Debug)]
pub struct Night {
    /// The run.
    pub run: Run,
    /// What its readings come to.
    pub statistics: Statistics,
    /// Its light, and what happened meanwhile.
    pub course: Course,
    /// Its meter as it is attached now, if it is.
    pub meter: Option<Meter>,
    /// The daemon that was asked, with its version.
    pub daemon: String,
    /// Another run that it is held against, if it is.
    pub against: Option<Beside>,
    /// The zone of its times.
    pub zone: Zone,
}

/// Another run that one is held against.
#[derive(Clone, Debug)]
pub struct Beside {
    /// That run.
    pub run: Run,
    /// Its readings are the one, those of the run that is reported the other.
    pub comparison: Comparison,
}

impl Night {
    /// All of it as a document.
    ///
    /// # Errors
    /// [`chart::Error`] if pictures can't be drawn.
    pub fn document(&self) -> Result<Document, chart::Error> {
        let mut sections = vec![self.light()?];
        sections.extend(self.drift()?);
        sections.extend(self.steadiness()?);
        sections.extend(self.against.as_ref().map(against::section));
        sections.push(happened::section(self));
        Ok(Document {
            title: title(&self.run),
            subtitle: self.subtitle(),
            marks: marks(&self.statistics.flags),
            first: against::unlike(self),
            lead: String::new(),
            summary: self.summary(),
            sections,
            conditions: conditions::conditions(self),
            cautions: conditions::cautions(self),
            provenance: conditions::provenance(self),
        })
    }

    fn subtitle(&self) -> String {
        let Statistics { since, until, count, .. } = self.statistics;
        let readings = show::counted(count, "reading", "readings");
        format!("{readings} from {} to {}; {}", self.at(since), self.at(until), state(self.run.state))
    }

    /// A moment in the report's zone, to the minute.
    fn at(&self, at: settled_protocol::time::Timestamp) -> String {
        let local = self.zone.at(at);
        format!("{} {} {}", local.full_date(), local.minute(), self.zone.words(at, at))
    }

    /// What it comes to, the verdict first.
    fn summary(&self) -> Vec<Statement> {
        let (tone, verdict) = verdict(&self.run);
        let mut all = vec![Statement {
            tone,
            verdict: verdict.to_owned(),
            place: String::new(),
            words: self.run.message.clone(),
            tolerance: tolerance(&self.run),
            source: if tolerance(&self.run).is_empty() {
                String::new()
            } else {
                "what the run was asked for".to_owned()
            },
        }];
        all.extend(self.course.settled.map(|level| {
            let words = level.words(self.statistics.quantity.unit());
            plain("told", format!("It {words}, with 95 %: repeatability alone."))
        }));
        all.push(plain("told", self.statistics.message.clone()));
        if self.run.gaps > 0 || self.run.missed > 0 {
            let Run { gaps, gap_s, missed, .. } = self.run;
            let lacking = match missed {
                0 => String::new(),
                missed => format!("; {} could not be taken", show::counted(missed, "point", "points")),
            };
            let stretches = show::counted(gaps, "stretch", "stretches");
            let words = format!("{stretches} without readings, {} in all{lacking}.", show::span(gap_s));
            all.push(Statement { tone: Tone::Open, ..plain("gaps", words) });
        }
        if self.run.alerts > 0 {
            let words = format!(
                "{}: they stand below, with what happened.",
                show::counted(self.run.alerts, "alert", "alerts")
            );
            all.push(Statement { tone: Tone::Bad, ..plain("alerts", words) });
        }
        if let Some(Beside { run, comparison }) = &self.against {
            all.push(plain("against", format!("Beside run {}: {}", run.run, comparison.message)));
        }
        all
    }

    fn light(&self) -> Result<Section, chart::Error> {
        let scene = chart::course(&self.course, &self.zone, COURSE)?;
        let every = self.course.bins.iter().map(|bin| bin.span_s).fold(0.0, f64::max);
        let caption = format!(
            "Each point is the mean of {}, the band the range of its readings. Where nothing is drawn on grey there are no readings. Letters stand for what happened.",
            show::span(every)
        );
        Ok(Section {
            heading: "Light".to_owned(),
            words: Vec::new(),
            plots: vec![Plot { name: "light".to_owned(), scene, caption }],
            tables: vec![tables::series(&self.statistics)],
        })
    }

    fn drift(&self) -> Result<Option<Section>, chart::Error> {
        let Some(drift) = &self.statistics.value.drift else { return Ok(None) };
        let caption = "The line has the drift as its slope, and goes through the mean of all means. The wedge is where it may run with 95 %. A robust line: single \
                       readings far off don't move it, and a step is no drift (Huber 1964; STATISTICS.md of the daemon says more)."
            .to_owned();
        let plots = chart::drift(&self.course, drift, DRIFT)?
            .map(|scene| Plot { name: "drift".to_owned(), scene, caption })
            .into_iter()
            .collect();
        let words = drift.caution.iter().map(|caution| format!("Of the drift: {caution}.")).collect();
        let tables = vec![tables::drifts(&self.statistics)];
        Ok(Some(Section { heading: "Drift".to_owned(), words, plots, tables }))
    }

    fn steadiness(&self) -> Result<Option<Section>, chart::Error> {
        let Some(scene) = chart::allan(&self.course.name, &self.statistics, ALLAN)? else { return Ok(None) };
        let caption = "How far two neighbouring means are apart, by how long each is taken over: where it falls, a longer average is a steadier one. Bars hold it with \
                       95 % (NIST SP 1065, overlapping; Greenhall & Riley 2003)."
            .to_owned();
        Ok(Some(Section {
            heading: "Steadiness".to_owned(),
            words: Vec::new(),
            plots: vec![Plot { name: "allan-deviation".to_owned(), scene, caption }],
            tables: vec![tables::deviations(&self.statistics)],
        }))
    }
}

/// Told, not judged.
fn plain(verdict: &str, words: String) -> Statement {
    Statement {
        tone: Tone::Plain,
        verdict: verdict.to_owned(),
        place: String::new(),
        words,
        tolerance: String::new(),
        source: String::new(),
    }
}

/// `Run 12: drift of bench, monitor 4`.
fn title(run: &Run) -> String {
    let label = run.plan.label.as_ref().map_or_else(String::new, |label| format!(", {}", label.as_str()));
    format!("Run {}: {} of {}{label}", run.run, kind(run.plan.kind), run.plan.meter)
}

fn kind(kind: RunKind) -> &'static str {
    match kind {
        RunKind::WarmUp => "warm-up",
        RunKind::Stability => "stability",
        RunKind::Drift => "drift",
    }
}

fn state(state: RunState) -> &'static str {
    match state {
        RunState::Planned => "planned",
        RunState::Running => "it still goes on: figures are those so far",
        RunState::Done => "done",
        RunState::Stopped => "stopped by somebody before its end",
        RunState::Failed => "it could not go on",
        RunState::Unknown => "in a state of a later version",
    }
}

fn verdict(run: &Run) -> (Tone, &'static str) {
    match run.verdict {
        Some(RunVerdict::Settled) => (Tone::Good, "settled"),
        Some(RunVerdict::Within) => (Tone::Good, "within"),
        Some(RunVerdict::NotSettled) => (Tone::Bad, "not settled"),
        Some(RunVerdict::Beyond) => (Tone::Bad, "beyond"),
        Some(RunVerdict::Undecided) => (Tone::Open, "undecided"),
        Some(RunVerdict::Unknown) => (Tone::Open, "unknown"),
        None if run.state == RunState::Failed => (Tone::Bad, "failed"),
        None if run.state.is_over() || run.state == RunState::Unknown => (Tone::Open, "none"),
        None => (Tone::Open, "none yet"),
    }
}

/// The bands that the light is held against, at the light that it began with.
fn tolerance(run: &Run) -> String {
    let Some(Bands { luminance, chromaticity, may_widen }) = Bands::of(run) else { return String::new() };
    let colour = chromaticity.map_or_else(String::new, |band| format!(", chromaticity within {band}"));
    let more = if may_widen { "; wider near black" } else { "" };
    format!("luminance within {luminance}{colour}{more}")
}

/// What stands on each page where nothing of it was seen on a display.
fn marks(flags: &[Flag]) -> Vec<String> {
    let words = [(Flag::Simulated, "SIMULATED"), (Flag::Replayed, "REPLAYED")];
    words.into_iter().filter(|(flag, _)| flags.contains(flag)).map(|(_, word)| word.to_owned()).collect()
}

/// The version of the figures' form in JSON.
pub const FORM: u32 = 1;

#[cfg(test)]
mod tests;
