//! `settle log backup` and `settle log check`: a copy of the log, and whether it is whole.

use settled_protocol::method::{LogBackup, LogCheck, Nothing};

use super::super::patience::waiting;
use super::super::{Context, Exit, Failure};
use crate::output::{BAD, GOOD, styled};
use crate::show;

pub(super) async fn backup(context: &Context) -> Result<Exit, Failure> {
    let connection = context.connect().await?;
    let copy = waiting(context.output, "copying the log", connection.call::<LogBackup>(&Nothing {})).await?;
    if context.output.json {
        context.output.object(&copy)?;
        return Ok(Exit::Done);
    }
    let last = copy.last_sequence.map_or_else(String::new, |last| format!(", up to reading {last}"));
    let words =
        format!("{}, {}{last}, complete at {}", copy.file, show::size(copy.bytes), show::moment(copy.at));
    context.output.line(&words)?;
    Ok(Exit::Done)
}

pub(super) async fn check(context: &Context) -> Result<Exit, Failure> {
    let connection = context.connect().await?;
    let call = connection.call::<LogCheck>(&Nothing {});
    let found = waiting(context.output, "looking through the log", call).await?;
    if context.output.json {
        context.output.object(&found)?;
    } else {
        let verdict = if found.sound { styled(GOOD, "sound") } else { styled(BAD, "DAMAGED") };
        let counts = [
            show::counted(found.readings, "reading", "readings"),
            show::counted(found.events, "event", "events"),
            show::counted(found.bins, "bin of thinned readings", "bins of thinned readings"),
        ];
        context.output.line(&format!("{verdict}: {}", counts.join(", ")))?;
        for problem in &found.problems {
            context.output.line(&format!("- {problem}"))?;
        }
    }
    Ok(if found.sound { Exit::Done } else { Exit::Failed })
}
