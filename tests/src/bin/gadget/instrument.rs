//! What the instrument says: that of the shipped profile `lab-tristimulus`, in the manner of IEEE 488.2.

use std::collections::VecDeque;

/// The light that it always sees, in cd/m². D65, and 31.5 degrees.
const Y: f64 = 100.0;

/// How much of the integration time an exposure really takes: tests are in a hurry.
const HURRY: f64 = 0.4;

/// Errors that it keeps; later ones are lost.
const MOST_ERRORS: usize = 16;

/// An answer, and how long it takes.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Answer {
    pub(crate) after_s: f64,
    pub(crate) text: String,
}

/// The instrument behind the interface.
#[derive(Debug)]
pub(crate) struct Instrument {
    integration_s: f64,
    errors: VecDeque<&'static str>,
    /// The next reading is not answered.
    is_hushed: bool,
}

impl Default for Instrument {
    fn default() -> Self {
        Self { integration_s: 0.1, errors: VecDeque::new(), is_hushed: false }
    }
}

impl Instrument {
    /// Obeys one command, without its end.
    pub(crate) fn obey(&mut self, command: &str) -> Option<Answer> {
        let (after_s, text) = match command {
            "*IDN?" => (0.0, "Made Up Instruments,LT-1,0042,1.0".to_owned()),
            "*OPC?" => (0.0, "1".to_owned()),
            "SYST:ERR?" => (0.0, self.errors.pop_front().unwrap_or("+0,\"No error\"").to_owned()),
            "READ?" if std::mem::take(&mut self.is_hushed) => return None,
            "READ?" => {
                (HURRY * self.integration_s, format!("{:.6E},{Y:.6E},{:.6E},31.5", 0.9505 * Y, 1.0888 * Y))
            }
            "*CLS" => {
                self.errors.clear();
                return None;
            }
            "SENS:MODE TRIS" | "CAL:ZERO" => return None,
            other => {
                let integration_s = other.strip_prefix("SENS:INT ").map(str::parse::<f64>);
                match integration_s {
                    Some(Ok(integration_s)) if (0.02..=5.0).contains(&integration_s) => {
                        self.integration_s = integration_s;
                    }
                    Some(_) => self.complain("-222,\"Data out of range\""),
                    None => self.complain("-113,\"Undefined header\""),
                }
                return None;
            }
        };
        Some(Answer { after_s, text })
    }

    /// From now on, the next reading is not answered.
    pub(crate) fn hush(&mut self) {
        self.is_hushed = true;
    }

    /// Notes that an answer that nobody had fetched was lost to a new command.
    pub(crate) fn interrupted(&mut self) {
        self.complain("-410,\"Query INTERRUPTED\"");
    }

    /// The bit of the status byte that says that there are errors.
    pub(crate) fn status(&self) -> u8 {
        if self.errors.is_empty() { 0 } else { 0x04 }
    }

    fn complain(&mut self, error: &'static str) {
        if self.errors.len() < MOST_ERRORS {
            self.errors.push_back(error);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(instrument: &mut Instrument, command: &str) -> Option<String> {
        instrument.obey(command).map(|answer| answer.text)
    }

    #[test]
    fn a_reading_takes_as_long_as_it_is_told_to() {
        let mut instrument = Instrument::default();
        assert_eq!(instrument.obey("SENS:INT 0.5"), None);
        let answer = instrument.obey("READ?").unwrap();
        assert_eq!(answer, Answer { after_s: 0.2, text: "9.505000E1,1.000000E2,1.088800E2,31.5".to_owned() });
    }

    #[test]
    fn one_reading_is_not_answered_if_so_told() {
        let mut instrument = Instrument::default();
        instrument.hush();
        assert_eq!(said(&mut instrument, "*OPC?").as_deref(), Some("1"));
        assert_eq!(instrument.obey("READ?"), None);
        assert!(instrument.obey("READ?").is_some());
    }

    #[test]
    fn errors_are_told_in_order_and_once() {
        let mut instrument = Instrument::default();
        instrument.interrupted();
        assert_eq!(said(&mut instrument, "SENS:INT 9"), None);
        assert_eq!(said(&mut instrument, "FOO?"), None);
        assert_eq!(instrument.status(), 0x04);
        for expected in
            ["-410,\"Query INTERRUPTED\"", "-222,\"Data out of range\"", "-113,\"Undefined header\""]
        {
            assert_eq!(said(&mut instrument, "SYST:ERR?").as_deref(), Some(expected));
        }
        assert_eq!(said(&mut instrument, "SYST:ERR?").as_deref(), Some("+0,\"No error\""));
        assert_eq!(instrument.status(), 0);
    }
}
