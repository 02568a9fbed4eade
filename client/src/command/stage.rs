//! `settle stage`: what a simulated display shows.

use clap::{Args, Subcommand};
use settled_protocol::error::ErrorKind;
use settled_protocol::method::{MetersList, Nothing, ShowParams, Shown, StageShow};
use settled_protocol::stage::{Power, Range, Stimulus};

use super::{Context, Exit, Failure};
use crate::connection::{CallError, Connection};
use crate::lease;
use crate::quantities::{bits, colour, percent, position, range};
use crate::show;
use crate::stimulus::in_words;

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Show a window of one colour on a background, or switch the display off.
    #[command(mut_arg("colour", |colour| colour.required_unless_present("off")))]
    Show {
        #[command(flatten)]
        screen: Screen,
        /// Switch the display off: what is left is the room's light on its screen. Showing something switches it on again.
        #[arg(long, conflicts_with = "colour")]
        off: bool,
        /// Where meters look from now on: shares X,Y of the screen's width and height from the top left, such as 0.1,0.5; the middle if
        /// left out.
        #[arg(long, value_name = "X,Y", allow_hyphen_values = true, value_parser = position)]
        position: Option<[f64; 2]>,
        /// The simulated meter that looks at the display; may be left out where there is only one.
        #[arg(long)]
        meter: Option<String>,
    },
}

/// What is shown.
#[derive(Clone, Debug, Args)]
pub(super) struct Screen {
    /// Code values R,G,B of the window, or one for a grey.
    #[arg(long, value_name = "CODES", allow_hyphen_values = true, value_parser = colour)]
    colour: Option<[u16; 3]>,
    /// Code values of the rest of the screen.
    #[arg(
        long, value_name = "CODES", allow_hyphen_values = true, value_parser = colour, default_value = "0", requires = "colour"
    )]
    background: [u16; 3],
    /// Bit depth of the code values: 8, 10 or 12.
    #[arg(long, allow_hyphen_values = true, value_parser = bits, default_value = "10", requires = "colour")]
    bits: u8,
    /// What the code values stand for: full, from 0 up; or narrow, as in television, 64 to 940 at 10 bits.
    #[arg(long, value_name = "RANGE", value_parser = range, default_value = "full", requires = "colour")]
    range: Range,
    /// The window's share of the screen, with its %, such as 25%.
    #[arg(
        long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = percent, default_value = "10%", requires = "colour"
    )]
    window: f64,
}

impl Screen {
    /// The stimulus, checked; nothing where no colour was named.
    pub(super) fn stimulus(&self) -> Result<Option<Stimulus>, Failure> {
        let Self { colour, background, bits, range, window } = *self;
        let Some(colour) = colour else { return Ok(None) };
        for (option, codes) in [("--colour", colour), ("--background", background)] {
            let top = (1_u32 << bits) - 1;
            if codes.into_iter().any(|code| u32::from(code) > top) {
                let message = format!("{option}: code values at {bits} bits go from 0 to {top}");
                return Err(Failure::Usage(message));
            }
        }
        Ok(Some(Stimulus { colour, background, bits, range, window_percent: window, power: Power::On }))
    }
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let Options::Show { screen, off, position, meter } = options;
    let stimulus = if off { Some(Stimulus::off()) } else { screen.stimulus()? };
    let Some(stimulus) = stimulus else {
        return Err(Failure::Usage("which colour? Name it with --colour".to_owned()));
    };
    let connection = context.connect().await?;
    let is_named = meter.is_some();
    let lease = leases(&connection).await?;
    let shown = match connection.call::<StageShow>(&ShowParams { meter, stimulus, position, lease }).await {
        Err(CallError::Refused(error)) if !is_named && error.kind() == ErrorKind::InvalidParams => {
            return Err(which(&connection).await?);
        }
        shown => shown?,
    };
    if context.output.json {
        context.output.object(&shown)?;
    } else {
        let Shown { meter, at, .. } = shown;
        let does = if off { "is switched off".to_owned() } else { format!("shows {}", in_words(&stimulus)) };
        let at = show::moment(at);
        let looks = position.map(|[x, y]| format!(" Meters look at {x},{y} of its width and height."));
        let looks = looks.unwrap_or_default();
        context.output.line(&format!("The simulated display of {meter} {does} since {at}.{looks}"))?;
    }
    Ok(Exit::Done)
}

/// The leases that this runs under: several meters may look at the display, only the daemon knows which.
async fn leases(connection: &Connection) -> Result<Option<String>, CallError> {
    if !lease::is_under_any() {
        return Ok(None);
    }
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    Ok(lease::inherited_of(meters.iter().map(|meter| meter.id.as_str())))
}

/// The meters with a simulated display in front.
async fn simulated(connection: &Connection) -> Result<Vec<String>, CallError> {
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters.into_iter();
    Ok(meters.filter(|meter| meter.simulated && !meter.replayed).map(|meter| meter.id).collect())
}

/// Where several displays are simulated, one must be named. (Several meters may look at one: only the daemon knows.)
async fn which(connection: &Connection) -> Result<Failure, CallError> {
    let simulated = simulated(connection).await?;
    Ok(Failure::Usage(format!("which display? Name its meter with --meter: {}", simulated.join(", "))))
}
