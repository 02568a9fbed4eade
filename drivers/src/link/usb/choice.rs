//! The one device among those that are attached, or why none: never a random one.

use super::settings::Settings;
use crate::fault::{Fault, FaultKind};

/// A device that is attached and has the right numbers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// Where it is plugged in, such as `1-2.3`.
    pub path: String,
    /// Its serial number.
    pub serial: Serial,
}

/// A device's serial number, as far as it is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Serial {
    /// Nobody has asked.
    Unasked,
    /// It has this one.
    Is(String),
    /// It has none.
    None,
    /// It may not be asked.
    Denied,
    /// It doesn't say.
    Unreadable,
}

/// Whether serial numbers matter among so many candidates in the right place.
#[must_use]
pub fn needs_serials(settings: &Settings, candidates: usize) -> bool {
    settings.serial.is_some() || candidates > 1
}

/// The index of the device that is meant.
///
/// # Errors
/// `Gone` if none is; `Refused` if several are; `Denied` if one may be it that may not be asked.
pub fn choose(settings: &Settings, candidates: &[Candidate]) -> Result<usize, Fault> {
    let in_place = |candidate: &&(usize, &Candidate)| {
        settings.path.as_ref().is_none_or(|path| *path == candidate.1.path)
    };
    let there: Vec<(usize, &Candidate)> = candidates.iter().enumerate().collect();
    let there: Vec<&(usize, &Candidate)> = there.iter().filter(in_place).collect();
    let fits = |candidate: &Candidate| match (&settings.serial, &candidate.serial) {
        (None, _) => true,
        (Some(wanted), Serial::Is(serial)) => wanted == serial,
        (Some(_), _) => false,
    };
    let fitting: Vec<&&(usize, &Candidate)> = there.iter().filter(|(_, candidate)| fits(candidate)).collect();
    match fitting.as_slice() {
        [(index, _)] => Ok(*index),
        [] if there.iter().any(|(_, candidate)| candidate.serial == Serial::Denied) => Err(denied(settings)),
        [] => Err(gone(settings, candidates)),
        several => {
            let listed: Vec<String> = several.iter().map(|(_, candidate)| described(candidate)).collect();
            let detail = format!(
                "{} are alike: {}; say which one with \"serial\" or \"path\"",
                match several.len() {
                    2 => "two USB devices".to_owned(),
                    count => format!("{count} USB devices"),
                },
                listed.join(", ")
            );
            Err(Fault::new(FaultKind::Refused, detail))
        }
    }
}

fn described(candidate: &Candidate) -> String {
    let Candidate { path, serial } = candidate;
    match serial {
        Serial::Is(serial) => format!("serial number {serial} at {path}"),
        Serial::None => format!("one without a serial number at {path}"),
        Serial::Denied | Serial::Unreadable => format!("one that doesn't tell its serial number at {path}"),
        Serial::Unasked => format!("one at {path}"),
    }
}

fn gone(settings: &Settings, candidates: &[Candidate]) -> Fault {
    let mut detail = format!("{settings} is not attached");
    if !candidates.is_empty() {
        let listed: Vec<String> = candidates.iter().map(described).collect();
        detail = format!("{detail}; attached: {}", listed.join(", "));
    }
    Fault::new(FaultKind::Gone, detail)
}

/// The daemon's user may not open the device; says what to do.
#[must_use]
pub fn denied(settings: &Settings) -> Fault {
    let Settings { vendor, product, .. } = settings;
    let detail = format!(
        "no permission to open {settings}: add a udev rule such as SUBSYSTEM==\"usb\", ATTR{{idVendor}}==\"{vendor:04x}\", \
         ATTR{{idProduct}}==\"{product:04x}\", GROUP=\"meters\", MODE=\"0660\", the daemon's user to that group, and plug it in again"
    );
    Fault::new(FaultKind::Denied, detail)
}

#[cfg(test)]
mod tests {
    use super::super::settings::Way;
    use super::*;

    fn settings(serial: Option<&str>, path: Option<&str>) -> Settings {
        let owned = |text: Option<&str>| text.map(ToOwned::to_owned);
        let (serial, path) = (owned(serial), owned(path));
        Settings { vendor: 0x1234, product: 0x5678, serial, path, interface: None, way: Way::Usbtmc }
    }

    fn attached(devices: &[(&str, Serial)]) -> Vec<Candidate> {
        devices
            .iter()
            .map(|(path, serial)| Candidate { path: (*path).to_owned(), serial: serial.clone() })
            .collect()
    }

    #[test]
    fn one_alone_is_the_one_and_among_equals_serial_or_place_decides() {
        let one = attached(&[("1-1", Serial::Unasked)]);
        assert_eq!(choose(&settings(None, None), &one).unwrap(), 0);
        let two = attached(&[("1-1", Serial::Is("A".into())), ("1-2.3", Serial::Is("B".into()))]);
        assert_eq!(choose(&settings(Some("B"), None), &two).unwrap(), 1);
        assert_eq!(choose(&settings(None, Some("1-2.3")), &two).unwrap(), 1);
        let fault = choose(&settings(None, None), &two).unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Refused);
        assert_eq!(
            fault.to_string(),
            "two USB devices are alike: serial number A at 1-1, serial number B at 1-2.3; say which one with \"serial\" or \"path\""
        );
    }

    #[test]
    fn equal_serial_numbers_are_no_choice_either() {
        let two = attached(&[("1-1", Serial::Is("A".into())), ("1-2", Serial::Is("A".into()))]);
        assert_eq!(choose(&settings(Some("A"), None), &two).unwrap_err().kind(), FaultKind::Refused);
        assert_eq!(choose(&settings(Some("A"), Some("1-2")), &two).unwrap(), 1);
    }

    #[test]
    fn what_is_absent_is_told_from_what_may_not_be_asked() {
        assert_eq!(choose(&settings(None, None), &[]).unwrap_err().kind(), FaultKind::Gone);
        let other = attached(&[("1-1", Serial::Is("A".into()))]);
        let fault = choose(&settings(Some("B"), None), &other).unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Gone);
        assert!(fault.to_string().ends_with("attached: serial number A at 1-1"), "{fault}");
        let hidden = attached(&[("1-1", Serial::Denied)]);
        let fault = choose(&settings(Some("B"), None), &hidden).unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Denied);
        assert!(fault.to_string().contains("ATTR{idVendor}==\"1234\""), "{fault}");
    }
}
