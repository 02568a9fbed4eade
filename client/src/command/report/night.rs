//! What a report of a run is made of, from the daemon.

use settled_protocol::log::{Event, LARGEST_PAGE, Selection};
use settled_protocol::method::{LogCompare, LogEvents, MetersList, Nothing, RunsShow};
use settled_protocol::run::ShowRun;
use settled_protocol::statistics::{CompareParams, Stretch};

use super::made::{Made, undrawn};
use crate::command::log::course;
use crate::command::{Context, Failure};
use crate::connection::Connection;
use crate::course::Course;
use crate::report::night::{Beside, Night};
use crate::zone::Zone;

/// Points of the course: one every two pixels of its picture.
const POINTS: f64 = 360.0;

/// Events of a run that are asked for: more than any report has room for.
const MOST_EVENTS: usize = 2000;

impl Made {
    /// Of a run, beside another if there is one.
    pub(super) async fn of_run(
        context: &Context,
        number: u64,
        against: Option<u64>,
        zone: Zone,
    ) -> Result<Self, Failure> {
        let night = gather(&context.connect().await?, number, against, zone).await?;
        let document = night.document().map_err(undrawn)?;
        let figures = serde_json::to_value(night.figures()).map_err(std::io::Error::from)?;
        Ok(Self { document, figures, rows: night.rows() })
    }
}

async fn gather(
    connection: &Connection,
    number: u64,
    against: Option<u64>,
    zone: Zone,
) -> Result<Night, Failure> {
    let daemon = connection.introduce(None).await?.daemon;
    let run = connection.call::<RunsShow>(&ShowRun { run: number }).await?;
    let Some(statistics) = run.statistics.clone() else {
        let words =
            format!("run {number} has no points that the log knows of: there is nothing to report yet");
        return Err(Failure::Input(words));
    };
    let stretch = Stretch { run: Some(number), ..Stretch::default() };
    let mut course = course(connection, &stretch, POINTS, None).await?;
    tell(connection, number, &run.plan.meter, &mut course).await?;
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let meter = meters.into_iter().find(|meter| meter.id == run.plan.meter);
    let against = match against {
        Some(other) => {
            let one = Stretch { run: Some(other), ..Stretch::default() };
            let params = CompareParams { one, other: stretch };
            let comparison = connection.call::<LogCompare>(&params).await?;
            Some(Beside { run: connection.call::<RunsShow>(&ShowRun { run: other }).await?, comparison })
        }
        None => None,
    };
    Ok(Night { run, statistics, course, meter, daemon, against, zone })
}

/// Completes what happened by what happened to the run before its first reading and after its last, and leaves out other meters'.
async fn tell(connection: &Connection, run: u64, meter: &str, course: &mut Course) -> Result<(), Failure> {
    let concerns = |event: &Event| event.meter.as_ref().is_none_or(|of| of == meter);
    course.events.retain(concerns);
    let mut ask = Selection { run: Some(run), limit: Some(LARGEST_PAGE), ..Selection::default() };
    loop {
        let page = connection.call::<LogEvents>(&ask).await?;
        course.events.extend(page.events);
        if course.events.len() > MOST_EVENTS {
            course.more_events = true;
            break;
        }
        match page.next {
            Some(_) => ask.after = page.next,
            None => break,
        }
    }
    course.events.sort_by_key(|event| event.sequence);
    course.events.dedup_by_key(|event| event.sequence);
    Ok(())
}
