//! When a run begins and ends, as it is typed.

use clap::Args;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use settled_protocol::method::ClockKind;
use settled_protocol::run::{Nightly, RunKind, RunPlan};
use settled_protocol::time::Timestamp;

use crate::command::{Failure, wall_clock};
use crate::connection::Connection;
use crate::local::{self, Typed};
use crate::quantities::{seconds, within};

/// A day, in s.
const DAY_S: f64 = 86_400.0;

/// From when, and for how long.
#[derive(Debug, Args)]
#[command(next_help_heading = "When")]
pub(super) struct When {
    /// How long it lasts, such as 12h. A warm-up: the longest wait [default: 2h]. Stability needs it, or --until. A drift without either
    /// goes on until it is stopped.
    #[arg(long = "for", value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 1.0..=31_557_600.0, "1s to 365 days"))]
    duration: Option<f64>,
    /// When it ends: the next 08:00 after it has begun, say, by the clock of this machine; or RFC 3339.
    #[arg(long, value_name = "TIME", conflicts_with = "duration")]
    until: Option<Typed>,
    /// When it begins: the next 18:00, say, or RFC 3339; at once if left out.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
    /// Begin anew every day at this time of the daemon's zone, 18:00 say, and last for as long as --for says, or until --until.
    #[arg(long, value_name = "TIME", value_parser = local::time_of_day, conflicts_with = "at")]
    nightly: Option<Time>,
    /// How many times in all; until it is stopped if left out.
    #[arg(long, value_name = "N", requires = "nightly", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    nights: Option<u32>,
}

/// The clock that times of day go by.
#[derive(Debug)]
pub(super) struct Almanac {
    pub(super) now: Timestamp,
    pub(super) zone: TimeZone,
    /// The daemon's clock is a simulated one, which no clock on the wall goes along with.
    pub(super) rehearses: bool,
}

impl Almanac {
    /// The one on this machine's wall. The daemon is asked about its own only where that matters.
    pub(super) async fn of(connection: &Connection, when: &When) -> Self {
        let matters = when.at.is_some() || when.until.is_some();
        let rehearses = matters
            && connection.introduce(None).await.is_ok_and(|hello| hello.clock.kind == ClockKind::Simulated);
        Self { now: wall_clock(), zone: local::zone(), rehearses }
    }
}

fn usage<T>(words: impl Into<String>) -> Result<T, Failure> {
    Err(Failure::Usage(words.into()))
}

impl When {
    /// How long it lasts, where that was typed.
    pub(super) fn duration_s(&self) -> Option<f64> {
        self.duration
    }

    /// Whether its end was typed as a moment.
    pub(super) fn has_end(&self) -> bool {
        self.until.is_some()
    }

    /// Writes it into a plan.
    pub(super) fn write(&self, plan: &mut RunPlan, almanac: &Almanac) -> Result<(), Failure> {
        plan.duration_s = self.duration;
        if let Some(at) = self.nightly {
            return self.write_nightly(plan, at);
        }
        let ends = self.duration.is_some() || self.until.is_some();
        if plan.kind == RunKind::Stability && !ends {
            return usage("how long is it to be held? Say it with --for 2h, or --until 08:00");
        }
        plan.start = self.at.map(|at| at.moment("--at", almanac.now, almanac)).transpose()?;
        let begins = plan.start.unwrap_or(almanac.now);
        plan.until = self.until.map(|until| until.moment("--until", begins, almanac)).transpose()?;
        if almanac.rehearses {
            // Only the daemon knows what time it is there.
            return Ok(());
        }
        if let Some(start) = plan.start.filter(|start| *start < almanac.now) {
            return usage(format!("--at must not be in the past: {start} is over"));
        }
        if let Some(until) = plan.until.filter(|until| *until <= begins) {
            return usage(format!("--until must be after it has begun: {until} is not after {begins}"));
        }
        Ok(())
    }

    /// A night that begins anew lasts for as long each time; until when, is said as how long.
    fn write_nightly(&self, plan: &mut RunPlan, at: Time) -> Result<(), Failure> {
        let duration_s = match (self.duration, self.until) {
            (Some(duration_s), _) => duration_s,
            (None, Some(Typed::Time(until))) => {
                let second = |time: Time| {
                    f64::from(time.hour()) * 3600.0
                        + f64::from(time.minute()) * 60.0
                        + f64::from(time.second())
                };
                let span_s = (second(until) - second(at)).rem_euclid(DAY_S);
                if span_s > 0.0 { span_s } else { DAY_S }
            }
            (None, Some(Typed::Moment(_))) => {
                return usage(
                    "with --nightly, --until takes a time of day such as 08:00; --nights says how often",
                );
            }
            (None, None) => return usage("how long is each night? Say it with --for 12h, or --until 08:00"),
        };
        if duration_s > DAY_S {
            return usage("a night that begins anew each day lasts a day at most: --for 24h");
        }
        plan.duration_s = Some(duration_s);
        plan.nightly = Some(Nightly { at: local::told(at), nights: self.nights });
        Ok(())
    }
}

impl Typed {
    /// The moment that was meant.
    fn moment(self, option: &str, after: Timestamp, almanac: &Almanac) -> Result<Timestamp, Failure> {
        if almanac.rehearses && matches!(self, Self::Time(_)) {
            return usage(format!(
                "{option}: the daemon's clock is simulated and goes by no clock on the wall: say how long with --for"
            ));
        }
        Ok(self.after(after, &almanac.zone))
    }
}
