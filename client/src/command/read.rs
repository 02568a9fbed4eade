//! `settle read`: one reading, settled or not.

use std::io::IsTerminal;

use clap::Args;
use serde_json::json;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::method::{MeterRead, ReadParams};
use settled_protocol::reading::Reading;

use super::patience::waiting;
use super::settled::CriteriaOptions;
use super::{Context, Exit, Failure, MeterArgument, flush, lease, settled, until_interrupted};
use crate::connection::CallError;
use crate::lease::inherited;
use crate::output::{CAUTION, FAINT, Output, STRONG, styled};
use crate::quantities::{integration, interval};
use crate::show;

pub(super) mod spectrum;

/// What a covered meter sees less of, in cd/m² or lx: far above any zero, far below a display that shows something.
const DARK: f64 = 1.0;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    meter: MeterArgument,
    /// Wait until the light has settled.
    #[arg(long)]
    settled: bool,
    /// The integration time; the meter's own choice if left out.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = integration)]
    integration: Option<f64>,
    /// A reading no older than this will do.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval, conflicts_with = "settled")]
    max_age: Option<f64>,
    /// The meter's aperture is covered: take a dark reading. It tells a drift of the meter's zero from one of the display.
    ///
    /// Where the light still moves, the answer of the next settling says which of the two it is; one that is settled names nobody.
    /// What isn't dark ends with the status 3. It does not zero the meter: settle zero does. A simulated meter has no cap: `settle stage show --colour 0` first.
    #[arg(long, conflicts_with_all = ["settled", "max_age"])]
    covered: bool,
    /// Write the spectrum alone, as CSV: a header, then a wavelength and its value a line.
    ///
    /// With --settled it is the mean of the spectra that the log has of the readings in the window that was judged, and a line before
    /// the header, which begins with #, says of how many.
    #[arg(long)]
    spectrum: bool,
    /// How long to wait while somebody else has the meter for themselves: not at all, if it is left out.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval)]
    wait: Option<f64>,
    #[command(flatten)]
    criteria: CriteriaOptions,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let typed = options.criteria.typed();
    if !options.settled && !typed.is_empty() {
        let need = if typed.len() == 1 { "needs" } else { "need" };
        return Err(Failure::Usage(format!("{} {need} --settled", typed.join(" and "))));
    }
    if options.spectrum && context.output.json {
        let words = match options.settled {
            false => "--spectrum writes CSV; --json has the spectrum in it anyway",
            true => "--spectrum writes CSV: choose one of it and --json",
        };
        return Err(Failure::Usage(words.to_owned()));
    }
    let connection = context.connect().await?;
    let meter = options.meter.resolve(&connection).await?;
    if options.settled {
        let asked = settled::Asked {
            meter,
            integration_s: options.integration,
            wait_s: options.wait,
            spectrum: options.spectrum,
        };
        return settled::run(context.output, &connection, asked, &options.criteria).await;
    }
    let params = ReadParams {
        lease: inherited(&meter),
        meter,
        integration_s: options.integration,
        max_age_s: options.max_age,
        covered: options.covered,
        wait_s: options.wait,
    };
    let what = format!("reading {}", params.meter);
    let call = async { Ok(waiting(context.output, &what, connection.call::<MeterRead>(&params)).await?) };
    let call = lease::awaited(context.output, &connection, &params.meter, params.wait_s, call);
    let reading = until_interrupted(call).await?;
    let Some(reading) = reading else {
        flush(&connection).await;
        return Ok(Exit::Interrupted);
    };
    let is_lit = options.covered && reading.light.value() > DARK;
    if is_lit {
        doubt(context.output, &reading);
    }
    if context.output.json {
        context.output.object(&reading)?;
    } else if options.spectrum {
        let Some(found) = &reading.spectrum else {
            let message = format!("{} gives no spectra", reading.meter);
            return Err(CallError::Refused(
                RpcError::new(ErrorKind::Unsupported, message).about(&reading.meter),
            )
            .into());
        };
        context.output.raw(&spectrum::columns(found, reading.light.photometric()))?;
    } else {
        in_words(context.output, &reading)?;
    }
    Ok(if is_lit { Exit::NotDark } else { Exit::Done })
}

/// Says of a covered reading that it is lit: before its value, which is of no dark, and is logged as one.
fn doubt(output: Output, reading: &Reading) {
    let words = format!(
        "that is not dark: is the aperture of {} covered? The reading is logged as a dark one all the same; cover it and take another",
        reading.meter
    );
    output.note(&styled(CAUTION, &words), &json!({ "caution": { "message": words } }));
}

fn in_words(output: Output, reading: &Reading) -> Result<(), Failure> {
    output.line(&styled(STRONG, &show::light(&reading.light)))?;
    let mut rows = Vec::new();
    rows.extend(reading.light.chromaticity().map(|colour| ("colour", show::chromaticity(colour))));
    rows.extend(reading.observer.map(|observer| ("observer", show::observer(observer).to_owned())));
    if let Some(found) = &reading.spectrum {
        rows.extend(spectrum::rows(found, reading.light.photometric()));
    }
    let corrected = |nm| format!("corrected for {} nm", show::wavelength(nm));
    rows.extend(reading.bandwidth_nm.map(|nm| ("bandwidth", corrected(nm))));
    rows.extend(reading.integration_s.map(|integration| ("integration", show::span(integration))));
    rows.extend(reading.temperature_c.map(|temperature| ("meter", format!("{temperature:.1} °C"))));
    rows.extend(reading.correction.clone().map(|correction| ("correction", correction)));
    rows.push(("taken", format!("{}, number {}", show::exact_moment(reading.at), reading.sequence)));
    for (name, words) in rows {
        output.line(&format!("  {}  {words}", styled(FAINT, &format!("{name:<11}"))))?;
    }
    let (uncorrected, flags) = show::uncorrected(&reading.flags, reading.correction.as_ref());
    if let Some(words) = uncorrected {
        output.line(&format!("  {}", styled(CAUTION, words)))?;
    }
    if !flags.is_empty() {
        output.line(&format!("  {}", styled(CAUTION, &show::flags(&reading.meter, &flags))))?;
    }
    if let Some(found) = reading.spectrum.as_ref().filter(|_| std::io::stdout().is_terminal()) {
        let ascii = crate::output::is_ascii_locale();
        for line in spectrum::curve(found, reading.light.photometric(), ascii) {
            output.line(&line)?;
        }
    }
    Ok(())
}
