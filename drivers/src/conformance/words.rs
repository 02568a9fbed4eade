//! Values in words, for whoever owns the instrument.

use std::time::Duration;

use settled_protocol::meter::{Instrument, Quantity, Span};

use crate::meter::Description;
use crate::sample::{Sample, Seen};

/// A span of time, as precisely as anybody cares.
pub(super) fn time(span: Duration) -> String {
    let s = span.as_secs_f64();
    match span.as_millis() {
        0 => format!("{:.0} µs", s * 1e6),
        1..1000 => format!("{:.0} ms", s * 1e3),
        _ => format!("{} s", (s * 10.0).round() / 10.0),
    }
}

/// A reading: all that may tell it from another.
pub(super) fn reading(sample: &Sample) -> String {
    let seen = match &sample.seen {
        Seen::Light(light) => {
            let amount = format!("{} {}", light.value(), light.photometric().unit());
            match light.chromaticity() {
                Some(it) => format!("{amount} at x {:.4}, y {:.4}", it.x(), it.y()),
                None => amount,
            }
        }
        Seen::Spectrum(_, spectrum) => {
            let largest = spectrum.values().iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let (count, from_nm, to_nm) = (spectrum.values().len(), spectrum.start_nm(), spectrum.end_nm());
            format!("a spectrum of {count} values from {from_nm} to {to_nm} nm, the largest {largest}")
        }
    };
    let integrated = sample.integration_s.map(|s| format!(", integrated for {s} s")).unwrap_or_default();
    let temperature = sample.temperature_c.map(|celsius| format!(", at {celsius} °C")).unwrap_or_default();
    format!("{seen}{integrated}{temperature}")
}

/// Quantities, listed.
pub(super) fn quantities(all: &[Quantity]) -> String {
    let names = all.iter().map(|quantity| match quantity {
        Quantity::Luminance => "luminance",
        Quantity::Illuminance => "illuminance",
        Quantity::Xyz => "tristimulus values",
        Quantity::Spectrum => "spectra",
    });
    names.collect::<Vec<_>>().join(", ")
}

/// From where to where, in no unit.
pub(super) fn span(span: Span) -> String {
    format!("{} to {}", span.min, span.max)
}

/// What differs between two descriptions that should be the same.
pub(super) fn difference(before: &Description, now: &Description) -> String {
    let (was, is) = (&before.instrument, &now.instrument);
    let name = |it: &Instrument| match &it.serial {
        Some(serial) => format!("{:?} with the serial number {serial:?}", it.model),
        None => format!("{:?}", it.model),
    };
    if name(was) != name(is) {
        return format!("it says that it is {}, and said before that it was {}", name(is), name(was));
    }
    let differs = [
        ("the kind", was.kind != is.kind),
        ("what it measures", was.quantities != is.quantities),
        ("the integration times", was.integration_s != is.integration_s),
        ("the range", was.range != is.range),
        ("the resolution", was.resolution != is.resolution),
        ("the warm-up", before.warm_up_s.total_cmp(&now.warm_up_s).is_ne()),
        ("when it needs zeroing", before.zero != now.zero),
    ];
    let named: Vec<&str> = differs.iter().filter(|(_, differs)| *differs).map(|(what, _)| *what).collect();
    format!("it describes itself otherwise than before: {}", named.join(", "))
}

#[cfg(test)]
mod tests {
    use settled_protocol::quantity::{Light, Photometric, Xyz};

    use super::*;

    #[test]
    fn times_and_readings_are_told_in_words() {
        let times = [9_520, 20_000_000, 300_000_000, 2_345_000_000, 5_000_000_000];
        let told = times.map(|ns| time(Duration::from_nanos(ns)));
        assert_eq!(told, ["10 µs", "20 ms", "300 ms", "2.3 s", "5 s"]);
        let light = Light::amount(Photometric::Luminance, 100.094).unwrap();
        let sample = Sample { seen: Seen::Light(light), integration_s: Some(0.2), temperature_c: Some(25.0) };
        assert_eq!(reading(&sample), "100.094 cd/m², integrated for 0.2 s, at 25 °C");
        let light = Light::colour(Photometric::Illuminance, Xyz::new(1.0, 1.0, 1.0).unwrap());
        let sample = Sample { seen: Seen::Light(light), integration_s: None, temperature_c: None };
        assert_eq!(reading(&sample), "1 lx at x 0.3333, y 0.3333");
    }
}
