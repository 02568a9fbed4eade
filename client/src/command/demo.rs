//! `settle demo`: the whole job on a simulated meter and display, without any set-up.
//!
//! The daemon runs in this process, on a clock that runs faster. What a person would type at it goes through the same socket.

use std::time::Duration;

use clap::Args;
use serde::Serialize;
use settled_protocol::log::Selection;
use settled_protocol::method::{
    DaemonStatus, LogReadings, MeterRead, MeterSettle, Nothing, ObserveParams, ReadParams, SettleParams,
    ShowParams, StageShow,
};
use settled_protocol::reading::Reading;
use settled_protocol::settling::{Criteria, Settled};
use settled_protocol::stage::Stimulus;

use super::settled::{Progress, in_words};
use super::{Exit, Failure};
use crate::connection::{CallError, Connection};
use crate::output::{CAUTION, FAINT, Output, STRONG, styled};
use crate::plot::Plot;
use crate::show;
use crate::statistics::Statistics;
use crate::subscription::Event;

mod bench;

use bench::{Bench, METER};

/// The wait that a hurried person would call long enough, in s.
const FIXED_WAIT_S: f64 = 30.0;

/// The night, in s, and how often a reading is taken.
const NIGHT_S: f64 = 8.0 * 3600.0;
const NIGHT_INTERVAL_S: f64 = 10.0;

/// How much faster time runs by day and by night.
const DAY: f64 = 40.0;
const NIGHT: f64 = 6000.0;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// The seed of the simulation.
    #[arg(long, default_value_t = 7)]
    seed: u32,
}

/// The demo's figures, for scripts.
#[derive(Debug, Serialize)]
struct Figures {
    simulated: bool,
    first_look_cd_m2: f64,
    fixed_wait_cd_m2: Option<f64>,
    settled: Settled,
    truth_cd_m2: Option<f64>,
    truth_a_hold_later_cd_m2: Option<f64>,
    shared: Shared,
    night: Night,
}

#[derive(Debug, Serialize)]
struct Shared {
    readings_of_each: [u64; 2],
    exposures: u64,
}

#[derive(Debug, Serialize)]
struct Night {
    readings: usize,
    mean_cd_m2: Option<f64>,
    sd_cd_m2: Option<f64>,
    min_cd_m2: Option<f64>,
    max_cd_m2: Option<f64>,
    last_hours_drift_percent_per_h: Option<f64>,
}

pub(super) async fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    let bench = Bench::start(options.seed, DAY).await?;
    let demo = Demo { output, bench };
    let told = tokio::select! {
        told = demo.tell() => told.map(|()| Exit::Done),
        _ = tokio::signal::ctrl_c() => Ok(Exit::Interrupted),
    };
    output.end_status();
    demo.bench.stop().await;
    told
}

struct Demo {
    output: Output,
    bench: Bench,
}

impl Demo {
    fn say(&self, text: &str) -> Result<(), Failure> {
        if self.output.json { Ok(()) } else { Ok(self.output.line(text)?) }
    }

    fn chapter(&self, title: &str) -> Result<(), Failure> {
        self.say("")?;
        self.say(&styled(STRONG, title))
    }

    async fn tell(&self) -> Result<(), Failure> {
        self.say(&styled(
            CAUTION,
            "Everything below is SIMULATED: the display, the meter, and time, which runs faster.",
        ))?;
        self.say("A small repair-and-rental workshop checks a returned batch of field monitors.")?;
        let connection = self.bench.connect().await?;
        let (first, settled) = self.cold_display(&connection).await?;
        let comparison = self.compare(&connection, &first, &settled).await?;
        let shared = self.share(&connection).await?;
        let night = self.night(&connection).await?;
        self.say("")?;
        self.say("Next: the guide, client/guide/src/first-evening.md, begins with a simulated meter of your own, and its commands to type.")?;
        self.say("With a real meter: README.md, \"With a real meter\". `settle --help` lists the commands.")?;
        if self.output.json {
            let [fixed_wait_cd_m2, truth_cd_m2, truth_a_hold_later_cd_m2] = comparison;
            let first_look_cd_m2 = first.light.value();
            let (simulated, shared) = (true, shared);
            self.output.object(&Figures {
                simulated,
                first_look_cd_m2,
                fixed_wait_cd_m2,
                settled,
                truth_cd_m2,
                truth_a_hold_later_cd_m2,
                shared,
                night,
            })?;
        }
        Ok(())
    }

    /// A first look, then the wait for a settled reading.
    async fn cold_display(&self, connection: &Connection) -> Result<(Reading, Settled), Failure> {
        self.chapter(
            "1. Monitor 3 of the batch, self-emitting, switched on cold, peak white in a 10 % window",
        )?;
        let read = ReadParams { meter: METER.to_owned(), ..ReadParams::default() };
        let first = connection.call::<MeterRead>(&read).await?;
        self.say(&format!("{} settle read", styled(FAINT, "$")))?;
        self.say(&format!(
            "{}   {}",
            show::light(&first.light),
            styled(CAUTION, &show::flags(&first.meter, &first.flags))
        ))?;
        self.say(&format!("{} settle read --settled", styled(FAINT, "$")))?;
        let criteria = Criteria::default();
        let params =
            SettleParams { meter: METER.to_owned(), criteria, progress: true, ..SettleParams::default() };
        let mut progress = Progress {
            output: self.output,
            hold_s: criteria.hold_s,
            quiet: self.output.json || self.output.quiet,
            last: None,
            kept_by: None,
        };
        let settled =
            connection.call_with_progress::<MeterSettle>(&params, |report| progress.show(&report)).await?;
        self.output.end_status();
        if !self.output.json {
            in_words(self.output, &settled)?;
        }
        Ok((first, settled))
    }

    /// What others would have said, against the truth that only a simulator knows. Gives the reading after the fixed wait, and the truth
    /// at the verdict and a hold later.
    async fn compare(
        &self,
        connection: &Connection,
        first: &Reading,
        settled: &Settled,
    ) -> Result<[Option<f64>; 3], Failure> {
        self.chapter("2. What the others would have said, and the truth, which the simulator knows")?;
        let page = connection.call::<LogReadings>(&Selection::default()).await?;
        let from_s = first.began_s;
        let waited = page.readings.iter().find(|reading| reading.began_s >= from_s + FIXED_WAIT_S);
        let verdict = settled
            .readings
            .and_then(|readings| page.readings.iter().find(|reading| reading.sequence == readings.last));
        let truth_at = |t_s: f64| self.bench.truth(t_s);
        let (Some(value), Some(verdict)) = (&settled.value, verdict) else { return Ok([None; 3]) };
        let (truth, later) = (truth_at(verdict.t_s), truth_at(verdict.t_s + Criteria::default().hold_s));
        self.row("a first look", first.light.value(), truth, "")?;
        if let Some(waited) = waited {
            self.row(
                &format!("after a fixed wait of {}", show::span(FIXED_WAIT_S)),
                waited.light.value(),
                truth,
                "",
            )?;
        }
        let interval = format!("± {:.2}", value.y_u95);
        self.row(&format!("settled, after {}", show::span(settled.waited_s)), value.y, truth, &interval)?;
        if let Some((truth, later)) = truth.zip(later) {
            self.row("the truth at that moment", truth, Some(truth), "")?;
            let moved = 100.0 * (later / truth - 1.0);
            self.say(&format!(
                "  The promise: within ±0.5 % for the next 60 s. The truth moved by {}.",
                percent(moved)
            ))?;
        }
        Ok([waited.map(|reading| reading.light.value()), truth, later])
    }

    fn row(&self, what: &str, value: f64, truth: Option<f64>, interval: &str) -> Result<(), Failure> {
        let off = truth.map_or_else(String::new, |truth| percent(100.0 * (value / truth - 1.0)));
        self.say(&format!("  {what:<28} {value:>8.2} {interval:<7} cd/m²  {off:>8}"))
    }

    /// Two programs settle at once.
    async fn share(&self, connection: &Connection) -> Result<Shared, Failure> {
        self.chapter("3. Two programs, one meter")?;
        let other = self.bench.connect().await?;
        let criteria = Criteria { hold_s: 120.0, min_wait_s: 60.0, ..Criteria::default() };
        let params = SettleParams { meter: METER.to_owned(), criteria, ..SettleParams::default() };
        let before = exposures(connection).await?;
        let both = tokio::join!(connection.call::<MeterSettle>(&params), other.call::<MeterSettle>(&params));
        let (one, two) = (both.0?, both.1?);
        let exposures = exposures(connection).await? - before;
        let count = |settled: &Settled| settled.readings.map_or(0, |readings| readings.count);
        let readings_of_each = [count(&one), count(&two)];
        self.say(&format!(
            "  Each asked for a settled reading; they saw {} and {} readings, from {exposures} exposures in all.",
            readings_of_each[0], readings_of_each[1]
        ))?;
        Ok(Shared { readings_of_each, exposures })
    }

    /// A night of drift, in a few seconds.
    async fn night(&self, connection: &Connection) -> Result<Night, Failure> {
        self.chapter("4. A night of drift: a grey patch held for 8 h, a reading every 10 s")?;
        self.say(&styled(FAINT, "   (On a real self-emitting panel a static patch may leave a mark; see the cautions in README.md.)"))?;
        let stimulus = Stimulus { colour: [400; 3], ..Stimulus::peak_white() };
        let shown = connection
            .call::<StageShow>(&ShowParams { meter: None, stimulus, position: None, lease: None })
            .await?;
        self.bench.set_speed(NIGHT);
        let points = self.log_the_night(connection, shown.t_s).await?;
        self.bench.set_speed(DAY);
        let plot = Plot { width: 64, height: 9, levels: &[], ascii: false, across: None };
        for row in plot.rows(&points) {
            self.say(&row)?;
        }
        self.say(&plot.foot("0 h", "8 h"))?;
        let settled: Vec<(f64, f64)> = points.iter().copied().filter(|(hours, _)| *hours >= 4.0).collect();
        let (all, late) = (Statistics::of(&points), Statistics::of(&settled));
        let drift = late.map(|late| 100.0 * late.slope_per_s / late.mean);
        if let (Some(all), Some(drift)) = (all, drift) {
            self.say(&format!(
                "  n {}   mean {:.3}   sd {:.3}   range {:.3} to {:.3} cd/m²   drift over the last 4 h {drift:+.3} % per h",
                all.n, all.mean, all.sd, all.min, all.max
            ))?;
        }
        Ok(Night {
            readings: points.len(),
            mean_cd_m2: all.map(|all| all.mean),
            sd_cd_m2: all.map(|all| all.sd),
            min_cd_m2: all.map(|all| all.min),
            max_cd_m2: all.map(|all| all.max),
            last_hours_drift_percent_per_h: drift,
        })
    }

    /// Readings as `(h, cd/m²)`, of light from `start_s` on, until the night is over.
    async fn log_the_night(&self, connection: &Connection, start_s: f64) -> Result<Vec<(f64, f64)>, Failure> {
        let interval_s = Some(NIGHT_INTERVAL_S);
        let meter = METER.to_owned();
        let params = ObserveParams { meter, interval_s, ..ObserveParams::default() };
        let mut subscription = connection.observe(&params).await?;
        let mut points = Vec::new();
        loop {
            let event = tokio::time::timeout(Duration::from_secs(30), subscription.next()).await;
            let reading = match event {
                Ok(Some(Event::Reading(reading))) if reading.began_s >= start_s => reading,
                // An exposure that others had begun before.
                Ok(Some(Event::Reading(_))) => continue,
                Ok(Some(Event::Missed(_) | Event::Meter(_) | Event::Run(..))) => continue,
                Ok(None) | Err(_) => return Err(CallError::Closed.into()),
            };
            let passed_s = reading.t_s - start_s;
            points.push((passed_s / 3600.0, reading.light.value()));
            if passed_s >= NIGHT_S {
                return Ok(points);
            }
            if points.len() % 50 == 0 && !self.output.json {
                let left = (NIGHT_S - passed_s) / NIGHT;
                self.output.status(&format!("  {:.1} of 8 h, {left:.0} s to go", passed_s / 3600.0));
            }
        }
    }
}

/// A change in per cent; what rounds to nothing has no sign.
fn percent(change: f64) -> String {
    let words = format!("{change:+.2} %");
    if words.trim_start_matches(['+', '-']) == "0.00 %" { "0.00 %".to_owned() } else { words }
}

async fn exposures(connection: &Connection) -> Result<u64, Failure> {
    let status = connection.call::<DaemonStatus>(&Nothing {}).await?;
    Ok(status.meters.iter().map(|meter| meter.exposures).sum())
}
