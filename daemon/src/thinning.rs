//! When old readings give way to bins: a while after the start, then once a day, in small steps with long pauses in between.
//!
//! What is thinned is gone for good, so UTC alone is not believed: a machine whose clock runs years ahead, or did until it asked the
//! network, would thin its whole log. Nothing is thinned that the log itself doesn't show to be old, too (`log/witnessed.rs`), and nothing
//! as long as a clock that was just set may be set back.

use settled_drivers::clock::Clock as _;
use settled_protocol::error::RpcError;
use settled_protocol::log::EventKind;
use settled_protocol::time::Timestamp;
use tokio::sync::watch;

use crate::clock::Clock;
use crate::config::Retention;
use crate::log::{Happening, Log, Mark, Order, Thinned};
use crate::stop::Stop;

/// From the start to the first round, in s: by then UTC has been set, where the network does that.
const AFTER_START_S: f64 = 600.0;

/// From one round to the next, in s.
const EVERY_S: f64 = 86_400.0;

/// UTC that has moved further than this, in s, against the boot clock since the last look was set.
const SET_S: f64 = 60.0;

/// Between two boots UTC is believed for this long, in s, and for this share of what readings are kept for: a clock that was set wrongly
/// takes so much of that, each time, and a machine that is off for longer keeps its readings for longer.
const BELIEVED_S: f64 = 7.0 * 86_400.0;
const BELIEVED: f64 = 0.1;

/// What is left though UTC calls it older than it must be by this share is told.
const TOLD: f64 = 0.1;

/// The pause after a step, by the time that the step took: nine tenths of the writer's time are for new readings.
const PAUSE: f64 = 9.0;

/// Thins until the daemon stops. What the config says anew holds from the next round on; a round that is under way and no more wanted so
/// is ended.
pub(crate) async fn run(
    wanted: watch::Receiver<Option<Retention>>,
    clock: &Clock,
    log: &Log,
    mut stop: Stop,
) {
    let rounds = async {
        let mut offset_s = offset_s(clock);
        let mut due_s = clock.now_s() + AFTER_START_S;
        let mut is_held = false;
        loop {
            clock.sleep_until(due_s).await;
            let now_s = self::offset_s(clock);
            let was_set = (now_s - offset_s).abs() > SET_S;
            offset_s = now_s;
            let retention = *wanted.borrow();
            if let Some(retention) = retention {
                if was_set {
                    tracing::warn!("UTC was set since the last look: nothing is thinned this time");
                } else {
                    match round(retention, &wanted, clock, log).await {
                        Ok(holds) => {
                            if holds && !is_held {
                                log.event(clock, held(retention, clock.now().at)).await;
                            }
                            is_held = holds;
                        }
                        Err(error) => {
                            tracing::warn!(
                                error = error.message,
                                "thinning the log; it is tried again in a day"
                            );
                        }
                    }
                }
            }
            due_s = clock.now_s() + EVERY_S;
        }
    };
    tokio::select! { () = stop.wait() => {} () = rounds => {} }
}

/// UTC less the boot clock, in s.
#[expect(clippy::cast_precision_loss, reason = "a second is fine enough")]
fn offset_s(clock: &Clock) -> f64 {
    let now = clock.now();
    now.at.unix_ns() as f64 / 1e9 - now.t_s
}

/// Thins what is old enough now, and writes down what that came to. Whether there is more that only UTC calls old.
async fn round(
    retention: Retention,
    wanted: &watch::Receiver<Option<Retention>>,
    clock: &Clock,
    log: &Log,
) -> Result<bool, RpcError> {
    let (before_ns, span_ns) = border(retention, clock.now().at);
    let believed_s = BELIEVED_S.min(BELIEVED * retention.keep_s);
    let through = log.old_enough(clock, retention.keep_s, believed_s).await?;
    let mut all = Thinned::default();
    // Numbers begin with 1.
    let mut place = through.map(|_| Mark::default());
    let through = through.unwrap_or(0);
    while let Some(at) = place.filter(|_| *wanted.borrow() == Some(retention)) {
        let began_s = clock.now_s();
        let step = log.thin(Order { before_ns, span_ns, through, place: at }).await?;
        all = sum(all, step);
        place = step.place;
        let now_s = clock.now_s();
        clock.sleep_until(now_s + PAUSE * (now_s - began_s)).await;
    }
    if all.readings + all.dark > 0 {
        let total = log.thinned().await?;
        log.event(clock, Happening::new(EventKind::LogThinned, told(retention, before_ns, &all, total)))
            .await;
    }
    let much_older = Retention { keep_s: (1.0 + TOLD) * retention.keep_s, ..retention };
    log.is_younger(border(much_older, clock.now().at).0, through).await
}

/// That readings are left which only UTC calls old enough.
fn held(retention: Retention, now: Timestamp) -> Happening {
    let keep = humantime::format_duration(std::time::Duration::from_secs_f64(retention.keep_s));
    let detail = format!(
        "readings that are older than {keep} by UTC, which is {now}, are left as they are: the log itself does not show that so much time \
         has passed since. They are thinned once it does. Where UTC is right there is nothing to do: a machine that was off for long looks \
         the same"
    );
    Happening::new(EventKind::ThinningHeld, detail)
}

/// Before when readings are old enough, at the edge of a bin; and how long that is. Both in ns.
#[expect(clippy::cast_possible_truncation, reason = "the config's times are far below the largest number")]
fn border(retention: Retention, now: Timestamp) -> (i64, i64) {
    let span_ns = (retention.thin_to_s * 1e9).round() as i64;
    let now_ns = i64::try_from(now.unix_ns()).unwrap_or(i64::MAX);
    let before_ns = now_ns.saturating_sub((retention.keep_s * 1e9) as i64).max(0);
    (before_ns - before_ns % span_ns, span_ns)
}

fn sum(all: Thinned, step: Thinned) -> Thinned {
    Thinned {
        readings: all.readings + step.readings,
        dark: all.dark + step.dark,
        held: all.held + step.held,
        bins: all.bins + step.bins,
        place: step.place,
    }
}

fn told(retention: Retention, before_ns: i64, all: &Thinned, total: u64) -> String {
    let before = Timestamp::from_unix_ns(u64::try_from(before_ns).unwrap_or(0));
    let span = humantime::format_duration(std::time::Duration::from_secs_f64(retention.thin_to_s));
    let mut text = format!(
        "{} readings from before {before} were thinned to {} new bins of {span}",
        all.readings, all.bins
    );
    if all.dark > 0 {
        text += &format!(", {} dark ones removed", all.dark);
    }
    if all.held > 0 {
        text += &format!(", {} left, as a run that isn't over has them", all.held);
    }
    text + &format!("; bins stand for {total} readings now")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn readings_are_old_enough_bin_by_bin() {
        let retention = Retention { keep_s: 86_400.0, thin_to_s: 600.0 };
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let (before_ns, span_ns) = border(retention, at("2026-11-26T18:07:00Z"));
        assert_eq!((before_ns, span_ns), (at("2026-11-25T18:00:00Z").unix_ns() as i64, 600_000_000_000));
        assert_eq!(border(retention, Timestamp::from_unix_ns(0)).0, 0, "there is nothing from before 1970");
    }

    #[test]
    fn what_is_left_is_told_with_the_clock_that_calls_it_old() {
        let retention = Retention { keep_s: 86_400.0, thin_to_s: 600.0 };
        let told = held(retention, "2046-11-26T18:07:00Z".parse().unwrap()).detail;
        assert!(
            told.starts_with("readings that are older than 1day by UTC, which is 2046-11-26T18:07:00"),
            "{told}"
        );
    }

    #[test]
    fn a_round_is_told_in_one_sentence() {
        let retention = Retention { keep_s: 86_400.0, thin_to_s: 600.0 };
        let all = Thinned { readings: 1200, dark: 2, held: 3, bins: 20, place: None };
        assert_eq!(
            told(retention, 0, &all, 5000),
            "1200 readings from before 1970-01-01T00:00:00.000000000Z were thinned to 20 new bins of 10m, 2 dark ones removed, \
             3 left, as a run that isn't over has them; bins stand for 5000 readings now"
        );
    }
}
