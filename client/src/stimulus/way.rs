//! Which way stimuli are shown, from the command line.

use std::ffi::OsString;
use std::net::SocketAddr;
use std::time::Duration;

use clap::{Args, ValueEnum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::command::{External, Template};
use super::page::{Manner, Page};
use super::prompt::Prompt;
use super::stage::Stage;
use super::{NotShown, Screen};
use crate::asking;
use crate::evaluate::aim::Transfer;
use crate::output::Output;
use crate::quantities::{seconds, within};
use crate::review::patch::{Coding, Patch};
use crate::review::record::Place;
use crate::review::record::shown::Means;

/// How stimuli are shown.
#[derive(Clone, Debug, Args)]
#[command(next_help_heading = "How stimuli are shown")]
pub struct Way {
    /// How stimuli come onto the display [default: stage in front of a simulated meter, else page].
    #[arg(long, value_enum, value_name = "WAY")]
    show: Option<Kind>,
    /// With page: this machine's address on the display's network, where the display's browser finds the page; with a port, or without
    /// [default: 127.0.0.1, for a browser on this machine]. Whoever is on that network can listen in, as nothing is encrypted.
    #[arg(long, value_name = "ADDRESS", value_parser = super::page::address)]
    page_address: Option<SocketAddr>,
    /// With page: how long to wait for the page, at first and whenever it is away.
    #[arg(long, value_name = "TIME", default_value = "10min", allow_hyphen_values = true, value_parser = limit)]
    page_wait: f64,
    /// A command that shows a stimulus, and ends with 0 once it is to be seen. It is run without a shell; filled in are {r}, {g}, {b},
    /// {background_r}, {background_g}, {background_b} (code values), {window_percent}, {bits}, {range} (full or narrow), {name}, and where the record has it: {set}, {sequence} and {step} (from 0).
    #[arg(long, value_name = "COMMAND", value_parser = template)]
    show_command: Option<Template>,
    /// How long that command may take.
    #[arg(long, value_name = "TIME", default_value = "30s", allow_hyphen_values = true, value_parser = limit)]
    show_limit: f64,
    /// How long to wait after each stimulus before it is read, for a display that takes its time to show it; not with stage
    /// [default: 0.3s with page, else 0s].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 0.0..=600.0, "0 to 10min"))]
    show_pause: Option<f64>,
}

/// A browser knows when it has drawn, but not when the display shows it, in s. Some televisions are a tenth of a second late (common
/// practice, no source).
const PAGE_PAUSE_S: f64 = 0.3;

/// The ways there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A page in the display's own browser, full screen, 8-bit code values; its address is printed.
    Page,
    /// The command of --show-command, for a generator or a player.
    Command,
    /// You show each by hand, and press Enter.
    Prompt,
    /// The simulated display in front of a simulated meter.
    Stage,
}

fn limit(text: &str) -> Result<f64, String> {
    within(seconds, 1.0..=86_400.0, "1s to 24h")(text)
}

fn duration(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or(Duration::MAX)
}

fn template(text: &str) -> Result<Template, String> {
    text.parse().map_err(|error: super::command::BadTemplate| error.to_string())
}

/// How long to wait once a stimulus should be on the screen, where nobody can tell whether it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pause(pub Duration);

impl Pause {
    pub(super) async fn over(self) {
        tokio::time::sleep(self.0).await;
    }
}

impl Way {
    /// Which it is. `simulated` if the meter looks at a simulated display.
    #[must_use]
    pub fn kind(&self, simulated: bool) -> Kind {
        self.show.unwrap_or(match (&self.show_command, self.page_address, simulated) {
            (Some(_), ..) => Kind::Command,
            (None, None, true) => Kind::Stage,
            (None, Some(_), _) | (None, None, false) => Kind::Page,
        })
    }

    /// What is wrong with the options together, if something is. `simulated` if the meter looks at a simulated display.
    #[must_use]
    pub fn mistake(&self, simulated: bool) -> Option<String> {
        let kind = self.kind(simulated);
        let words = match kind {
            Kind::Command if self.show_command.is_none() => "--show command needs --show-command",
            Kind::Page | Kind::Prompt | Kind::Stage if self.show_command.is_some() => {
                "--show-command goes with --show command alone"
            }
            Kind::Command | Kind::Prompt | Kind::Stage if self.page_address.is_some() => {
                "--page-address goes with --show page alone"
            }
            Kind::Stage if self.show_pause.is_some_and(|pause_s| pause_s > 0.0) => {
                "--show-pause does not go with --show stage: a simulated display tells when a stimulus is shown"
            }
            Kind::Stage if !simulated => "--show stage needs a simulated meter",
            Kind::Command | Kind::Page | Kind::Prompt | Kind::Stage => return None,
        };
        Some(words.to_owned())
    }

    /// Whether stimuli of this coding reach the screen as they are, and what they mean there is what `transfer` says. Can be asked before
    /// anything is opened. `simulated` if the meter looks at a simulated display.
    ///
    /// # Errors
    /// [`NotShown`], with what to take instead.
    pub fn can_show(&self, simulated: bool, coding: Coding, transfer: Transfer) -> Result<(), NotShown> {
        match self.kind(simulated) {
            Kind::Page => super::page::can_be_held_against(coding, transfer),
            Kind::Command | Kind::Prompt | Kind::Stage => Ok(()),
        }
    }

    /// What is wrong with showing a stimulus of this name, if something is: a command would take it for something else.
    #[must_use]
    pub fn mistaken(&self, name: &str, place: &Place) -> Option<String> {
        self.show_command.as_ref().and_then(|template| template.mistake(name, place))
    }

    /// How long to wait after each stimulus.
    fn pause(&self, simulated: bool) -> Pause {
        let usual_s = if self.kind(simulated) == Kind::Page { PAGE_PAUSE_S } else { 0.0 };
        Pause(duration(self.show_pause.unwrap_or(usual_s)))
    }

    /// Gets it ready. `stage` is the simulated display that the meter looks at, if it does. A page says its address, and is waited
    /// for when the first stimulus is shown.
    ///
    /// # Errors
    /// [`NotShown`]: a [`mistake`](Self::mistake), or an address that can't be had.
    pub async fn open<'a>(&self, output: Output, stage: Option<Stage<'a>>) -> Result<Showing<'a>, NotShown> {
        let simulated = stage.is_some();
        if let Some(mistake) = self.mistake(simulated) {
            return Err(NotShown::because(mistake));
        }
        let pause = self.pause(simulated);
        let screen = match (self.kind(simulated), stage, &self.show_command) {
            (Kind::Stage, Some(stage), _) => AnyScreen::Stage(stage),
            (Kind::Command, _, Some(template)) => {
                AnyScreen::Command(External::new(template.clone(), duration(self.show_limit), pause))
            }
            (Kind::Page, ..) => {
                let manner = Manner { address: self.page_address, patience: duration(self.page_wait), pause };
                AnyScreen::Page(Box::new(Page::open(output, &manner).await?))
            }
            // The first two are mistakes, without what they need.
            (Kind::Stage | Kind::Command | Kind::Prompt, ..) => AnyScreen::Prompt(Prompt::new(output, pause)),
        };
        Ok(Showing { output, screen, pause })
    }
}

/// Any of the ways, ready to show.
#[derive(Debug)]
pub struct Showing<'a> {
    output: Output,
    screen: AnyScreen<'a>,
    pause: Pause,
}

#[derive(Debug)]
enum AnyScreen<'a> {
    Page(Box<Page>),
    Command(External),
    Prompt(Prompt),
    Stage(Stage<'a>),
}

impl Showing<'_> {
    /// Has the meter look at a place: shares of the screen's width and height from its top left; the middle if absent. The simulated
    /// one does from the next stimulus on; else someone is asked, in `words`, and waited for. A page marks the place meanwhile.
    ///
    /// # Errors
    /// [`NotShown`], where nobody is there, or the page isn't.
    pub async fn look_at(&mut self, position: Option<[f64; 2]>, words: &str) -> Result<(), NotShown> {
        match &mut self.screen {
            AnyScreen::Stage(stage) => {
                stage.look_at(position);
                return Ok(());
            }
            AnyScreen::Page(page) => page.mark(position.unwrap_or([0.5, 0.5])).await?,
            AnyScreen::Command(_) | AnyScreen::Prompt(_) => {}
        }
        asking::enter(self.output, words).await.map_err(|error| NotShown::because(error.to_string()))
    }

    /// Says where in the plan the next stimulus belongs; nothing for what is in none, a rest say. Only a command is told.
    pub fn announce(&mut self, place: Option<&Place>) {
        if let AnyScreen::Command(command) = &mut self.screen {
            command.announce(place.cloned());
        }
    }

    /// What a command finds in its environment from now on, beside what is in ours.
    pub fn surround(&mut self, environment: Vec<(&'static str, OsString)>) {
        if let AnyScreen::Command(command) = &mut self.screen {
            command.surround(environment);
        }
    }

    /// How it shows stimuli, for whoever reads what was measured; nothing as long as a page hasn't drawn the last one.
    #[must_use]
    pub fn means(&self) -> Option<Means> {
        let of = |way| Means {
            way,
            pause_s: self.pause.0.as_secs_f64(),
            program: None,
            page: None,
            cautions: Vec::new(),
        };
        Some(match &self.screen {
            AnyScreen::Page(page) => {
                let view = page.view()?;
                let cautions = view.cautions().map(str::to_owned).collect();
                Means { page: Some(view.geometry()), cautions, ..of(Kind::Page) }
            }
            AnyScreen::Command(command) => Means { program: Some(command.program()), ..of(Kind::Command) },
            AnyScreen::Prompt(_) => of(Kind::Prompt),
            AnyScreen::Stage(_) => of(Kind::Stage),
        })
    }

    /// Whether somebody must be there for each stimulus.
    #[must_use]
    pub fn is_by_hand(&self) -> bool {
        matches!(self.screen, AnyScreen::Prompt(_))
    }
}

impl Screen for Showing<'_> {
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown> {
        match &mut self.screen {
            AnyScreen::Page(page) => page.show(patch, coding).await,
            AnyScreen::Command(command) => command.show(patch, coding).await,
            AnyScreen::Prompt(prompt) => prompt.show(patch, coding).await,
            AnyScreen::Stage(stage) => stage.show(patch, coding).await,
        }
    }

    fn can_show(&self, coding: Coding) -> Result<(), NotShown> {
        match &self.screen {
            AnyScreen::Page(page) => page.can_show(coding),
            AnyScreen::Command(command) => command.can_show(coding),
            AnyScreen::Prompt(prompt) => prompt.can_show(coding),
            AnyScreen::Stage(stage) => stage.can_show(coding),
        }
    }

    fn disturbed(&mut self) -> Option<String> {
        match &mut self.screen {
            AnyScreen::Page(page) => page.disturbed(),
            AnyScreen::Command(command) => command.disturbed(),
            AnyScreen::Prompt(prompt) => prompt.disturbed(),
            AnyScreen::Stage(stage) => stage.disturbed(),
        }
    }

    async fn end(&mut self) {
        match &mut self.screen {
            AnyScreen::Page(page) => page.end().await,
            AnyScreen::Command(command) => command.end_aloud(self.output).await,
            AnyScreen::Prompt(prompt) => prompt.end().await,
            AnyScreen::Stage(stage) => stage.end_aloud(self.output).await,
        }
    }
}

#[cfg(test)]
mod tests;
