//! One night beside another.

use settled_protocol::run::RunPlan;
use settled_protocol::stage::Stimulus;
use settled_protocol::statistics::{Comparison, Difference};

use super::{Beside, Night};
use crate::evaluate::figure::Figure;
use crate::report::Section;
use crate::review::figures::Table;
use crate::stimulus::in_words;

/// Every difference, with the name and the unit that it has for programs and for people.
pub(super) fn differences(
    comparison: &Comparison,
) -> Vec<(&'static str, &'static str, &'static str, Difference)> {
    let unit = comparison.other.quantity.unit();
    let all = [
        ("mean_difference", "mean", unit, comparison.mean),
        ("u_prime_difference", "u′", "", comparison.u_prime),
        ("v_prime_difference", "v′", "", comparison.v_prime),
        ("drift_difference", "drift an hour", unit, comparison.drift_per_h),
    ];
    all.into_iter().filter_map(|(name, words, unit, found)| Some((name, words, unit, found?))).collect()
}

/// The differences, this run less that one.
pub(super) fn section(Beside { run, comparison }: &Beside) -> Section {
    let row = |(_, words, unit, found): (&str, &str, &str, Difference)| {
        let unit = if unit.is_empty() { String::new() } else { format!(", {unit}") };
        let figure = Figure::between(found.value, found.low, found.high);
        let differs = if found.differs { "differs" } else { "can't be told apart" };
        vec![format!("{words}{unit}"), figure.words(), differs.to_owned()]
    };
    let rows: Vec<Vec<String>> = differences(comparison).into_iter().map(row).collect();
    let columns = ["figure", "this run less that one, with 95 %", ""].map(str::to_owned).to_vec();
    let table = Table { title: "Differences".to_owned(), columns, rows };
    Section {
        heading: format!("Beside run {}", run.run),
        words: vec![comparison.message.clone()],
        plots: Vec::new(),
        tables: vec![table],
    }
}

/// In what two runs are so unlike that their light hardly compares; nothing where they are alike, as far as the log tells.
pub(super) fn unlike(night: &Night) -> Vec<String> {
    let Some(Beside { run: other, .. }) = &night.against else { return Vec::new() };
    let (this, that) = (&night.run.plan, &other.plan);
    let mut found = Vec::new();
    if night.run.run == other.run {
        found.push("the run is held against itself: nothing can differ".to_owned());
    }
    if this.kind != that.kind {
        let (this, that) = (super::kind(this.kind), super::kind(that.kind));
        found.push(format!(
            "this run is of {this}, run {} of {that}: each watches a display in another state",
            other.run
        ));
    }
    if this.meter != that.meter {
        found.push(format!("two meters measured: {} this run, {} run {}", this.meter, that.meter, other.run));
    }
    found.extend(other_light(this, that, other.run));
    found
}

/// What is to be said of the light of two runs; nothing where it is the same, or isn't known of either.
fn other_light(this: &RunPlan, that: &RunPlan, number: u64) -> Option<String> {
    let unknown = |of: String, known: &Stimulus, run: String| {
        let shown = in_words(known);
        format!(
            "whether they are of the same light isn't known: what was shown isn't known of {of}, and {run} is of {shown}"
        )
    };
    let (this_run, that_run) = ("this run".to_owned(), format!("run {number}"));
    match (&this.stimulus, &that.stimulus) {
        (Some(this), Some(that)) if this != that => {
            let [this, that] = [this, that].map(in_words);
            Some(format!("they are of other light: {this_run} of {this}, {that_run} of {that}"))
        }
        (Some(known), None) => Some(unknown(that_run, known, this_run)),
        (None, Some(known)) => Some(unknown(this_run, known, that_run)),
        _ => None,
    }
}
