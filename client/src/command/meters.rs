//! `settle meters`: what is attached, and how it is.

use settled_protocol::meter::{Kind, Meter, State, Zero};
use settled_protocol::method::{MetersList, Nothing};

use super::{Context, Exit, Failure, correct, lease};
use crate::output::{BAD, CAUTION, FAINT, GOOD, STRONG, styled};
use crate::show;

pub(super) async fn run(context: &Context) -> Result<Exit, Failure> {
    let meters = context.connect().await?.call::<MetersList>(&Nothing {}).await?.meters;
    for meter in &meters {
        if context.output.json {
            context.output.object(meter)?;
        } else {
            describe(context, meter)?;
        }
    }
    if meters.is_empty() && !context.output.json {
        context.output.aside("The daemon has no meters: add a [[meter]] to its config.");
    }
    Ok(Exit::Done)
}

fn describe(context: &Context, meter: &Meter) -> Result<(), Failure> {
    let (style, state) = state(meter.state);
    let unreal: String = [(meter.simulated, "  SIMULATED"), (meter.replayed, "  REPLAYED")]
        .iter()
        .filter(|(is, _)| *is)
        .map(|(_, words)| styled(CAUTION, words))
        .collect();
    context.output.line(&format!("{}  {}{unreal}", styled(STRONG, &meter.id), styled(style, state)))?;
    for (name, words) in details(meter) {
        context.output.line(&format!("    {}  {words}", styled(FAINT, &format!("{name:<11}"))))?;
    }
    Ok(())
}

fn details(meter: &Meter) -> Vec<(&'static str, String)> {
    let mut details = Vec::new();
    details.extend(meter.reason.clone().map(|reason| ("why", reason)));
    if let Some(instrument) = &meter.instrument {
        let serial =
            instrument.serial.as_ref().map_or_else(String::new, |serial| format!(", serial {serial}"));
        details.push(("instrument", format!("{}, {}{serial}", instrument.model, kind(instrument.kind))));
        details.extend(
            instrument.integration_s.map(|span| ("integration", format!("{} to {} s", span.min, span.max))),
        );
    }
    details.push(("driver", meter.driver.clone()));
    details.extend(meter.address.as_ref().map(|address| ("where", address.clone() + anyone(meter))));
    details
        .extend(meter.warm_up.map(|warm_up| ("warm-up", warm_up_words(warm_up.needed_s, warm_up.elapsed_s))));
    details.extend(meter.lease.as_ref().map(|holder| ("lease", lease::held(holder))));
    details.extend(meter.zero.as_ref().map(|zero| ("zeroing", zero_words(&meter.id, zero))));
    details.extend(meter.correction.as_ref().map(|correction| ("correction", correct::in_force(correction))));
    details.extend(meter.observer.map(|observer| ("observer", show::observer(observer).to_owned())));
    let corrected = |nm| format!("corrected for {} nm", show::wavelength(nm));
    details.extend(meter.bandwidth_nm.map(|nm| ("bandwidth", corrected(nm))));
    if meter.faults > 0 {
        details.push(("faults", format!("{} since the daemon started (settle log events)", meter.faults)));
    }
    details
}

/// What stands for the instrument's identity where it has no serial number.
fn anyone(meter: &Meter) -> &'static str {
    match &meter.instrument {
        Some(instrument) if instrument.serial.is_none() && !meter.replayed => {
            " (no serial number known: whatever answers there is this meter)"
        }
        _ => "",
    }
}

pub(crate) fn zero_words(meter: &str, zero: &Zero) -> String {
    let mut words = zero.at.map_or_else(|| "not done".to_owned(), |at| format!("done {}", show::moment(at)));
    if zero.needed {
        let consequence = if zero.refuses { "gives no readings until then" } else { "readings are flagged" };
        let why = zero.why.as_ref().map_or_else(String::new, |why| format!(", because {why}"));
        words.push_str(&format!("; due now{why}: cover it, then settle zero {meter} ({consequence})"));
        return words;
    }
    let due = zero.due.map(show::moment);
    let moved = zero.due_within_k.map(|kelvin| format!("once its temperature has moved by {kelvin} K"));
    let next: Vec<String> = [due, moved].into_iter().flatten().collect();
    if !next.is_empty() {
        words.push_str(&format!("; due {}", next.join(", or ")));
    }
    words
}

pub(crate) fn warm_up_words(needed_s: f64, elapsed_s: f64) -> String {
    if elapsed_s >= needed_s {
        format!("done ({} needed)", show::span(needed_s))
    } else {
        format!("{} of {} to go", show::span(needed_s - elapsed_s), show::span(needed_s))
    }
}

fn state(state: State) -> (anstyle::Style, &'static str) {
    match state {
        State::Ready => (GOOD, "ready"),
        State::Reading => (GOOD, "reading"),
        State::Zeroing => (GOOD, "being zeroed"),
        State::Warming => (CAUTION, "warming up"),
        State::Absent => (BAD, "absent"),
        State::Failed => (BAD, "failed"),
    }
}

pub(crate) fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Colorimeter => "colorimeter",
        Kind::Spectrometer => "spectrometer",
        Kind::Photometer => "photometer",
        Kind::IlluminanceMeter => "illuminance meter",
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::meter::Instrument;

    use super::*;

    #[test]
    fn where_no_serial_number_is_known_the_address_is_said_to_be_the_identity() {
        let words = |serial: Option<&str>| {
            let instrument = Instrument {
                model: "made up".to_owned(),
                serial: serial.map(str::to_owned),
                kind: Kind::Photometer,
                quantities: Vec::new(),
                integration_s: None,
                range: None,
                resolution: None,
            };
            let meter = Meter {
                id: "bench".to_owned(),
                driver: "profile".to_owned(),
                address: Some("192.0.2.7:5025".to_owned()),
                simulated: false,
                replayed: false,
                correction: None,
                observer: None,
                bandwidth_nm: None,
                lease: None,
                state: State::Ready,
                reason: None,
                faults: 0,
                instrument: Some(instrument),
                warm_up: None,
                zero: None,
            };
            details(&meter).into_iter().find(|(name, _)| *name == "where").map(|(_, words)| words)
        };
        assert_eq!(words(Some("0042")).as_deref(), Some("192.0.2.7:5025"));
        let anyone = "192.0.2.7:5025 (no serial number known: whatever answers there is this meter)";
        assert_eq!(words(None).as_deref(), Some(anyone));
    }
}
