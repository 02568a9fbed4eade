//! `settle review plans`: the plans that come along.

use clap::Args;
use serde_json::json;
use settled_drivers::nearest;

use super::super::{Exit, Failure};
use crate::output::{FAINT, Output, STRONG, styled};
use crate::review::criteria::expected_s;
use crate::review::itinerary::stops;
use crate::review::plan::Plan;
use crate::review::ready::{READY, Ready};
use crate::show;

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// Print this one.
    name: Option<String>,
}

pub(super) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    match &options.name {
        Some(name) => output.raw(named(name)?.text.as_bytes())?,
        None => READY.into_iter().try_for_each(|ready| list(output, ready))?,
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
    let expected_s: f64 = stops.iter().map(expected_s).sum();
    let (name, count) = (ready.name, stops.len());
    if output.json {
        output.object(
            &json!({ "name": name, "title": plan.title, "stimuli": count, "expected_s": expected_s }),
        )?;
        return Ok(());
    }
    let counted = show::counted(u64::try_from(count).unwrap_or(u64::MAX), "stimulus", "stimuli");
    let rest = styled(FAINT, &format!("{counted}, some {}", show::span(expected_s)));
    output.line(&format!("{}  {:<26} {rest}", styled(STRONG, &format!("{name:<12}")), plan.title))?;
    Ok(())
}

/// The plan, which has no mistakes: a test reads them all.
pub(super) fn plan_of(ready: Ready) -> Result<Plan, Failure> {
    ready.plan().map_err(|problems| Failure::Usage(problems.to_string()))
}
