//! `settle review stimuli`: a plan's stimuli as files.

use std::fs::{File, create_dir_all};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;

use super::super::patience::Progress;
use super::super::target::{draft, may_be_a_folder};
use super::super::{Context, Exit, Failure, until_interrupted};
use super::run::{must_have, plan};
use crate::output::{CAUTION, GOOD, Output, styled};
use crate::quantities::{seconds, within};
use crate::review::plan::Plan;
use crate::show;
use crate::stimulus::files::layout::{Layout, Size};
use crate::stimulus::files::listing::{Item, items};
use crate::stimulus::files::y4m::{Clip, Rate, frame_bytes};
use crate::stimulus::files::{Form, index, png};

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// The plan: a TOML file, or the name of one that comes along (settle review plans).
    plan: String,
    /// The folder that is made for them.
    #[arg(long, value_name = "FOLDER")]
    into: PathBuf,
    /// The stimuli of this set of the plan alone.
    #[arg(long, value_name = "NAME")]
    set: Option<String>,
    /// 16-bit PNG that says what its values mean; the default.
    #[arg(long, conflicts_with = "y4m")]
    png: bool,
    /// Uncompressed 10-bit video, without subsampling, in the plan's range.
    #[arg(long)]
    y4m: bool,
    /// The screen's pixels.
    #[arg(long, default_value = "3840x2160")]
    size: Size,
    /// How many frames each video has [default: 1].
    #[arg(long, value_name = "COUNT", requires = "y4m", conflicts_with = "length", value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    frames: Option<u64>,
    /// How long each video is: a time such as 10s or 1min.
    #[arg(long, value_name = "TIME", requires = "y4m", value_parser = within(seconds, 0.0..=3600.0, "0 to 1h"))]
    length: Option<f64>,
    /// Frames a second, such as 24000/1001.
    #[arg(long, default_value = "25", requires = "y4m")]
    rate: Rate,
}

impl Options {
    fn form(&self) -> Form {
        if self.y4m { Form::Y4m } else { Form::Png }
    }

    /// The frames of each file.
    fn frames(&self) -> u64 {
        self.frames.unwrap_or_else(|| self.length.map_or(1, |seconds| self.rate.frames_in(seconds)))
    }
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let plan = plan(&options.plan)?;
    must_have(&plan, options.set.as_deref())?;
    let outcome = until_interrupted(write(context, &plan, &options)).await?;
    Ok(outcome.unwrap_or(Exit::Interrupted))
}

/// Writes all of it into a folder beside the one that is wanted, and gives that its name at the end.
async fn write(context: &Context, plan: &Plan, options: &Options) -> Result<Exit, Failure> {
    let (into, form, output) = (&options.into, options.form(), context.output);
    let failed = failed(into);
    may_be_a_folder(into)?;
    let items = items(plan, options.set.as_deref(), form);
    // Ctrl-C is waited for before there is anything to leave behind.
    tokio::task::yield_now().await;
    let draft = draft(into)?;
    must_have_room(draft.path(), &items, options)?;
    caution(output, plan, options);
    let files = write_files(context, draft.path(), &items, options).await?;
    let table = File::create_new(draft.path().join(INDEX)).map_err(&failed)?;
    index::write(&table, &items, form, options.size).map_err(|error| failed(error.into()))?;
    table.sync_all().map_err(&failed)?;
    // A folder that isn't empty is never replaced.
    std::fs::rename(draft.path(), into).map_err(&failed)?;
    let _named = draft.keep();
    sum_up(output, &items, options, files)?;
    Ok(Exit::Done)
}

const INDEX: &str = "index.csv";

/// Names the folder in what went wrong.
fn failed(into: &Path) -> impl Fn(std::io::Error) -> Failure {
    move |error| Failure::Input(format!("{}: {error}", into.display()))
}

/// Refuses video that the disk has no room for. Pictures are small.
fn must_have_room(folder: &Path, items: &[Item<'_>], options: &Options) -> Result<(), Failure> {
    if options.form() != Form::Y4m {
        return Ok(());
    }
    let count = u64::try_from(made(items).count()).unwrap_or(u64::MAX);
    let wanted = frame_bytes(options.size).saturating_mul(options.frames()).saturating_mul(count);
    let disk = rustix::fs::statvfs(folder).map_err(|error| failed(folder)(error.into()))?;
    let left = disk.f_bavail.saturating_mul(disk.f_frsize);
    if wanted < left {
        return Ok(());
    }
    Err(Failure::Input(format!(
        "{count} videos take {}, and {} are left there: take fewer --frames, a smaller --size or one --set",
        show::size(wanted),
        show::size(left)
    )))
}

/// Those that have a file of their own.
fn made<'a>(items: &'a [Item<'a>]) -> impl Iterator<Item = (&'a Item<'a>, &'a str)> {
    items.iter().filter(|item| !item.is_again).filter_map(|item| Some((item, item.file.as_deref()?)))
}

/// Says what the files can't.
fn caution(output: Output, plan: &Plan, options: &Options) {
    for set in plan.sets.iter().filter(|set| options.set.as_ref().is_none_or(|only| set.name == *only)) {
        for words in index::unsaid(&set.aim) {
            let words = format!("{}: {words}", set.name);
            output.note(&styled(CAUTION, &words), &json!({ "caution": { "message": words } }));
        }
    }
}

/// Gives how many there are.
async fn write_files(
    context: &Context,
    folder: &Path,
    items: &[Item<'_>],
    options: &Options,
) -> Result<u64, Failure> {
    let mut progress = Progress::new(context.output);
    let frames = options.frames();
    let all = u64::try_from(made(items).count()).unwrap_or(u64::MAX).saturating_mul(frames);
    let (mut files, mut done) = (0_u64, 0_u64);
    for (item, name) in made(items) {
        let path = folder.join(name);
        let failed = failed(Path::new(name));
        create_dir_all(path.parent().unwrap_or(folder)).map_err(&failed)?;
        let mut target = BufWriter::new(File::create_new(&path).map_err(&failed)?);
        let mut sheet = Sheet::begin(item, options, &mut target).map_err(&failed)?;
        for _ in 0..frames {
            sheet.frame().map_err(&failed)?;
            done += 1;
            progress.show(&format!("{name}, {done} of {all} frames"), Some(share(done, all)));
            // So that Ctrl-C is heard.
            tokio::task::yield_now().await;
        }
        drop(sheet);
        let file = target.into_inner().map_err(|error| failed(error.into_error()))?;
        file.sync_all().map_err(&failed)?;
        files += 1;
    }
    progress.end();
    Ok(files)
}

#[expect(clippy::cast_precision_loss, reason = "a share, for people")]
fn share(done: u64, all: u64) -> f64 {
    done as f64 / all as f64
}

/// A file that is being written.
enum Sheet<W> {
    Picture {
        target: W,
        layout: Layout,
        colours: [[u16; 3]; 2],
        meaning: crate::stimulus::files::h273::CodePoints,
    },
    Video(Clip<W>),
}

impl<W: Write> Sheet<W> {
    fn begin(item: &Item<'_>, options: &Options, target: W) -> std::io::Result<Self> {
        let (set, patch, form) = (item.stop.set, &item.stop.step.patch, options.form());
        let layout = Layout::of(options.size, patch.window_percent);
        let colours = [patch.codes, patch.background].map(|codes| form.stored(set, codes));
        Ok(match form {
            Form::Png => Self::Picture { target, layout, colours, meaning: form.code_points(set) },
            Form::Y4m => Self::Video(Clip::begin(target, layout, options.rate, set.coding.range, colours)?),
        })
    }

    fn frame(&mut self) -> std::io::Result<()> {
        match self {
            Self::Picture { target, layout, colours, meaning } => {
                png::write(target, layout, *colours, *meaning).map_err(std::io::Error::from)
            }
            Self::Video(clip) => clip.frame(),
        }
    }
}

/// Says what there is, and what of it isn't exact.
fn sum_up(output: Output, items: &[Item<'_>], options: &Options, files: u64) -> Result<(), Failure> {
    let (into, form) = (&options.into, options.form());
    let inexact =
        made(items).filter(|(item, _)| !form.is_exact(item.stop.set, &item.stop.step.patch)).count();
    if output.json {
        output.object(&json!({ "stimuli": {
            "folder": into, "index": into.join(INDEX), "stimuli": items.len(), "files": files, "inexact": inexact,
        } }))?;
        return Ok(());
    }
    let counted = show::counted(files, "file", "files");
    let words =
        format!("{} stimuli in {counted}, in {}; {INDEX} says which is which", items.len(), into.display());
    output.line(&styled(GOOD, &words))?;
    if inexact > 0 {
        let words = format!(
            "  {inexact} of them show code values that 10-bit Y′CbCr has no exact values for: the nearest stand for them"
        );
        output.line(&styled(CAUTION, &words))?;
    }
    Ok(())
}
