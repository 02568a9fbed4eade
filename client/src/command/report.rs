//! `settle report`: what was measured as a document, and its figures and plots by themselves.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;

use super::runs::number;
use super::target::{Replace, Target, may_be_a_folder};
use super::{Context, Exit, Failure};
use crate::chart;
use crate::output::Output;
use crate::report::{Document, Plot, html, rows};
use crate::show;
use crate::zone::Zone;

use made::Made;
use whole::Whole;

mod made;
mod night;
mod whole;

/// What is lacking where only forms are named.
const NOTHING_NAMED: &str = "of what? Name a record that settle review run wrote, or with --run a run of the daemon's log (settle runs lists them)";

#[derive(Debug, Args)]
pub(super) struct Options {
    /// What is reported: a record that settle review run wrote.
    file: Option<PathBuf>,
    /// This run instead, from the daemon's log.
    #[arg(long, value_name = "RUN", conflicts_with = "file", value_parser = number)]
    run: Option<u64>,
    /// Beside this other record: what got better or worse beyond uncertainty since that one.
    #[arg(long, value_name = "FILE", conflicts_with = "run")]
    against: Option<PathBuf>,
    /// With --run: also beside this run, and by how much it differs.
    #[arg(long, value_name = "RUN", requires = "run", conflicts_with = "file", value_parser = number)]
    against_run: Option<u64>,
    /// With --run: times of the machine's own zone, or that of TZ, instead of UTC.
    #[arg(long, requires = "run", conflicts_with = "file")]
    local: bool,
    #[command(flatten)]
    forms: Forms,
    #[command(flatten)]
    replace: Replace,
}

/// In which forms, and where to.
#[derive(Debug, Args)]
#[group(required = true, multiple = true)]
pub(super) struct Forms {
    /// The document, in one file of HTML; - is standard output.
    #[arg(long, value_name = "FILE")]
    into: Option<PathBuf>,
    /// All figures as JSON, as report.schema.json has it; - is standard output.
    #[arg(long, value_name = "FILE")]
    figures: Option<PathBuf>,
    /// All figures as CSV, one a line; - is standard output.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Each plot as an SVG file in this folder, which is made; it must not exist yet.
    #[arg(long, value_name = "FOLDER")]
    svg: Option<PathBuf>,
    /// Each plot as a PNG file in this folder, which is made; it must not exist yet.
    #[arg(long, value_name = "FOLDER")]
    png: Option<PathBuf>,
}

pub(super) async fn run(context: &Context, options: &Options) -> Result<Exit, Failure> {
    options.forms.may_be_written(options.replace)?;
    let made = match (options.run, &options.file) {
        (Some(run), _) => {
            let zone = if options.local { Zone::of_the_machine() } else { Zone::utc() };
            Made::of_run(context, run, options.against_run, zone).await?
        }
        (None, Some(file)) => match &options.against {
            Some(other) => Made::of_two(other, file)?,
            None => Made::of_review(file)?,
        },
        (None, None) => return Err(Failure::Usage(NOTHING_NAMED.to_owned())),
    };
    write(Whole::new(context.output, options.replace), &options.forms, &made)?;
    say(context.output, &options.forms, &made);
    Ok(Exit::Done)
}

/// Writes every form that was asked for: all are whole before the first gets its name.
fn write(mut whole: Whole, forms: &Forms, made: &Made) -> Result<(), Failure> {
    if let Some(path) = &forms.into {
        whole.file(path, html::html(&made.document).as_bytes())?;
    }
    if let Some(path) = &forms.figures {
        let mut text = serde_json::to_vec_pretty(&made.figures).map_err(std::io::Error::from)?;
        text.push(b'\n');
        whole.file(path, &text)?;
    }
    if let Some(path) = &forms.csv {
        let table =
            rows::csv(&made.rows).map_err(|error| Failure::Input(format!("{}: {error}", path.display())))?;
        whole.file(path, &table)?;
    }
    if let Some(path) = &forms.svg {
        let svg = |plot: &Plot| Ok(chart::svg(&plot.scene).into_bytes());
        whole.folder(path, &drawn(&made.document, "svg", svg)?)?;
    }
    if let Some(path) = &forms.png {
        whole.folder(path, &drawn(&made.document, "png", |plot| chart::png(&plot.scene))?)?;
    }
    whole.keep()
}

/// Each plot as a file, with its name.
fn drawn(
    document: &Document,
    ending: &str,
    drawn: impl Fn(&Plot) -> Result<Vec<u8>, chart::Error>,
) -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let file = |plot: &Plot| Ok((format!("{}.{ending}", plot.name), drawn(plot)?));
    let files: Result<Vec<_>, chart::Error> = document.plots().map(file).collect();
    files.map_err(|error| Failure::Input(settled_drivers::fault::chain(&error)))
}

/// Says what there is now.
fn say(output: Output, forms: &Forms, made: &Made) {
    let files: Vec<&Path> = forms.named().collect();
    let names: Vec<String> = files.iter().map(|path| path.display().to_string()).collect();
    let plots = u64::try_from(made.document.plots().count()).unwrap_or(u64::MAX);
    if !files.is_empty() {
        let words = format!("{} in {}", show::counted(plots, "plot", "plots"), names.join(", "));
        output.note(&words, &json!({ "report": { "files": files, "plots": plots } }));
    }
}

impl Forms {
    /// Refuses what can't be written before anything is worked out.
    fn may_be_written(&self, replace: Replace) -> Result<(), Failure> {
        self.are_apart()?;
        let (files, folders) = ([&self.into, &self.figures, &self.csv], [&self.svg, &self.png]);
        files.into_iter().flatten().try_for_each(|file| Target::may_be(file, replace))?;
        folders.into_iter().flatten().try_for_each(|folder| may_be_a_folder(folder))
    }

    /// One place has room for one form.
    fn are_apart(&self) -> Result<(), Failure> {
        let all = [&self.into, &self.figures, &self.csv, &self.svg, &self.png];
        let mut places = BTreeSet::new();
        match all.into_iter().flatten().find(|path| !places.insert(path.as_path())) {
            Some(twice) => {
                let words = format!("{} is named for two forms: name a place for each", twice.display());
                Err(Failure::Usage(words))
            }
            None => Ok(()),
        }
    }

    /// Every file and folder that was named.
    fn named(&self) -> impl Iterator<Item = &Path> {
        let all = [&self.into, &self.figures, &self.csv, &self.svg, &self.png];
        all.into_iter().flatten().map(PathBuf::as_path).filter(|path| path.as_os_str() != "-")
    }
}
