//! `settle live`: meters, runs and events on the whole screen, as they change.

use std::io::{self, IsTerminal};

use clap::Args;
use settled_protocol::method::{MetersList, Nothing};

use super::settled::{Patience, Settling};
use super::signals::asked_to_end;
use super::{Context, Exit, Failure};
use crate::live::feed::{Feed, Order};
use crate::live::keys::Key;
use crate::live::pen::Means;
use crate::live::screen::Screen;
use crate::live::show::{End, show};
use crate::live::state::{State, Wish};
use crate::output::is_ascii_locale;

/// As long as criteria let anyone wait, in s: who watches may go on watching.
const PATIENCE_S: f64 = 604_800.0;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// The meter to begin with, by its id; the first one if left out. Arrow keys choose another.
    meter: Option<String>,
    /// Ask for readings of it without pause, as the key m does; without it, only what others measure is seen.
    #[arg(long)]
    measure: bool,
    #[command(flatten)]
    settling: Settling,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let criteria = options.settling.criteria(&Patience {
        option: "the longest wait",
        most_s: PATIENCE_S,
        by_default: true,
    })?;
    if context.output.json {
        return Err(Failure::Usage(format!("settle live draws on a terminal: {ELSE} for programs")));
    }
    if !io::stdout().is_terminal() || !io::stdin().is_terminal() || is_dumb() {
        return Err(Failure::Usage(format!("settle live needs a terminal to draw on: {ELSE} without one")));
    }
    let connection = context.connect_by_name().await?;
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    if let Some(meter) = options.meter.as_ref().filter(|id| meters.iter().all(|meter| meter.id != **id)) {
        let ids: Vec<&str> = meters.iter().map(|meter| meter.id.as_str()).collect();
        return Err(Failure::Usage(format!("there is no meter {meter}; there are {}", ids.join(", "))));
    }
    let feed = Feed::begin(connection);
    let mut state = State::new(criteria, meters, options.meter);
    if options.measure
        && let Some(Wish::Measure { meter, on }) = state.press(Key::Sign('m'))
    {
        let _taken = feed.orders.send(Order { meter, on }).await.is_ok();
    }
    // From here on a signal that ends the program ends the picture first.
    let asked = asked_to_end();
    let screen = Screen::enter().map_err(Failure::Output)?;
    let end = tokio::select! {
        end = show(screen, state, feed, means()) => end.map_err(Failure::Output)?,
        () = asked => End::Interrupted,
    };
    match end {
        End::Wanted => Ok(Exit::Done),
        End::Interrupted | End::Gone => Ok(Exit::Interrupted),
        End::Broken => {
            Err(Failure::Internal("settle live is broken: what stands above says where".to_owned()))
        }
    }
}

/// What does the same in lines.
const ELSE: &str = "settle observe and settle meters --json do";

/// Whether the terminal says that it can do nothing but write lines.
fn is_dumb() -> bool {
    std::env::var("TERM").is_ok_and(|name| name.is_empty() || name == "dumb")
}

/// What the terminal can show.
fn means() -> Means {
    let colour = anstream::AutoStream::choice(&io::stdout()) != anstream::ColorChoice::Never;
    Means { colour, ascii: is_ascii_locale() }
}
