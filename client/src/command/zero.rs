//! `settle zero`: a meter measures its own offset, with its aperture covered.

use std::io::IsTerminal;
use std::time::{Duration, Instant};

use clap::Args;
use settled_protocol::method::{MeterZero, MetersList, Nothing, ZeroParams, Zeroed};
use tokio::signal::unix::{SignalKind, signal};

use super::{Context, Exit, Failure, MeterArgument, flush, lease, prompt, until_interrupted};
use crate::connection::Connection;
use crate::lease::inherited;
use crate::output::{FAINT, GOOD, Output, styled};
use crate::quantities::interval;
use crate::show;

/// Between two looks at how long it has taken, on a terminal.
const STATUS: Duration = Duration::from_secs(1);

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    meter: MeterArgument,
    /// The aperture is covered already, so that no light gets in: don't ask.
    ///
    /// Whatever light gets in is taken off every reading from then on. Without a terminal to ask at this must be given.
    #[arg(long)]
    covered: bool,
    /// How long to wait while somebody else has the meter for themselves: not at all, if it is left out.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval)]
    wait: Option<f64>,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let output = context.output;
    if !options.covered && !std::io::stdin().is_terminal() {
        let message =
            "there is no terminal to ask at: cover the meter's aperture, then say so with --covered";
        return Err(Failure::Usage(message.to_owned()));
    }
    let connection = context.connect().await?;
    let meter = options.meter.resolve(&connection).await?;
    let asks = !options.covered && can_be_zeroed(&connection, &meter).await?;
    if asks && !is_covered(output, &meter).await? {
        return Ok(interrupted(output, "nothing was done"));
    }
    let params = ZeroParams { lease: inherited(&meter), meter, covered: true, wait_s: options.wait };
    let call = async {
        tokio::select! {
            zeroed = connection.call::<MeterZero>(&params) => Ok(zeroed?),
            never = progress(output, &params.meter) => never,
        }
    };
    let call = lease::awaited(output, &connection, &params.meter, params.wait_s, call);
    let zeroed = until_interrupted(call).await;
    output.end_status();
    let Some(zeroed) = zeroed? else {
        flush(&connection).await;
        return Ok(interrupted(
            output,
            "the request was taken back; a meter that had begun goes on to the end",
        ));
    };
    if output.json {
        output.object(&zeroed)?;
    } else {
        in_words(output, &zeroed)?;
    }
    Ok(Exit::Done)
}

fn interrupted(output: Output, what: &str) -> Exit {
    if !output.json {
        output.aside(&format!("interrupted: {what}"));
    }
    Exit::Interrupted
}

/// Whether there is something to cover. What there isn't, or what has no zero, the daemon refuses with its reason, whoever vouches for what.
async fn can_be_zeroed(connection: &Connection, meter: &str) -> Result<bool, Failure> {
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let found = meters.iter().find(|known| known.id == meter);
    Ok(found.is_some_and(|meter| meter.zero.is_some() || meter.instrument.is_none()))
}

/// Asks whoever sits at the terminal to cover the aperture. False where they leave without an answer.
async fn is_covered(output: Output, meter: &str) -> Result<bool, Failure> {
    // Listened for before it is offered.
    let mut interrupt = signal(SignalKind::interrupt())?;
    output.aside(&format!(
        "Cover the aperture of {meter} so that no light gets in, then press Enter (Ctrl-C leaves it as it is)."
    ));
    tokio::select! {
        _ = interrupt.recv() => Ok(false),
        answer = prompt::line() => Ok(answer.is_some()),
    }
}

/// Shows how long it has taken, on a terminal; ends never.
#[expect(clippy::disallowed_methods, reason = "how long a person has waited is no measurement")]
async fn progress(output: Output, meter: &str) -> Result<Zeroed, Failure> {
    let start = Instant::now();
    loop {
        output.status(&format!("{meter} is being zeroed: {}", show::wait(start.elapsed().as_secs_f64())));
        tokio::time::sleep(STATUS).await;
    }
}

fn in_words(output: Output, zeroed: &Zeroed) -> Result<(), Failure> {
    output.line(&format!("{} is {}. Uncover its aperture.", zeroed.meter, styled(GOOD, "zeroed")))?;
    output.line(&format!("  {}  {}", styled(FAINT, "taken"), show::moment(zeroed.at)))?;
    if let Some(next) = next(zeroed) {
        output.line(&format!("  {}  {next}", styled(FAINT, "next ")))?;
    }
    Ok(())
}

/// When it must be zeroed again.
fn next(zeroed: &Zeroed) -> Option<String> {
    let from = zeroed.temperature_c.map_or_else(String::new, |celsius| format!(" from {celsius:.1} °C"));
    let moved =
        zeroed.due_within_k.map(|kelvin| format!("once its temperature has moved by {kelvin} K{from}"));
    let at = zeroed.due.map(|due| format!("at {}", show::moment(due)));
    match (at, moved) {
        (Some(at), Some(moved)) => Some(format!("{at}, or {moved}")),
        (at, moved) => at.or(moved),
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::time::Timestamp;

    use super::*;

    #[test]
    fn the_next_is_told_as_far_as_it_is_known() {
        let at = Timestamp::from_unix_ns(1_795_629_600_000_000_000);
        let meter = "bench".to_owned();
        let bare = Zeroed { meter, at, t_s: 1.0, due: None, due_within_k: None, temperature_c: Some(31.46) };
        assert_eq!(next(&bare), None);
        let timed = Zeroed { due: Some(at), ..bare.clone() };
        assert_eq!(next(&timed).unwrap(), "at 2026-11-25T18:00:00.0Z");
        let both = Zeroed { due_within_k: Some(2.5), ..timed };
        let words = "at 2026-11-25T18:00:00.0Z, or once its temperature has moved by 2.5 K from 31.5 °C";
        assert_eq!(next(&both).unwrap(), words);
        let warm = Zeroed { due_within_k: Some(3.0), temperature_c: None, ..bare };
        assert_eq!(next(&warm).unwrap(), "once its temperature has moved by 3 K");
    }
}
