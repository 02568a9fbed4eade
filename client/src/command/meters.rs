//! `settle meters`: what is attached, and how it is.

use settled_protocol::meter::{Kind, Meter, State};
use settled_protocol::method::{MetersList, Nothing};

use super::{Context, Exit, Failure};
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
    let simulated = if meter.simulated { styled(CAUTION, "  SIMULATED") } else { String::new() };
    context.output.line(&format!("{}  {}{simulated}", styled(STRONG, &meter.id), styled(style, state)))?;
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
    details.extend(meter.zero.map(|zero| {
        let last = zero.at.map_or_else(|| "never done".to_owned(), |at| format!("done {at}"));
        ("zeroing", if zero.needed { format!("{last}; one is due") } else { last })
    }));
    if meter.faults > 0 {
        details.push(("faults", format!("{} since the daemon started (settle log events)", meter.faults)));
    }
    details
}

/// What stands for the instrument's identity where it has no serial number.
fn anyone(meter: &Meter) -> &'static str {
    match &meter.instrument {
        Some(instrument) if instrument.serial.is_none() => {
            " (no serial number known: whatever answers there is this meter)"
        }
        _ => "",
    }
}

fn warm_up_words(needed_s: f64, elapsed_s: f64) -> String {
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
        State::Warming => (CAUTION, "warming up"),
        State::Absent => (BAD, "absent"),
        State::Failed => (BAD, "failed"),
    }
}

fn kind(kind: Kind) -> &'static str {
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
