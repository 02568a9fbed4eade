//! A program that has a generator, a player or anything else show the stimulus.
//!
//! It is run anew for each stimulus, without a shell, and has shown it once it ends with exit status 0. At the end it is run once more, with
//! black on the whole screen, so that the last stimulus doesn't stand for ever. One that is ended before that takes along whatever it has started.

use std::ffi::OsString;
use std::fmt;
use std::os::fd::AsFd;
use std::process::{ExitStatus, Stdio};
use std::str::FromStr;
use std::time::Duration;

use settled_protocol::stage::Range;
use tokio::process::Command;
use tokio::time::timeout;

use self::group::Group;
use super::way::Pause;
use super::{LEFT_ON, NotShown, Screen, caution};
use crate::output::Output;
use crate::review::patch::{Coding, Patch};
use crate::review::record::Place as Spot;

mod group;
mod names;

/// A command line with places for what is to be shown: `{r}` and the other names of [`Template::PLACES`].
///
/// Words are split as a POSIX shell splits them, quotes and backslashes included, before anything is filled in; nothing else of a
/// shell is there. `{{` and `}}` stand for braces.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    program: Word,
    arguments: Vec<Word>,
}

/// One word of a command line, in pieces.
type Word = Vec<Piece>;

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    Text(String),
    Place(Place),
}

/// What is filled in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    Window(usize),
    Background(usize),
    WindowPercent,
    Bits,
    Range,
    Name,
    Set,
    Sequence,
    Step,
}

/// A command line that can't be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BadTemplate {
    /// A quote that isn't closed, or a backslash at the end.
    Unclosed,
    /// No word at all.
    Empty,
    /// A brace that belongs to no place.
    Brace,
    /// A place that there isn't.
    NoSuchPlace(String),
    /// A name within what a shell runs.
    Code(&'static str),
}

impl fmt::Display for BadTemplate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unclosed => f.write_str("a quote is not closed, or a backslash ends it"),
            Self::Empty => f.write_str("expected a program and its arguments"),
            Self::Brace => f.write_str("a brace belongs to no place: write {{ or }} for a brace itself"),
            Self::NoSuchPlace(name) => {
                let places: Vec<String> =
                    Template::PLACES.iter().map(|place| format!("{{{place}}}")).collect();
                write!(f, "there is no {{{name}}}: expected {}", places.join(", "))
            }
            Self::Code(name) => write!(
                f,
                "{{{name}}} in what a shell runs would be run with it: write \"$1\" there, and {{{name}}} as a word of its own behind: \
                 sh -c 'show \"$1\"' sh {{{name}}}"
            ),
        }
    }
}

impl std::error::Error for BadTemplate {}

impl Template {
    /// The places: code values of the window and of the rest of the screen, decimal, as the set's coding has them; the window's share of
    /// the screen's area, in per cent; bit depth; `full` or `narrow`; what people call the stimulus; where it belongs in the plan, as the
    /// record has it, empty for what is in no plan: a rest, and black at the end.
    pub const PLACES: [&'static str; 13] = [
        "r",
        "g",
        "b",
        "background_r",
        "background_g",
        "background_b",
        "window_percent",
        "bits",
        "range",
        "name",
        "set",
        "sequence",
        "step",
    ];

    /// The program and its arguments, filled in.
    fn filled(&self, patch: &Patch, coding: Coding, spot: Option<&Spot>) -> (String, Vec<String>) {
        let fill =
            |word: &Word| word.iter().map(|piece| piece.filled(patch, coding, spot)).collect::<String>();
        (fill(&self.program), self.arguments.iter().map(fill).collect())
    }
}

impl FromStr for Template {
    type Err = BadTemplate;

    fn from_str(text: &str) -> Result<Self, BadTemplate> {
        let words = shlex::split(text).ok_or(BadTemplate::Unclosed)?;
        let code = names::code(&words);
        let words = words.iter().map(|word| pieces(word)).collect::<Result<Vec<Word>, _>>()?;
        if let Some(name) = code.and_then(|at| words.get(at)).and_then(|word| names::first(word)) {
            return Err(BadTemplate::Code(name));
        }
        let mut words = words.into_iter();
        let program = words.next().ok_or(BadTemplate::Empty)?;
        Ok(Self { program, arguments: words.collect() })
    }
}

fn pieces(word: &str) -> Result<Word, BadTemplate> {
    let (mut pieces, mut text, mut rest) = (Vec::new(), String::new(), word);
    while let Some(at) = rest.find(['{', '}']) {
        let (before, brace) = rest.split_at(at);
        text.push_str(before);
        if let Some(after) = brace.strip_prefix("{{").or_else(|| brace.strip_prefix("}}")) {
            text.push_str(&brace[..1]);
            rest = after;
            continue;
        }
        let inside = brace.strip_prefix('{').and_then(|inside| inside.split_once('}'));
        let (name, after) = inside.ok_or(BadTemplate::Brace)?;
        pieces.push(Piece::Text(std::mem::take(&mut text)));
        pieces
            .push(Piece::Place(Place::named(name).ok_or_else(|| BadTemplate::NoSuchPlace(name.to_owned()))?));
        rest = after;
    }
    text.push_str(rest);
    pieces.push(Piece::Text(text));
    pieces.retain(|piece| *piece != Piece::Text(String::new()));
    Ok(pieces)
}

impl Place {
    fn named(name: &str) -> Option<Self> {
        Some(match name {
            "r" => Self::Window(0),
            "g" => Self::Window(1),
            "b" => Self::Window(2),
            "background_r" => Self::Background(0),
            "background_g" => Self::Background(1),
            "background_b" => Self::Background(2),
            "window_percent" => Self::WindowPercent,
            "bits" => Self::Bits,
            "range" => Self::Range,
            "name" => Self::Name,
            "set" => Self::Set,
            "sequence" => Self::Sequence,
            "step" => Self::Step,
            _ => return None,
        })
    }
}

impl Piece {
    fn filled(&self, patch: &Patch, coding: Coding, spot: Option<&Spot>) -> String {
        let of = |told: fn(&Spot) -> String| spot.map(told).unwrap_or_default();
        let code =
            |codes: [u16; 3], channel: usize| codes.get(channel).map(u16::to_string).unwrap_or_default();
        match self {
            Self::Text(text) => text.clone(),
            Self::Place(Place::Window(channel)) => code(patch.codes, *channel),
            Self::Place(Place::Background(channel)) => code(patch.background, *channel),
            Self::Place(Place::WindowPercent) => patch.window_percent.to_string(),
            Self::Place(Place::Bits) => coding.bits.to_string(),
            Self::Place(Place::Range) => match coding.range {
                Range::Full => "full".to_owned(),
                Range::Narrow => "narrow".to_owned(),
            },
            Self::Place(Place::Name) => patch.name.clone(),
            Self::Place(Place::Set) => of(|spot| spot.set.clone()),
            Self::Place(Place::Sequence) => of(|spot| spot.sequence.clone()),
            Self::Place(Place::Step) => of(|spot| spot.step.to_string()),
        }
    }
}

/// A program that shows one stimulus each time it is run.
#[derive(Debug)]
pub struct External {
    template: Template,
    limit: Duration,
    pause: Pause,
    /// Of the last stimulus that it was run for; nothing where it may have shown none.
    coding: Option<Coding>,
    /// Where in the plan the next stimulus belongs.
    spot: Option<Spot>,
    /// What its environment has beside ours.
    environment: Vec<(&'static str, OsString)>,
}

impl External {
    /// Runs `template` for each stimulus, for `limit` at most, and waits for `pause` more afterwards.
    #[must_use]
    pub fn new(template: Template, limit: Duration, pause: Pause) -> Self {
        Self { template, limit, pause, coding: None, spot: None, environment: Vec::new() }
    }

    /// Where in the plan the next stimulus belongs; nothing for what is in none.
    pub(super) fn announce(&mut self, spot: Option<Spot>) {
        self.spot = spot;
    }

    /// What its environment has beside ours from now on.
    pub(super) fn surround(&mut self, environment: Vec<(&'static str, OsString)>) {
        self.environment = environment;
    }

    /// What is run, without its folder.
    pub(super) fn program(&self) -> String {
        let text = |piece: &Piece| match piece {
            Piece::Text(text) => text.clone(),
            Piece::Place(_) => "…".to_owned(),
        };
        let whole: String = self.template.program.iter().map(text).collect();
        whole.rsplit('/').next().unwrap_or_default().to_owned()
    }

    /// Has it show black on the whole screen after the last stimulus. Whether it does.
    async fn black_out(&mut self) -> bool {
        let Some(coding) = self.coding.take() else { return true };
        self.spot = None;
        let codes = [coding.code(0.0); 3];
        let black = Patch { name: "black".to_owned(), codes, background: codes, window_percent: 100.0 };
        self.run(&black, coding).await.is_ok()
    }

    pub(super) async fn end_aloud(&mut self, output: Output) {
        if !self.black_out().await {
            caution(output, LEFT_ON);
        }
    }

    /// Runs it once, to its end.
    async fn run(&self, patch: &Patch, coding: Coding) -> Result<(), NotShown> {
        let (program, arguments) = self.template.filled(patch, coding, self.spot.as_ref());
        let failed = |why: String| NotShown::because(format!("{program} did not show {}: {why}", patch.name));
        // Standard output is for results alone: what it says there goes where its complaints go.
        let aside =
            std::io::stderr().as_fd().try_clone_to_owned().map_err(|error| failed(error.to_string()))?;
        let mut command = Command::new(&program);
        command.args(arguments).envs(self.environment.iter().map(|(name, value)| (name, value)));
        command.stdin(Stdio::null()).stdout(Stdio::from(aside)).kill_on_drop(true).process_group(0);
        let mut child = command.spawn().map_err(|error| {
            failed(format!("it can't be run ({error}): name it with its whole path in --show-command"))
        })?;
        // However this ends but by its own end, it takes along what it has started: nothing is to be shown behind our back.
        let group = Group::of(&child);
        let ended = timeout(self.limit, child.wait()).await.map_err(|_| {
            let limit = humantime::format_duration(self.limit);
            failed(format!("it took longer than {limit}, and was ended: give it more with --show-limit"))
        })?;
        let status = ended.map_err(|error| failed(error.to_string()))?;
        group.release();
        if !status.success() {
            return Err(failed(format!(
                "{}; what it said stands above. Run it by hand to see why",
                how(status)
            )));
        }
        Ok(())
    }
}

impl Screen for External {
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown> {
        // One that fails, or is ended half-way, may have shown it all the same.
        self.coding = Some(coding);
        self.run(patch, coding).await?;
        self.pause.over().await;
        Ok(())
    }

    async fn end(&mut self) {
        self.black_out().await;
    }
}

/// How it ended, in words.
fn how(status: ExitStatus) -> String {
    status.code().map_or_else(
        || format!("it was ended ({status})"),
        |code| format!("it ended with exit status {code}"),
    )
}

#[cfg(test)]
mod tests;
