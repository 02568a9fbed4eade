//! `settle lease`: a meter for oneself while a command runs.

use std::ffi::OsString;
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use serde_json::json;
use settled_protocol::lease::{Holder, LeaseParams, RenewParams};
use settled_protocol::meter::Meter;
use settled_protocol::method::{MeterRenew, MetersList, Nothing};
use settled_protocol::text::Text;

use super::{Context, Exit, Failure, MeterArgument, flush, until_interrupted};
use crate::connection::Connection;
use crate::lease::{Loss, inherited};
use crate::output::{CAUTION, Output, styled};
use crate::quantities::{interval, seconds, within};
use crate::show;
use crate::subscription::Event;
use running::Running;

pub mod leash;
mod running;

/// How long a wait is silent: most waits are shorter.
const SILENCE: Duration = Duration::from_secs(1);

/// How long giving the meter back may take; the end of the connection gives it back as well.
const GIVING_BACK: Duration = Duration::from_secs(2);

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    meter: MeterArgument,
    /// The lease is lost unless it is renewed within this time, a minute if it is left out: how long others wait where settle itself
    /// is stopped, or the machine sleeps.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 1.0..=3600.0, "1s to 1h"))]
    ttl: Option<f64>,
    /// How long to wait while somebody else has the meter: a minute, if it is left out.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval)]
    wait: Option<f64>,
    /// What it is for: shown to whoever waits. The command itself, if it is left out.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    purpose: Option<Text>,
    /// The command to run, after --.
    #[arg(last = true, required = true, value_name = "COMMAND")]
    command: Vec<OsString>,
}

fn text(words: &str) -> Result<Text, String> {
    Text::try_from(words.to_owned()).map_err(|error| error.to_string())
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let output = context.output;
    let connection = Arc::new(context.connect().await?);
    let meter = options.meter.resolve(&connection).await?;
    connection.introduce(text("settle lease").ok()).await?;
    if let Some(token) = inherited(&meter) {
        return under_the_one_there(output, &connection, token, &options.command).await;
    }
    let purpose = options.purpose.or_else(|| described(&options.command));
    let params = LeaseParams { meter, ttl_s: options.ttl, wait_s: options.wait, purpose };
    let wait = async {
        tokio::select! {
            lease = connection.lease(&params) => Ok(lease?),
            never = tell_who_has_it(output, &connection, &params.meter) => never,
        }
    };
    let Some(lease) = until_interrupted(wait).await? else {
        flush(&connection).await;
        return Ok(Exit::Interrupted);
    };
    let mut running = Running::start(output, &options.command, Some(&lease), connection.path())?;
    let (exit, was_said) = tokio::select! {
        biased;
        ended = running.ended() => (ended?, false),
        loss = lease.lost() => {
            let then = "the command goes on, and gets no more readings under it";
            say_lost(output, &params.meter, &loss, then);
            (running.ended().await?, true)
        }
    };
    let given_back = tokio::time::timeout(GIVING_BACK, lease.release()).await;
    if let (Ok(Err(loss)), false) = (given_back, was_said) {
        let then = "the command has ended, and may have got no more readings at the end";
        say_lost(output, &params.meter, &loss, then);
    }
    Ok(Exit::Command(exit))
}

/// Runs the command under the lease that this runs under already: waiting for that to end would be waiting for oneself. To keep it
/// is for whoever has taken it.
async fn under_the_one_there(
    output: Output,
    connection: &Connection,
    token: String,
    command: &[OsString],
) -> Result<Exit, Failure> {
    // Renewing it once is the way to ask whether it is in force; it lasts no longer than its holder may want anyway.
    connection.call::<MeterRenew>(&RenewParams { lease: token, ttl_s: None }).await?;
    let mut running = Running::start(output, command, None, connection.path())?;
    Ok(Exit::Command(running.ended().await?))
}

/// Waits for a request that waits for a meter, and tells who keeps it from us.
pub(super) async fn awaited<T>(
    output: Output,
    connection: &Connection,
    meter: &str,
    wait_s: Option<f64>,
    request: impl Future<Output = Result<T, Failure>>,
) -> Result<T, Failure> {
    if wait_s.is_none() || inherited(meter).is_some() {
        return request.await;
    }
    tokio::select! {
        outcome = request => outcome,
        never = tell_who_has_it(output, connection, meter) => never,
    }
}

/// What others read where no purpose was given.
fn described(command: &[OsString]) -> Option<Text> {
    let words: Vec<_> = command.iter().map(|word| word.to_string_lossy()).collect();
    let plain: String = words.join(" ").chars().filter(|c| !c.is_control()).take(60).collect();
    text(&plain).ok()
}

/// Tells who keeps the meter from us, after a moment, and again when somebody else does; ends never.
async fn tell_who_has_it<T>(output: Output, connection: &Connection, meter: &str) -> Result<T, Failure> {
    let mut changes = connection.observe_meters().await.ok();
    tokio::time::sleep(SILENCE).await;
    let mut said = None;
    if let Ok(list) = connection.call::<MetersList>(&Nothing {}).await {
        list.meters.iter().for_each(|known| tell(output, meter, known, &mut said));
    }
    while let Some(changes) = &mut changes {
        match changes.next().await {
            Some(Event::Meter(changed)) => tell(output, meter, &changed, &mut said),
            Some(_) => {}
            None => break,
        }
    }
    // The call that waits knows what has become of the connection.
    std::future::pending().await
}

fn tell(output: Output, meter: &str, known: &Meter, said: &mut Option<Holder>) {
    let is_new = |holder: &Holder| said.as_ref().is_none_or(|said| said.since != holder.since);
    if let Some(holder) = known.lease.as_ref().filter(|holder| known.id == meter && is_new(holder)) {
        let words = format!("{meter} is {}; waiting", held(holder));
        output.end_status();
        output.note(&styled(CAUTION, &words), &json!({ "waiting": { "meter": meter, "lease": holder } }));
        *said = Some(holder.clone());
    }
}

/// By whom a meter is held, for what and until when.
pub(super) fn held(holder: &Holder) -> String {
    format!("{}, until {} unless it is renewed", held_by(holder), show::moment(holder.expires_at))
}

/// By whom a meter is held, and for what.
pub(crate) fn held_by(holder: &Holder) -> String {
    let Holder { client, pid, purpose, .. } = holder;
    let client = client.as_ref().map_or("a client without a name", Text::as_str);
    let pid = pid.map_or_else(String::new, |pid| format!(" (process {pid})"));
    let purpose =
        purpose.as_ref().map_or_else(String::new, |purpose| format!(" for \"{}\"", purpose.as_str()));
    format!("leased by {client}{pid}{purpose}")
}

/// `then` says what that means for the command.
fn say_lost(output: Output, meter: &str, loss: &Loss, then: &str) {
    let why = loss.to_string();
    // What the daemon advises after that is for programs.
    let in_words = why.split_once("; ").map_or(why.as_str(), |(what, _)| what);
    let words = format!("the lease on {meter} is lost: {in_words}; {then}");
    output.note(&styled(CAUTION, &words), &json!({ "lease_lost": { "meter": meter, "message": why } }));
}
