//! `settle stage`: what a simulated display shows.

use clap::Subcommand;
use settled_protocol::method::{ShowParams, Shown, StageShow};
use settled_protocol::stage::Stimulus;

use super::{Context, Exit, Failure};
use crate::quantities::{colour, percent};
use crate::show;

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
        /// The window's share of the screen, with its %, such as 25%.
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
        let Shown { meter, at, .. } = shown;
        context.output.line(&format!(
            "The simulated display of {meter} shows {} since {}.",
            in_words(&stimulus),
            show::moment(at)
        ))?;
    }
    Ok(Exit::Done)
}

/// The whole of it, also what was left out on the command line.
fn in_words(stimulus: &Stimulus) -> String {
    let Stimulus { colour: [r, g, b], background: [x, y, z], bits, window_percent } = stimulus;
    format!("{r},{g},{b} in a window of {window_percent} % on {x},{y},{z} ({bits}-bit code values)")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_stimulus_is_told() {
        let words = in_words(&Stimulus { window_percent: 0.25, ..Stimulus::peak_white() });
        assert_eq!(words, "1023,1023,1023 in a window of 0.25 % on 0,0,0 (10-bit code values)");
    }
}
