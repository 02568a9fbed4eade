//! `settle assess`: when had it settled? The daemon's engine over recorded readings, from a file or standard input.
//!
//! | module | idea |
//! |---|---|
//! | `input` | lines, one at a time, and what they are written in |
//! | `record` | what a line says; the full decoder of JSON |
//! | `flat`, `table`, `decimal` | the quick ways from a line to a record: plain JSON, CSV, numbers |
//! | `exchanged` | a record out of a set of CGATS.17 |
//! | `cautions` | which flags readings carry |
//! | `mistake` | what can be wrong with a line |
//! | `roster` | which series are open |
//! | `series` | one series, and its judge |
//! | `changes` | its changes of verdict |
//! | `decision` | what is written for scripts |
//! | `explained`, `trace` | what is written for people: a sentence, a plot, the evidence |

use clap::Args;
use settled::settle::Change;
use settled_protocol::reading::Flag;
use settled_protocol::settling::Criteria;

use super::patience::Progress;
use super::settled::CriteriaOptions;
use super::{Exit, Failure};
use crate::output::Output;
use crate::show;

mod cautions;
mod changes;
mod decimal;
mod decision;
mod exchanged;
pub(super) mod explained;
mod flat;
mod input;
mod mistake;
mod record;
mod roster;
mod series;
mod table;
mod trace;

use decision::{Decision, Event};
use input::Input;
use mistake::Mistake;
use record::Record;
use roster::Roster;
use series::Series;
use trace::Trace;

/// Mistakes that are told of, in all, and of one series' times: who has more has one mistake many times.
const MOST_TOLD: u64 = 50;
const MOST_TOLD_OF_ONE: u64 = 3;

/// Lines between two looks at the time.
const LOOKED_AT: u64 = 4096;

const FORMS: &str = "\
What is written: a plot and a sentence for each series. With --json, one JSON object for each: id, verdict, t_settled_s, lost_s (if it did not settle again), value, u95, u_prime, v_prime, u95_uv, n, window_s, correction (if its light went through one), observer (if it isn't 1931-2), flags (all that its readings \
carry), evidence. What isn't known is absent. With --events, one object for each change of verdict instead, at once: id, t_s, verdict, t_settled_s, Y, u95_Y, u_prime, \
v_prime, u95_uv, window_s, n, correction, observer, flags.

What is read: JSON lines, or CSV with a header (fields split by comma, semicolon, tab or bar), with the members or columns t_s and \
Y (or luminance_cd_m2, or illuminance_lx), and where known id (or meter), u_prime, v_prime, integration_s, resolution_cd_m2, flags, correction, observer. What \
`settle log readings --json` or --csv wrote will do; so will the exchange text of `settle log export --cgats`, or another program's \
CGATS.17 that has the fields T_S, in s, and XYZ_Y or XYY_CAPY. Any number of series, one after another or mixed; a series ends with \
{\"id\": …, \"end\": true}, where its boot changes (then its clock began anew), its correction or its observer, or with the input. {\"id\": …, \"criteria\": {…}} \
sets its criteria. While readings carry the flag meter_warming there is no verdict: it is given at the first warm one, if it still \
stands. Readings with the flag dark (aperture covered) are no light: they only tell whether the display moves or the meter.

A line with a mistake is told of on standard error and left out, and the others are judged without it.

A series is judged to its end: --max-wait ends nothing here. It only says by what time the light must be expected to settle, so as not \
to be called wont_settle, and after what time one that has no verdict is said to have timed out.

Exit status: 0 every series settled, and still was at its end; 1 a mistake in the input; 2 one on the command line, or no readings; \
3 a series did not settle, or was lost and did not settle again.";

const MAX_WAIT: &str =
    "By what time the light must settle, or be called wont_settle; it ends nothing here [default: 1h]";

#[derive(Debug, Args)]
#[command(after_help = FORMS, mut_arg("max_wait", |arg| arg.help(MAX_WAIT)))]
pub(super) struct Options {
    /// Recorded readings: JSON lines, CSV with a header, or the exchange text of settle log export --cgats; - is standard input.
    file: String,
    /// A line of JSON for each change of verdict, as it comes.
    #[arg(long)]
    events: bool,
    /// Forecasts as well, with --events.
    #[arg(long, requires = "events")]
    forecasts: bool,
    /// Plots and signs in plain ASCII; so too where the locale (LC_ALL, LC_CTYPE, LANG) isn't UTF-8.
    #[arg(long)]
    ascii: bool,
    #[command(flatten)]
    criteria: CriteriaOptions,
}

/// What is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    /// An object for each series.
    Decisions,
    /// An object for each change of verdict, and for forecasts if wanted.
    Events { forecasts: bool },
    /// Words and a plot for each series.
    Explained { ascii: bool },
}

impl Form {
    fn of(options: &Options, json: bool) -> Self {
        match (options.events, json) {
            (true, _) => Self::Events { forecasts: options.forecasts },
            (false, true) => Self::Decisions,
            (false, false) => Self::Explained { ascii: options.ascii || crate::output::is_ascii_locale() },
        }
    }
}

pub(super) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    let criteria = options.criteria.criteria()?;
    let form = Form::of(options, output.json);
    let mut input = Input::open(&options.file)?;
    let name = input.name();
    let mut assessment = Assessment::new(output, form, criteria, name);
    // What comes as it is found shows how far it is.
    let mut progress = (!matches!(form, Form::Events { .. })).then(|| Progress::new(output));
    while let Some((line, record)) = input.next()? {
        match record {
            Ok(record) => assessment.take(line, &record)?,
            Err(mistake) => assessment.tell(line, &mistake),
        }
        if let Some(progress) = progress.as_mut().filter(|_| line % LOOKED_AT == 0) {
            progress.show(&format!("{} so far", show::counted(line, "line", "lines")), input.share());
        }
    }
    output.end_status();
    assessment.finish()
}

/// A series and, for a plot, its course.
#[derive(Debug)]
struct Followed {
    series: Series,
    trace: Option<Trace>,
}

/// Everything between the input and the output.
struct Assessment<'a> {
    output: Output,
    form: Form,
    criteria: Criteria,
    input: &'a str,
    open: Roster<Followed>,
    readings: u64,
    mistakes: u64,
    told: u64,
    /// The first line with a decimal comma, and how many lines there are.
    commas: Option<(u64, u64)>,
    all_stand: bool,
}

impl<'a> Assessment<'a> {
    fn new(output: Output, form: Form, criteria: Criteria, input: &'a str) -> Self {
        let open = Roster::new();
        Self {
            output,
            form,
            criteria,
            input,
            open,
            readings: 0,
            mistakes: 0,
            told: 0,
            commas: None,
            all_stand: true,
        }
    }

    fn take(&mut self, line: u64, record: &Record<'_>) -> Result<(), Failure> {
        let (form, criteria) = (self.form, self.criteria);
        let open = || Followed::new(&record.id, criteria, form);
        let Some(followed) = self.open.get(&record.id, open) else { return Ok(()) };
        if followed.series.is_another(record) {
            let apart = followed.series.part(record);
            self.end(&record.id)?;
            if let Some(next) = self.open.get(&record.id, open) {
                next.series.apart = apart;
            }
            return self.take(line, record);
        }
        self.readings += u64::from(record.point().is_some());
        match followed.take(record) {
            Ok(change) => {
                if let Form::Events { forecasts } = form {
                    events(self.output, &mut followed.series, change.as_ref(), forecasts)?;
                }
            }
            Err(mistake) => {
                let is_told = followed.series.mistakes <= MOST_TOLD_OF_ONE;
                self.tell_or_count(line, &mistake, is_told);
            }
        }
        if record.end { self.end(&record.id) } else { Ok(()) }
    }

    fn end(&mut self, id: &str) -> Result<(), Failure> {
        let Some(followed) = self.open.close(id) else { return Ok(()) };
        self.all_stand &= followed.write(self.output, self.form)?;
        Ok(())
    }

    fn tell(&mut self, line: u64, mistake: &Mistake) {
        self.tell_or_count(line, mistake, true);
    }

    fn tell_or_count(&mut self, line: u64, mistake: &Mistake, is_told: bool) {
        self.mistakes += 1;
        if mistake.is_decimal_comma() {
            let (first, count) = self.commas.unwrap_or((line, 0));
            self.commas = Some((first, count + 1));
            return;
        }
        if is_told && self.told < MOST_TOLD {
            self.told += 1;
            Failure::Input(format!("{}:{line}: {mistake}", self.input)).say(self.output);
        }
    }

    fn finish(mut self) -> Result<Exit, Failure> {
        let open = std::mem::replace(&mut self.open, Roster::new());
        for followed in open.close_all() {
            self.all_stand &= followed.write(self.output, self.form)?;
        }
        self.tell_the_rest();
        match (self.mistakes, self.readings) {
            (0, 0) => Err(Failure::Usage(format!("{}: there were no readings", self.input))),
            (0, _) if self.all_stand => Ok(Exit::Done),
            (0, _) => Ok(Exit::NotSettled),
            _ => Ok(Exit::Failed),
        }
    }

    /// Says what was not said of each line.
    fn tell_the_rest(&self) {
        let commas = self.commas.map_or(0, |(_, count)| count);
        if let Some((first, _)) = self.commas {
            let lines = show::counted(commas, "line has a number", "lines have numbers");
            let words = format!(
                "{}:{first}: {lines} with a decimal comma and {} left out; write decimal points",
                self.input,
                if commas == 1 { "is" } else { "are" }
            );
            Failure::Input(words).say(self.output);
        }
        let untold = self.mistakes - self.told - commas;
        if untold > 0 {
            let lines =
                show::counted(untold, "more line with a mistake was", "more lines with mistakes were");
            Failure::Input(format!("{}: {lines} left out", self.input)).say(self.output);
        }
    }
}

fn events(
    output: Output,
    series: &mut Series,
    change: Option<&Change>,
    forecasts: bool,
) -> Result<(), Failure> {
    let forecast = if forecasts { series.new_forecast() } else { None };
    if let Some(forecast) = forecast {
        output.object(&Event::forecast(series, forecast))?;
    }
    if let Some(change) = change {
        output.object(&Event::of(series, change))?;
    }
    Ok(())
}

impl Followed {
    fn new(id: &str, criteria: Criteria, form: Form) -> Self {
        let trace = matches!(form, Form::Explained { .. }).then(Trace::new);
        Self { series: Series::new(id, criteria), trace }
    }

    #[inline]
    fn take(&mut self, record: &Record<'_>) -> Result<Option<Change>, Mistake> {
        let change = self.series.take(record)?;
        let light = record.point().filter(|_| !record.cautions.has(Flag::Dark));
        if let (Some(trace), Some((t_s, y))) = (&mut self.trace, light) {
            trace.push(t_s, y);
        }
        Ok(change)
    }

    /// Writes what is to be said at a series' end. Whether it is settled then.
    fn write(&self, output: Output, form: Form) -> Result<bool, Failure> {
        if self.series.is_nothing() {
            return Ok(true);
        }
        output.end_status();
        match form {
            Form::Decisions => output.object(&Decision::of(&self.series))?,
            Form::Events { .. } => {}
            Form::Explained { ascii } => {
                for line in explained::lines(&self.series, self.trace.as_ref(), ascii) {
                    output.line(&line)?;
                }
            }
        }
        Ok(self.series.stands())
    }
}

#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;
