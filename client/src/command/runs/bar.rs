//! A run in one line: how far it is, how long it will still be, how the light is.

use jiff::tz::TimeZone;
use settled_protocol::error::ErrorKind;
use settled_protocol::run::{Run, RunState};

use super::figures::{drift_short, value};
use crate::local;
use crate::show;

/// Characters of a bar.
const WIDTH: usize = 8;

/// Less than this is not worth counting, in s.
const SOON_S: f64 = 0.5;

/// The share of a run that is over, from 0 to 1; nothing where its end isn't known.
pub(super) fn share(run: &Run) -> Option<f64> {
    if run.state == RunState::Done {
        return Some(1.0);
    }
    let left_s = run.left_s?;
    let whole_s = run.elapsed_s + left_s;
    (whole_s > 0.0).then(|| (run.elapsed_s / whole_s).clamp(0.0, 1.0))
}

/// How far it is: `53 %, 6.6 h left`; how long it goes on already, where its end isn't known.
pub(super) fn progress(run: &Run) -> String {
    match run.state {
        RunState::Planned => String::new(),
        RunState::Running => match (share(run), run.left_s) {
            (Some(_), Some(left_s)) if left_s < SOON_S => "about to end".to_owned(),
            (Some(share), Some(left_s)) => format!("{:.0} %, {} left", percent(share), show::wait(left_s)),
            _ => show::wait(run.elapsed_s),
        },
        RunState::Done | RunState::Stopped | RunState::Failed | RunState::Unknown => {
            show::wait(run.elapsed_s)
        }
    }
}

/// What is not over isn't at 100 %.
fn percent(share: f64) -> f64 {
    (100.0 * share).floor().min(99.0)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "a share of a dozen characters"
)]
fn bar(share: f64, ascii: bool) -> String {
    let full = ((share * WIDTH as f64) as usize).min(WIDTH);
    let (done, left) = if ascii { ("#", ".") } else { ("━", "╌") };
    format!("{}{}", done.repeat(full), left.repeat(WIDTH - full))
}

/// The whole line. `with_bar` where it stays in its place.
pub(crate) fn line(run: &Run, with_bar: bool, ascii: bool, zone: &TimeZone) -> String {
    let mut parts = vec![format!("{:>3} {}", run.run, run.plan.meter)];
    match run.state {
        RunState::Planned => parts.push(format!("planned: begins {}", local::moment(run.begins, zone))),
        RunState::Running => {
            let share = share(run);
            parts.extend(share.filter(|_| with_bar).map(|share| bar(share, ascii)));
            parts.push(progress(run));
            parts.extend(light(run));
        }
        state => {
            parts.push(state.name().to_owned());
            parts.extend(light(run));
        }
    }
    parts.extend(run.plan.label.as_ref().map(|label| label.as_str().to_owned()));
    parts.join("  ")
}

/// The latest light and its drift; or what keeps the meter from giving any; and what it is alarmed at.
fn light(run: &Run) -> Vec<String> {
    let mut parts = Vec::new();
    match &run.waiting {
        Some(error) if error.kind() == ErrorKind::MeterAbsent => parts.push("the meter is absent".to_owned()),
        Some(error) if error.kind() == ErrorKind::Leased => parts.push("the meter is leased".to_owned()),
        Some(_) => parts.push("the meter gives no readings".to_owned()),
        None => {
            parts.extend(run.latest.as_ref().map(|point| value(run, point.value)));
            parts.extend(run.drift.as_ref().map(|drift| drift_short(run, drift)));
        }
    }
    if !run.standing.is_empty() {
        let kinds: Vec<String> =
            run.standing.iter().map(|alert| alert.kind.name().replace('_', " ")).collect();
        parts.push(format!("ALERT: {}", kinds.join(", ")));
    }
    parts
}
