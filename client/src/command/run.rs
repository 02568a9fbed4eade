//! `settle run`: have a meter watched unattended. The run belongs to the daemon, and outlives this program.

use std::time::Duration;

use clap::{Args, Subcommand};
use serde_json::json;
use settled_protocol::meter::Meter;
use settled_protocol::method::{MetersList, Nothing, RunsStart};
use settled_protocol::run::{AlertRules, Run, RunKind, RunPlan};
use settled_protocol::settling::Criteria;
use settled_protocol::text::Text;
use settled_protocol::time::Timestamp;

use super::runs::events::Events;
use super::runs::watch::{Manner, Watch};
use super::runs::words;
use super::settled::{Bands, Patience, Settling};
use super::stage::Screen;
use super::{Context, Exit, Failure, MeterArgument, until_interrupted};
use crate::connection::Connection;
use crate::output::{CAUTION, Output, styled};
use crate::quantities::{integration, interval, number, seconds, share, within};
use crate::runs::Watching;
use when::{Almanac, When};

mod when;

/// The longest wait for light to settle where none is typed, in s: the protocol's own.
const WARM_UP_S: f64 = 7200.0;

/// From this long on a patch that is held counts as a long one.
const LONG: Duration = Duration::from_secs(3600);

const CAUTION_WORDS: &str = "caution: long static patches leave marks on self-emitting panels: prefer a moderate grey; leave no mains \
     equipment on unattended unless its maker and local codes allow it";

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Until the light has settled, or it has taken too long.
    WarmUp(Box<WarmUp>),
    /// Does light that is held for a while stay within its bands?
    Stability(Box<Held>),
    /// How does it drift, overnight say: a burst of readings now and then.
    Drift(Box<Held>),
}

/// What every run has.
#[derive(Debug, Args)]
struct Common {
    #[command(flatten)]
    meter: MeterArgument,
    /// A name to know it by.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    label: Option<Text>,
    /// The integration time; the meter's own choice if left out.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = integration)]
    integration: Option<f64>,
    #[command(flatten)]
    when: When,
    #[command(flatten)]
    alerts: Alerts,
    #[command(flatten, next_help_heading = "What a simulated display shows from its start on")]
    screen: Screen,
    #[command(flatten)]
    stay: Stay,
}

/// What to be alarmed at.
#[derive(Debug, Args)]
#[command(next_help_heading = "Alerts")]
struct Alerts {
    /// Be alarmed where luminance is further from the first than this share of it, such as 2%.
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = within(share, 1e-6..=10.0, "0.0001% to 1000%"))]
    alert_luminance: Option<f64>,
    /// Be alarmed where chromaticity is further from the first than this, in u′v′.
    #[arg(long, value_name = "UV", allow_hyphen_values = true, value_parser = within(number, 1e-6..=1.0, "0.000001 to 1"))]
    alert_chromaticity: Option<f64>,
    /// Be alarmed where the meter has given no reading for longer than this, beyond its interval [default: 60s].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 1.0..=86_400.0, "1s to 24h"))]
    alert_lost: Option<f64>,
}

/// Whether to stay until it is over.
#[derive(Debug, Args)]
#[command(next_help_heading = "Waiting for its end")]
struct Stay {
    /// Stay, show how it gets on, and end as it ends: see the exit statuses in settle --help. Ctrl-C ends the waiting alone.
    #[arg(long)]
    wait: bool,
    /// With --wait: run this by sh at each alert, with the run and the alert as JSON on its standard input, and SETTLED_ALERT_RUN,
    /// _METER, _LABEL, _KIND, _AT and _MESSAGE in its environment. It has a minute. The daemon's own alert_command, in its config, needs nobody who waits.
    #[arg(long, value_name = "COMMAND", requires = "wait")]
    on_alert: Option<String>,
}

#[derive(Debug, Args)]
pub(super) struct WarmUp {
    #[command(flatten)]
    common: Common,
    #[command(flatten, next_help_heading = "What to call settled")]
    settling: Settling,
}

#[derive(Debug, Args)]
pub(super) struct Held {
    #[command(flatten)]
    common: Common,
    /// From the beginning of one burst to that of the next; 0 is without pause [default: drift 1min, stability 0].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval, help_heading = "When")]
    interval: Option<f64>,
    /// Readings of a burst, whose mean is one point.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000), help_heading = "When")]
    burst: Option<u32>,
    #[command(flatten, next_help_heading = "The bands that the light is held against")]
    bands: Bands,
}

/// A label of the user's own.
fn text(words: &str) -> Result<Text, String> {
    Text::try_from(words.to_owned()).map_err(|error| error.to_string())
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let output = context.output;
    let connection = context.connect_by_name().await?;
    let (common, mut plan) = split(options)?;
    common.write(&mut plan, &Almanac::of(&connection, &common.when).await)?;
    let Common { meter, stay, .. } = common;
    plan.meter = meter.resolve(&connection).await?;
    let run = connection.call::<RunsStart>(&plan).await?;
    if is_long(&run) && is_real(&connection, &run.plan.meter).await {
        output.note(&styled(CAUTION, CAUTION_WORDS), &json!({ "caution": { "message": CAUTION_WORDS } }));
    }
    if !stay.wait {
        return started(output, &run);
    }
    wait(output, connection, run, &stay).await
}

impl Common {
    /// Writes it into a plan; the meter is yet to be found.
    fn write(&self, plan: &mut RunPlan, almanac: &Almanac) -> Result<(), Failure> {
        plan.stimulus = self.screen.stimulus()?;
        self.when.write(plan, almanac)?;
        plan.label.clone_from(&self.label);
        plan.integration_s = self.integration;
        plan.alert = AlertRules {
            luminance: self.alerts.alert_luminance,
            chromaticity: self.alerts.alert_chromaticity,
            lost_s: self.alerts.alert_lost,
        };
        Ok(())
    }
}

/// What all of them have, and a plan with what its kind has beside.
fn split(options: Options) -> Result<(Common, RunPlan), Failure> {
    let plan = |kind, criteria, interval_s, burst| RunPlan {
        meter: String::new(),
        kind,
        label: None,
        criteria,
        integration_s: None,
        interval_s,
        burst,
        duration_s: None,
        until: None,
        start: None,
        nightly: None,
        stimulus: None,
        alert: AlertRules::default(),
    };
    Ok(match options {
        Options::WarmUp(options) => {
            let WarmUp { common, settling } = *options;
            let criteria = criteria(&settling, &common.when)?;
            (common, plan(RunKind::WarmUp, criteria, None, None))
        }
        Options::Stability(options) => {
            let Held { common, interval, burst, bands } = *options;
            (common, plan(RunKind::Stability, bands.criteria(), interval, burst))
        }
        Options::Drift(options) => {
            let Held { common, interval, burst, bands } = *options;
            (common, plan(RunKind::Drift, bands.criteria(), interval, burst))
        }
    })
}

/// The longest wait is how long the run lasts; where that is known as a moment alone, the daemon goes by that.
fn criteria(settling: &Settling, when: &When) -> Result<Criteria, Failure> {
    let ends = when.has_end();
    let most_s = when.duration_s().unwrap_or(if ends { f64::INFINITY } else { WARM_UP_S });
    settling.criteria(&Patience { option: "--for", most_s, by_default: when.duration_s().is_none() })
}

fn is_long(run: &Run) -> bool {
    let lasts = |ends: Timestamp| Duration::from_nanos(ends.unix_ns().saturating_sub(run.begins.unix_ns()));
    run.ends.is_none_or(|ends| lasts(ends) >= LONG)
}

/// Whether there is something in front of the meter that could be marked, or left on.
async fn is_real(connection: &Connection, meter: &str) -> bool {
    let is_it = |known: &Meter| known.id == meter && (known.simulated || known.replayed);
    connection.call::<MetersList>(&Nothing {}).await.is_ok_and(|list| !list.meters.iter().any(is_it))
}

fn started(output: Output, run: &Run) -> Result<Exit, Failure> {
    if output.json {
        output.object(run)?;
    } else {
        for line in words::started(run) {
            output.line(&line)?;
        }
    }
    Ok(Exit::Done)
}

/// Stays until it is over.
async fn wait(output: Output, connection: Connection, run: Run, stay: &Stay) -> Result<Exit, Failure> {
    let number = run.run;
    if !output.quiet && !output.json {
        words::started(&run).iter().for_each(|line| output.aside(line));
    }
    let watching = Watching::one(connection, run).await?;
    let manner = if output.quiet { Manner::Quiet } else { Manner::Aside };
    let mut watch = Watch::new(output, manner, stay.on_alert.clone());
    let Some(over) = until_interrupted(watch.one(watching)).await? else {
        watch.interrupted(Some(number));
        return Ok(Exit::Interrupted);
    };
    if output.json {
        output.object(&over)?;
    } else {
        for line in words::whole(&over, &Events::default()) {
            output.line(&line)?;
        }
    }
    Ok(words::exit(&over))
}

#[cfg(test)]
mod tests;
