//! How each meter is: its state, its queue, its faults, and what settling on it came to.

use settled_drivers::fault::FaultKind;
use settled_protocol::meter::{Meter, State};

use super::contents::count;
use super::exposition::{Kind, Page, number};
use crate::meter_task::MeterHandle;

/// Nanoseconds of a second.
const NS: f64 = 1e9;

pub(super) fn write(page: &mut Page, meters: &[(&MeterHandle, Meter)]) {
    states(page, meters);
    work(page, meters);
    care(page, meters);
}

fn states(page: &mut Page, meters: &[(&MeterHandle, Meter)]) {
    let mut info =
        page.family(Kind::Info, "settled_meter", "", "What each configured meter is, as far as it is known.");
    for (_, meter) in meters {
        let model = meter.instrument.as_ref().map_or("", |instrument| instrument.model.as_str());
        let (simulated, replayed) = (said(meter.simulated), said(meter.replayed));
        info.sample(
            &[
                ("meter", &meter.id),
                ("driver", &meter.driver),
                ("model", model),
                ("simulated", simulated),
                ("replayed", replayed),
            ],
            1.0,
        );
    }
    let mut states =
        page.gauge("settled_meter_state", "1 for the state that the meter is in, 0 for all others.");
    for (_, meter) in meters {
        for state in STATES {
            states.holds(&[("meter", &meter.id), ("state", name(state))], meter.state == state);
        }
    }
}

fn work(page: &mut Page, meters: &[(&MeterHandle, Meter)]) {
    let mut waiting = page.gauge("settled_meter_waiting_requests", "Requests that wait for an exposure.");
    for (handle, meter) in meters {
        waiting.count(&[("meter", &meter.id)], count(handle.queue().waiting));
    }
    let mut exposures =
        page.counter("settled_meter_exposures", "Exposures since the daemon started, successful or not.");
    for (handle, meter) in meters {
        exposures.count(&[("meter", &meter.id)], handle.queue().exposures);
    }
    let mut faults = page.counter(
        "settled_meter_faults",
        "Failures since the daemon started, by kind: exposures that gave no reading, and openings and zeros that failed.",
    );
    for (handle, meter) in meters {
        for (kind, happened) in handle.faults() {
            faults.count(&[("meter", &meter.id), ("kind", fault(kind))], happened);
        }
    }
    let mut verdicts = page.counter(
        "settled_meter_verdicts",
        "What requests for settled readings ended with since the daemon started.",
    );
    for (handle, meter) in meters {
        for (verdict, given) in handle.verdicts() {
            verdicts.count(&[("meter", &meter.id), ("verdict", verdict.name())], given);
        }
    }
}

fn care(page: &mut Page, meters: &[(&MeterHandle, Meter)]) {
    let mut warm_up = page.family(
        Kind::Gauge,
        "settled_meter_warm_up_left_seconds",
        "seconds",
        "What is left of the meter's own warm-up, where it has one and is open.",
    );
    for (_, meter) in meters {
        let left_s = meter.warm_up.map(|warm_up| (warm_up.needed_s - warm_up.elapsed_s).max(0.0));
        warm_up.known(&[("meter", &meter.id)], left_s);
    }
    let mut needed =
        page.gauge("settled_meter_zero_needed", "Whether the meter must be zeroed, where it can be.");
    for (_, meter) in meters {
        if let Some(zero) = &meter.zero {
            needed.holds(&[("meter", &meter.id)], zero.needed);
        }
    }
    let mut due = page.family(
        Kind::Gauge,
        "settled_meter_zero_due_timestamp_seconds",
        "seconds",
        "When the meter must be zeroed again at the latest, UTC, where that is known.",
    );
    for (_, meter) in meters {
        let due_ns = meter.zero.as_ref().and_then(|zero| zero.due).map(|due| number(due.unix_ns()));
        due.known(&[("meter", &meter.id)], due_ns.map(|ns| ns / NS));
    }
    let mut leased = page.gauge("settled_meter_leased", "Whether somebody has the meter for itself.");
    for (_, meter) in meters {
        leased.holds(&[("meter", &meter.id)], meter.lease.is_some());
    }
}

pub(super) fn said(holds: bool) -> &'static str {
    if holds { "true" } else { "false" }
}

const STATES: [State; 6] =
    [State::Ready, State::Reading, State::Zeroing, State::Warming, State::Absent, State::Failed];

fn name(state: State) -> &'static str {
    match state {
        State::Ready => "ready",
        State::Reading => "reading",
        State::Zeroing => "zeroing",
        State::Warming => "warming",
        State::Absent => "absent",
        State::Failed => "failed",
    }
}

fn fault(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::Gone => "gone",
        FaultKind::Busy => "busy",
        FaultKind::Denied => "denied",
        FaultKind::Silent => "silent",
        FaultKind::Garbled => "garbled",
        FaultKind::Refused => "refused",
        FaultKind::BelowRange => "below_range",
        FaultKind::AboveRange => "above_range",
        FaultKind::Unsupported => "unsupported",
    }
}
