//! `settle log plot`: a stretch of readings as a picture, in text or in a file.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;
use settled_protocol::bins::Bin;
use settled_protocol::log::Selection;
use settled_protocol::method::{LogReadings, LogStatistics, RunsShow};
use settled_protocol::run::{Run, RunState, ShowRun};
use settled_protocol::statistics::{StatisticsParams, Stretch};
use settled_protocol::time::Timestamp;

use super::super::assess::explained::in_ascii;
use super::super::patience::waiting;
use super::super::target::{Replace, Target};
use super::super::{Context, Exit, Failure};
use super::stretch::{self, StretchOptions};
use crate::chart::{self, scene::Scene};
use crate::connection::Connection;
use crate::course::{Course, Level, seconds as since_1970};
use crate::output::is_ascii_locale;
use crate::quantities::{seconds, within};
use crate::zone::Zone;

mod text;

/// What is done while one waits.
const SUMMING: &str = "summing up readings";

#[derive(Debug, Args)]
pub(in super::super) struct Options {
    #[command(flatten)]
    stretch: StretchOptions,
    /// Write an SVG into this file; - is standard output.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write a PNG into this file; - is standard output.
    #[arg(long, value_name = "FILE", conflicts_with = "svg")]
    png: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
    /// With --svg or --png: the Allan deviation instead of the course. (settle log statistics has it in text.)
    #[arg(long)]
    allan: bool,
    /// The length of the spans whose mean is a point, from 1ms to a year; one that fits the width if left out.
    #[arg(long, value_name = "TIME", conflicts_with = "allan", value_parser = within(seconds, 0.001..=31_557_600.0, "1ms to 1year"))]
    every: Option<f64>,
    /// Times of the machine's own zone, or that of TZ, instead of UTC.
    #[arg(long)]
    local: bool,
    /// Width and height of the SVG in pixels, each from 320 to 4000; a PNG has twice as many.
    #[arg(long, value_name = "WxH", default_value = "960x600", value_parser = size)]
    size: (f64, f64),
}

/// Points that a picture has room for: one every two of its pixels.
const POINTS_A_PIXEL: f64 = 0.5;

/// Lengths that people count in, in s: what a bin may be.
const SPANS: [f64; 26] = [
    0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0,
    1800.0, 3600.0, 7200.0, 10_800.0, 21_600.0, 43_200.0, 86_400.0, 172_800.0, 604_800.0,
];

/// The bins that tell from when to when there are readings, where that isn't said.
const COARSE_S: f64 = 86_400.0;

/// The most bins that are drawn: more than any picture has pixels, whatever --every says.
const MOST_DRAWN: usize = 100_000;

fn size(text: &str) -> Result<(f64, f64), String> {
    let expected = || "expected a width and a height from 320 to 4000, such as 960x600".to_owned();
    let (width, height) = text.split_once('x').ok_or_else(expected)?;
    let side =
        |text: &str| text.parse::<u16>().ok().filter(|side| (320..=4000).contains(side)).map(f64::from);
    side(width).zip(side(height)).ok_or_else(expected)
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let is_file = options.svg.is_some() || options.png.is_some();
    if options.allan && !is_file {
        return Err(Failure::Usage(
            "--allan goes with --svg or --png; settle log statistics has it in text".to_owned(),
        ));
    }
    if context.output.json && !is_file {
        return Err(Failure::Usage(
            "a plot in text is no JSON; settle log bins --json has what it is drawn from".to_owned(),
        ));
    }
    let zone = if options.local { Zone::of_the_machine() } else { Zone::utc() };
    let connection = context.connect().await?;
    let stretch = options.stretch.clone().resolve(&connection).await?;
    if options.allan {
        let scene = waiting(context.output, SUMMING, deviation(&connection, &stretch, options.size)).await?;
        write(context, &options, &scene)?;
        return Ok(Exit::Done);
    }
    #[expect(clippy::cast_precision_loss, reason = "columns are few")]
    let points = if is_file { options.size.0 * POINTS_A_PIXEL } else { 2.0 * text::CURVE.0 as f64 };
    let course = course(&connection, &stretch, points, options.every);
    let course = waiting(context.output, SUMMING, course).await?;
    if is_file {
        let scene = chart::course(&course, &zone, options.size).map_err(failed)?;
        write(context, &options, &scene)?;
        return Ok(Exit::Done);
    }
    let ascii = is_ascii_locale();
    for line in text::lines(&course, &zone, ascii) {
        context.output.line(&if ascii { in_ascii(&line) } else { line })?;
    }
    Ok(Exit::Done)
}

fn failed(error: chart::Error) -> Failure {
    Failure::Input(settled_drivers::fault::chain(&error))
}

/// Writes a picture into the file that was named.
fn write(context: &Context, options: &Options, scene: &Scene) -> Result<(), Failure> {
    let (file, bytes) = match (&options.svg, &options.png) {
        (Some(file), _) => (file, chart::svg(scene).into_bytes()),
        (None, Some(file)) => (file, chart::png(scene).map_err(failed)?),
        (None, None) => return Ok(()),
    };
    let mut target = Target::open(context.output, file, options.replace)?;
    let written = target.write_all(&bytes).and_then(|()| target.flush());
    target.check(written)?;
    target.keep()
}

async fn deviation(connection: &Connection, stretch: &Stretch, size: (f64, f64)) -> Result<Scene, Failure> {
    let Stretch { meter, run, since, until } = stretch.clone();
    let params = StatisticsParams { meter, run, since, until, bin_s: None };
    let statistics = connection.call::<LogStatistics>(&params).await?;
    let scene = chart::allan(&stretch::name(stretch), &statistics, size).map_err(failed)?;
    scene.ok_or_else(|| {
        let readings = crate::show::counted(statistics.count, "reading", "readings");
        Failure::Input(format!("{}: {readings} are too few for an Allan deviation", stretch::name(stretch)))
    })
}

/// The bins and events of a stretch, at a length of bins that gives no more than `points`, or at the one that is asked for.
pub(in super::super) async fn course(
    connection: &Connection,
    stretch: &Stretch,
    points: f64,
    every_s: Option<f64>,
) -> Result<Course, Failure> {
    let run = match stretch.run {
        Some(run) => Some(connection.call::<RunsShow>(&ShowRun { run }).await?),
        None => None,
    };
    let every_s = match every_s {
        Some(every_s) => every_s,
        // Between two bursts of a run there is no gap: a point is no shorter than what it takes from one to the next.
        None => {
            let pace_s = run.as_ref().map_or(0.0, |run| run.plan.pace_s());
            fitting(span(connection, stretch).await? / points).max(pace_s)
        }
    };
    let mut bins: Vec<Bin> = Vec::new();
    stretch::pages(connection, stretch::bins_of(stretch, every_s), |page| {
        bins.extend(page);
        if bins.len() > MOST_DRAWN {
            return Err(Failure::Usage(format!(
                "--every gives more than {MOST_DRAWN} points: choose a longer one"
            )));
        }
        Ok(true)
    })
    .await?;
    let (Some(first), Some(last)) = (bins.first(), bins.last()) else {
        return Err(stretch::nothing(connection, stretch).await);
    };
    if bins.iter().any(|bin| bin.quantity != first.quantity) {
        return Err(Failure::Input(
            "some of the readings are of luminance, others of illuminance: choose a time with --since and --until".to_owned(),
        ));
    }
    let (begin, end) = (first.at.unix_ns(), last.at.unix_ns().saturating_add(nanoseconds(last.span_s)));
    let (name, events) = (stretch::name(stretch), Vec::new());
    let course = Course { name, bins, events, more_events: false, settled: None, ends_s: None };
    let (from, until) = told(&course, stretch, run.as_ref());
    let mut course = course.from_to(from, until);
    course.settled = run.as_ref().and_then(Level::of).filter(|level| has(&course, stretch, level.at));
    // A run begins before its first reading, and ends after its last.
    let room = nanoseconds(course.room_s());
    let since = Timestamp::from_unix_ns(begin.saturating_sub(room));
    let until = Timestamp::from_unix_ns(end.saturating_add(room));
    let around = Stretch { since: Some(since), until: Some(until), ..stretch.clone() };
    (course.events, course.more_events) = stretch::events(connection, &around).await?;
    course.events.retain(|event| is_asked_for(stretch, event.at));
    Ok(course)
}

/// From when to when a course goes, in s since 1970: its bins begin and end at round times, but a run begins and ends when it does.
fn told(course: &Course, stretch: &Stretch, run: Option<&Run>) -> (f64, f64) {
    let ((begin, end), room) = (course.span(), course.room_s());
    let is_over = |run: &&Run| !matches!(run.state, RunState::Planned | RunState::Running);
    let began = run.map(|run| since_1970(run.begins)).filter(|began| *began >= begin - room);
    let ended = run.filter(is_over).and_then(|run| run.ends).map(since_1970);
    let ended = ended.filter(|ended| *ended <= end + room);
    let since = stretch.since.map_or(f64::NEG_INFINITY, since_1970);
    let until = stretch.until.map_or(f64::INFINITY, since_1970);
    (began.unwrap_or(begin).max(since), ended.unwrap_or(end).min(until))
}

/// Whether a moment belongs to a course of which a part may have been asked for: of a run that is plotted in part, what came later isn't told.
fn has(course: &Course, stretch: &Stretch, at: Timestamp) -> bool {
    course.reaches(at) && is_asked_for(stretch, at)
}

fn is_asked_for(stretch: &Stretch, at: Timestamp) -> bool {
    stretch.since.is_none_or(|since| at >= since) && stretch.until.is_none_or(|until| at < until)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a length of years at most, in ns"
)]
fn nanoseconds(span_s: f64) -> u64 {
    (span_s * 1e9) as u64
}

/// The shortest span that people count in and that isn't shorter than `least_s`.
fn fitting(least_s: f64) -> f64 {
    let longest = SPANS[SPANS.len() - 1];
    SPANS.into_iter().find(|span| *span >= least_s).unwrap_or(longest * (least_s / longest).ceil())
}

/// How long the stretch is, in s: as it is said, or from its first reading to its last.
async fn span(connection: &Connection, stretch: &Stretch) -> Result<f64, Failure> {
    if let Some((since, until)) = stretch.since.zip(stretch.until) {
        return Ok(since_1970(until) - since_1970(since));
    }
    let coarse = stretch::all(connection, stretch, COARSE_S).await?;
    let (Some(first), Some(last)) = (coarse.first(), coarse.last()) else {
        return Err(stretch::nothing(connection, stretch).await);
    };
    // Thinning may have taken the readings themselves: then the ends of bins will do.
    let from = at(connection, first.first).await?.unwrap_or(since_1970(first.at));
    let until = at(connection, last.last).await?.unwrap_or(since_1970(last.at) + last.span_s);
    Ok((until - from).max(1.0))
}

/// When the reading of this number was taken, in s since 1970, if the log still has it.
async fn at(connection: &Connection, sequence: u64) -> Result<Option<f64>, Failure> {
    let one = Selection { after: sequence.checked_sub(1), limit: Some(1), ..Selection::default() };
    let page = connection.call::<LogReadings>(&one).await?;
    Ok(page
        .readings
        .first()
        .filter(|reading| reading.sequence == sequence)
        .map(|reading| since_1970(reading.at)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::course::tests::course;

    /// So many minutes after the beginning of the bins in [`course`].
    fn minute(minutes: f64) -> Timestamp {
        Timestamp::from_unix_ns(1_795_716_000_000_000_000 + nanoseconds(60.0 * minutes))
    }

    fn run(begins: f64, ends: f64, state: &str) -> Run {
        let text = serde_json::json!({
            "run": 1, "plan": {"kind": "warm_up", "meter": "m"}, "state": state, "created": minute(begins), "begins": minute(begins),
            "ends": minute(ends), "elapsed_s": 1.0, "points": 1, "readings": 1, "missed": 0, "gaps": 0, "gap_s": 0.0, "alerts": 0, "flags": [],
            "message": "",
        });
        serde_json::from_value(text).unwrap()
    }

    fn part(since: Option<f64>, until: Option<f64>) -> Stretch {
        Stretch { meter: None, run: Some(1), since: since.map(minute), until: until.map(minute) }
    }

    #[test]
    fn a_part_of_a_run_does_not_tell_what_the_run_came_to_later() {
        // The whole run has 60 minutes, and settled as it ended; a plot of its first half is asked for.
        let half = course(&(0..30).collect::<Vec<_>>());
        let whole = course(&(0..60).collect::<Vec<_>>());
        assert!(has(&whole, &part(None, None), minute(60.1)));
        assert!(!has(&half, &part(None, Some(30.0)), minute(60.1)));
        // Not even where it is right after what is asked for, nor where it came before that.
        assert!(
            !has(&half, &part(None, Some(30.0)), minute(30.1)) && has(&half, &part(None, None), minute(30.1))
        );
        assert!(!has(&half, &part(None, None), minute(60.1)));
    }

    #[test]
    fn a_run_is_drawn_from_when_it_began_to_when_it_ended_whatever_its_bins() {
        let at = |minutes: f64| since_1970(minute(minutes));
        let told = |begins: f64, ends: f64, state: &str, part: &Stretch| {
            let bins = course(&(0..10).collect::<Vec<_>>());
            let (from, until) = told(&bins, part, Some(&run(begins, ends, state)));
            bins.from_to(from, until)
        };
        let night = told(0.75, 11.25, "done", &part(None, None));
        assert_eq!(night.span(), (at(0.75), at(11.25)));
        // What is drawn of the first bin is what came after the run's beginning.
        let middles = [0, 1, 9].map(|index: usize| night.middle(&night.bins[index]));
        assert_eq!(middles, [at(0.875), at(1.5), at(9.5)]);
        // One that goes on ends with its bins, and a part where it was said.
        assert_eq!(told(0.75, 500.0, "running", &part(None, None)).span(), (at(0.75), at(10.0)));
        assert_eq!(told(-90.0, 90.0, "done", &part(Some(0.5), Some(9.25))).span(), (at(0.5), at(9.25)));
        // A clock that was set: its bins alone tell.
        assert_eq!(told(0.75, -500.0, "done", &part(None, None)).span(), (at(0.0), at(10.0)));
    }

    #[test]
    fn a_bin_is_a_length_that_people_count_in_and_fits_the_width() {
        assert_eq!(
            [fitting(0.003), fitting(60.0), fitting(61.0), fitting(43_200.0)],
            [0.01, 60.0, 120.0, 43_200.0]
        );
        assert_eq!(fitting(1_000_000.0), 1_209_600.0);
        assert_eq!(size("960x600"), Ok((960.0, 600.0)));
        assert!(["960", "100x600", "5000x600", "axb"].iter().all(|text| size(text).is_err()));
    }
}
