//! Is a correction one for this meter? By serial number where there are two to compare.

use settled_protocol::correction::Subject;
use settled_protocol::meter::{Instrument, Kind, Quantity};

/// How a correction's meter compares with the one that is attached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fit {
    /// The same, by its serial number.
    Same,
    /// Another.
    Other,
    /// Nothing speaks against it, but there is no serial number to tell.
    Unverified,
}

/// Compares the meter that a correction is for with the one that is attached as `id`. Without two serial numbers to compare, another
/// model or another id is another meter.
pub(crate) fn fit(subject: &Subject, id: &str, instrument: &Instrument) -> Fit {
    let model = subject.model.as_ref().map(|model| model.as_str());
    if model.is_some_and(|model| model != instrument.model) {
        return Fit::Other;
    }
    match (&subject.serial, &instrument.serial) {
        (Some(one), Some(other)) if one.as_str() == other => Fit::Same,
        (Some(_), Some(_)) => Fit::Other,
        _ if subject.id.as_str() == id => Fit::Unverified,
        _ => Fit::Other,
    }
}

/// Why a meter has nothing to correct, if it hasn't.
pub(crate) fn uncorrectable(instrument: &Instrument) -> Option<&'static str> {
    if instrument.kind == Kind::Spectrometer || instrument.quantities.contains(&Quantity::Spectrum) {
        return Some(
            "a spectrometer weights the spectrum itself, and has no filters that miss the colour-matching functions",
        );
    }
    let sees_colour = instrument.quantities.contains(&Quantity::Xyz);
    (!sees_colour).then_some("it gives amounts of light, and no X, Y, Z")
}

#[cfg(test)]
mod tests {
    use settled_protocol::text::Text;

    use super::*;

    fn text(words: &str) -> Text {
        words.to_owned().try_into().unwrap()
    }

    fn subject(id: &str, model: Option<&str>, serial: Option<&str>) -> Subject {
        Subject { id: text(id), model: model.map(text), serial: serial.map(text) }
    }

    fn instrument(serial: Option<&str>) -> Instrument {
        Instrument {
            model: "filters".to_owned(),
            serial: serial.map(str::to_owned),
            kind: Kind::Colorimeter,
            quantities: vec![Quantity::Luminance, Quantity::Xyz],
            integration_s: None,
            range: None,
            resolution: None,
        }
    }

    #[test]
    fn the_serial_number_decides_and_without_one_model_and_id_do() {
        let cases = [
            (subject("other-id", Some("filters"), Some("7")), Some("7"), Fit::Same),
            (subject("bench", Some("filters"), Some("8")), Some("7"), Fit::Other),
            (subject("bench", Some("prisms"), Some("7")), Some("7"), Fit::Other),
            (subject("bench", Some("filters"), None), Some("7"), Fit::Unverified),
            (subject("bench", None, Some("7")), None, Fit::Unverified),
            (subject("other-id", Some("filters"), None), None, Fit::Other),
        ];
        for (subject, serial, expected) in cases {
            assert_eq!(fit(&subject, "bench", &instrument(serial)), expected, "{subject:?}, {serial:?}");
        }
    }

    #[test]
    fn what_has_no_filters_is_not_corrected() {
        let colorimeter = instrument(None);
        assert_eq!(uncorrectable(&colorimeter), None);
        let spectrometer = Instrument { kind: Kind::Spectrometer, ..colorimeter.clone() };
        assert!(uncorrectable(&spectrometer).unwrap().contains("no filters"));
        // Whatever it calls itself: its X, Y, Z are sums over spectra, and may be by another observer.
        let quantities = vec![Quantity::Luminance, Quantity::Xyz, Quantity::Spectrum];
        let spectral = Instrument { quantities, ..colorimeter.clone() };
        assert!(uncorrectable(&spectral).unwrap().contains("no filters"));
        let amounts = Instrument { quantities: vec![Quantity::Luminance], ..colorimeter };
        assert!(uncorrectable(&amounts).unwrap().contains("no X, Y, Z"));
    }
}
