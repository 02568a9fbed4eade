//! `settle review plans`: the plans that come along, and what one of one's own would do.

use std::path::Path;

use clap::Args;
use serde_json::{Value, json};
use settled_drivers::nearest;

use super::super::{Exit, Failure};
use super::layout;
use super::run::plan;
use crate::output::{CAUTION, FAINT, Output, STRONG, styled};
use crate::review::caution::consents;
use crate::review::criteria::expected_s;
use crate::review::figures::Table;
use crate::review::itinerary::{Stop, stops};
use crate::review::plan::{Plan, Sequence, Set};
use crate::review::ready::{READY, Ready};
use crate::show;

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// The name of one: print it as it is written. A file: say what it would do and how long that takes, or all of its mistakes.
    plan: Option<String>,
}

pub(super) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    match &options.plan {
        Some(file) if Path::new(file).exists() => told(output, &plan(file)?)?,
        Some(name) => output.raw(named(name)?.text.as_bytes())?,
        None => {
            READY.into_iter().try_for_each(|ready| list(output, ready))?;
            say_what_times_are(output)?;
        }
    }
    Ok(Exit::Done)
}

/// The plan of this name.
pub(super) fn named(name: &str) -> Result<Ready, Failure> {
    Ready::named(name).ok_or_else(|| {
        let names: Vec<&str> = READY.iter().map(|ready| ready.name).collect();
        let hint = nearest::hint(name, &names, "there are");
        Failure::Usage(format!("{name} is neither a file nor a plan that comes along{hint}"))
    })
}

fn list(output: Output, ready: Ready) -> Result<(), Failure> {
    let plan = plan_of(ready)?;
    let stops = stops(&plan, &[], None);
    let name = ready.name;
    if output.json {
        let (count, expected_s) = (stops.len(), expected(&stops));
        output.object(
            &json!({ "name": name, "title": plan.title, "stimuli": count, "expected_s": expected_s }),
        )?;
        return Ok(());
    }
    let rest = styled(FAINT, &counted(&stops));
    output.line(&format!("{}  {:<26} {rest}", styled(STRONG, &format!("{name:<12}")), plan.title))?;
    Ok(())
}

/// What a time is worth before a display is measured: PLANS.md has the figures.
const TIMES: &str = "Times are those of settling with a colorimeter that exposes for up to 5 s in the dark, and of rests: some tenths more or less, and more where light creeps.";

fn say_what_times_are(output: Output) -> Result<(), Failure> {
    if !output.json {
        for line in layout::wrapped("", TIMES) {
            output.line(&styled(FAINT, &line))?;
        }
    }
    Ok(())
}

/// What a plan would do.
fn told(output: Output, plan: &Plan) -> Result<(), Failure> {
    let stops = stops(plan, &[], None);
    if output.json {
        output.object(&object(plan, &stops))?;
        return Ok(());
    }
    output.line(&format!("{}  {}", styled(STRONG, &plan.title), styled(FAINT, &counted(&stops))))?;
    for set in &plan.sets {
        output.line("")?;
        output.line(&styled(STRONG, &format!("{}  {}", set.name, meant(set))))?;
        let columns = ["sequence", "stimuli", "takes some", "window", "background", "rest"];
        let columns = columns.map(str::to_owned).to_vec();
        let rows = set.sequences.iter().map(|sequence| row(sequence, &of(&stops, set, sequence))).collect();
        for line in layout::table(&Table { title: String::new(), columns, rows }, 2) {
            output.line(&line)?;
        }
    }
    output.line("")?;
    say_what_times_are(output)?;
    let asked = consents(&stops);
    if !asked.is_empty() {
        output.line("")?;
    }
    for words in asked {
        for line in layout::wrapped("!  ", &format!("must be agreed to: {words}")) {
            output.line(&styled(CAUTION, &line))?;
        }
    }
    Ok(())
}

/// What a set is meant to be, and how its signals are written.
fn meant(set: &Set) -> String {
    let [x, y] = set.aim.white_xy();
    format!(
        "{}, {}, white x {x} y {y}; {}",
        set.aim.transfer.name(),
        set.aim.primaries.name(),
        set.coding.words()
    )
}

fn row(sequence: &Sequence, stops: &[Stop<'_>]) -> Vec<String> {
    let windows: Vec<f64> = stops.iter().map(|stop| stop.step.patch.window_percent).collect();
    let [least, most] = [f64::min, f64::max].map(|of| windows.iter().copied().reduce(of).unwrap_or_default());
    let window = if least < most { format!("{least} to {most} %") } else { format!("{most} %") };
    let rests = [(sequence.rest_s, ""), (sequence.rests_before_s(), " before")];
    let rests = rests.iter().filter(|(rest_s, _)| *rest_s > 0.0);
    let rests: Vec<String> = rests.map(|(rest_s, when)| format!("{}{when}", show::span(*rest_s))).collect();
    let (name, kind) = (&sequence.name, sequence.what.name());
    vec![
        if name == kind { name.clone() } else { format!("{name} ({kind})") },
        stops.len().to_string(),
        show::span(expected(stops)),
        window,
        format!("{} %", 100.0 * sequence.background),
        rests.join(", "),
    ]
}

/// The same for programs.
fn object(plan: &Plan, stops: &[Stop<'_>]) -> Value {
    let sequence = |set: &Set, sequence: &Sequence| {
        let these = of(stops, set, sequence);
        json!({ "name": sequence.name, "kind": sequence.what.name(), "stimuli": these.len(), "expected_s": expected(&these) })
    };
    let sets = plan.sets.iter().map(|set| {
        let sequences: Vec<Value> = set.sequences.iter().map(|it| sequence(set, it)).collect();
        json!({ "name": set.name, "coding": set.coding, "aim": set.aim, "sequences": sequences })
    });
    json!({ "plan": {
        "title": plan.title, "stimuli": stops.len(), "expected_s": expected(stops), "sets": sets.collect::<Vec<Value>>(), "consents": consents(stops),
    } })
}

/// The stimuli of one sequence.
fn of<'a>(stops: &[Stop<'a>], set: &Set, sequence: &Sequence) -> Vec<Stop<'a>> {
    let is_of = |stop: &&Stop<'_>| stop.set.name == set.name && stop.sequence.name == sequence.name;
    stops.iter().filter(is_of).cloned().collect()
}

/// About how long it takes, in s.
fn expected(stops: &[Stop<'_>]) -> f64 {
    stops.iter().map(expected_s).sum()
}

fn counted(stops: &[Stop<'_>]) -> String {
    let count = u64::try_from(stops.len()).unwrap_or(u64::MAX);
    format!("{}, some {}", show::counted(count, "stimulus", "stimuli"), show::span(expected(stops)))
}

/// The plan, which has no mistakes: a test reads them all.
pub(super) fn plan_of(ready: Ready) -> Result<Plan, Failure> {
    ready.plan().map_err(|problems| Failure::Usage(problems.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_plan_says_of_its_time_is_what_the_list_says() {
        let mut found = 0;
        for ready in READY {
            let head = ready.text.split("title").next().unwrap_or_default();
            let plan = ready.plan().unwrap();
            let told = show::span(expected(&stops(&plan, &[], None)));
            for words in
                head.split("some ").skip(1).filter(|words| words.contains(" min.") || words.contains(" h."))
            {
                let time = words.split(". ").next().unwrap().split(".\n").next().unwrap();
                if !time.contains(',') {
                    assert_eq!(time, told, "{}", ready.name);
                    found += 1;
                }
            }
        }
        assert_eq!(found, 2, "sdr-quick and sdr-full say how long they take");
    }
}
