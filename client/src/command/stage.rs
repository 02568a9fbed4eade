//! `settle stage`: what a simulated display shows.

use clap::Subcommand;
use settled_protocol::method::{ShowParams, StageShow};
use settled_protocol::stage::Stimulus;

use super::{Context, Exit, Failure};
use crate::quantities::{colour, percent};

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Show a window of one colour on a background.
    Show {
        /// Code values R,G,B of the window, or one for a grey.
        #[arg(long, value_name = "CODES", value_parser = colour)]
        colour: [u16; 3],
        /// Code values of the rest of the screen.
        #[arg(long, value_name = "CODES", value_parser = colour, default_value = "0")]
        background: [u16; 3],
        /// Bit depth of the code values: 8, 10 or 12.
        #[arg(long, default_value_t = 10)]
        bits: u8,
        /// The window's share of the screen.
        #[arg(long, value_name = "PERCENT", value_parser = percent, default_value = "10%")]
        window: f64,
        /// The simulated meter that looks at the display; may be left out where there is only one.
        #[arg(long)]
        meter: Option<String>,
    },
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let Options::Show { colour, background, bits, window, meter } = options;
    let stimulus = Stimulus { colour, background, bits, window_percent: window };
    let shown = context.connect().await?.call::<StageShow>(&ShowParams { meter, stimulus }).await?;
    if context.output.json {
        context.output.object(&shown)?;
    } else {
        context
            .output
            .line(&format!("The simulated display of {} shows it since {}.", shown.meter, shown.at))?;
    }
    Ok(Exit::Done)
}
