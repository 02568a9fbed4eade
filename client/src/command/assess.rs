//! `settle assess`: when had it settled? The daemon's engine over recorded readings, from a file or standard input.
//!
//! Decisions are JSON, one object a line, whatever else is asked for: they are made for scripts. `--explain` is for people.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};

use clap::Args;

use super::settled::CriteriaOptions;
use super::{Exit, Failure};
use crate::output::Output;
use crate::plot::Plot;
use crate::show;

mod record;
mod series;

use record::{Record, records};
use series::{Decision, Series};

/// Points of a plot that are kept of a series; beyond that every other one goes.
const POINTS: usize = 2000;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// JSON lines, or CSV with a header; - is standard input. Members or columns: id, t_s, Y, and where known u_prime, v_prime,
    /// integration_s. What `settle log readings --json` writes will do.
    file: String,
    /// A line for each change of verdict, as it comes, instead of one a series.
    #[arg(long)]
    events: bool,
    /// Forecasts as well, with --events.
    #[arg(long, requires = "events")]
    forecasts: bool,
    /// For people: a plot and a sentence for each series.
    #[arg(long, conflicts_with = "events")]
    explain: bool,
    #[command(flatten)]
    criteria: CriteriaOptions,
}

/// A series and, for a plot, its points.
struct Followed {
    series: Series,
    points: Vec<(f64, f64)>,
    /// Readings that make one point, and how many have come since the last.
    every: (usize, usize),
}

pub(super) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    let criteria = options.criteria.criteria()?;
    let input: Box<dyn Read> = if options.file == "-" {
        Box::new(std::io::stdin())
    } else {
        Box::new(
            File::open(&options.file)
                .map_err(|error| Failure::Input(format!("{}: {error}", options.file)))?,
        )
    };
    let mut input = BufReader::with_capacity(1 << 16, input);
    let mut open: BTreeMap<String, Followed> = BTreeMap::new();
    let is_json = first_character(&mut input)? == Some(b'{');
    let mut all_settled = true;
    for record in records(input, &options.file, is_json) {
        let record = record.map_err(Failure::Input)?;
        let followed = open.entry(record.id.clone()).or_insert_with_key(|id| Followed {
            series: Series::new(id.clone(), criteria),
            points: Vec::new(),
            every: (1, 0),
        });
        take(output, options, followed, &record)?;
        if record.end {
            let ended = open.remove(&record.id);
            all_settled &= ended.map_or(Ok(true), |followed| end(output, options, &followed))?;
        }
    }
    for followed in open.values() {
        all_settled &= end(output, options, followed)?;
    }
    Ok(if all_settled { Exit::Done } else { Exit::NotSettled })
}

/// The first character that isn't blank, without taking it.
fn first_character(input: &mut impl BufRead) -> Result<Option<u8>, Failure> {
    let start = input.fill_buf().map_err(|error| Failure::Input(format!("reading: {error}")))?;
    Ok(start.iter().copied().find(|byte| !byte.is_ascii_whitespace()))
}

fn take(output: Output, options: &Options, followed: &mut Followed, record: &Record) -> Result<(), Failure> {
    let decisions = followed.series.take(record).map_err(Failure::Input)?;
    if options.explain
        && let Some((t_s, y)) = record.point()
    {
        followed.keep(t_s, y);
    }
    if options.events {
        for decision in decisions.into_iter().filter(|decision| options.forecasts || !decision.is_forecast())
        {
            output.object(&decision)?;
        }
    }
    Ok(())
}

fn end(output: Output, options: &Options, followed: &Followed) -> Result<bool, Failure> {
    let decision = followed.series.end();
    if options.explain {
        explain(output, followed, &decision)?;
    } else if !options.events {
        output.object(&decision)?;
    }
    Ok(decision.is_settled())
}

impl Followed {
    fn keep(&mut self, t_s: f64, y: f64) {
        self.every.1 += 1;
        if self.every.1 < self.every.0 {
            return;
        }
        self.every.1 = 0;
        self.points.push((t_s, y));
        if self.points.len() > POINTS {
            let mut index = 0;
            self.points.retain(|_| {
                index += 1;
                index % 2 == 0
            });
            self.every.0 *= 2;
        }
    }
}

fn explain(output: Output, followed: &Followed, decision: &Decision) -> Result<(), Failure> {
    output.line(&format!("{}: {}", followed.series.id(), followed.series.sentence()))?;
    let levels: Vec<f64> = decision.bounds().into_iter().flatten().collect();
    let plot = Plot { width: 64, height: 10, levels: &levels, ascii: false };
    for row in plot.rows(&followed.points) {
        output.line(&row)?;
    }
    if let (Some((from, _)), Some((to, _))) = (followed.points.first(), followed.points.last()) {
        output.line(&plot.foot(&show::span(*from), &show::span(*to)))?;
    }
    Ok(output.line("")?)
}

#[cfg(test)]
mod tests;
