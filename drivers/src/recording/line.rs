//! One line of a recording. RECORDINGS.md shows each.

use serde::{Deserialize, Serialize};
use settled_protocol::meter::Instrument;
use settled_protocol::quantity::{Light, Photometric};
use settled_protocol::spectrum::Spectrum;

use super::bytes::{Bytes, in_ascii};
use crate::driver::Source;
use crate::fault::{Fault, FaultKind, chain};
use crate::meter::Description;
use crate::sample::{Sample, Seen};

/// The version of the format that this crate writes, and the latest that it reads.
pub const FORMAT: u32 = 1;

/// The longest line, in bytes, its end included: ten times what a spectrum of 4096 values takes.
pub const LONGEST: usize = 1 << 20;

/// A line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Line {
    /// The first line.
    Recording(Header),
    /// One for each meter, before anything that happened.
    Meter(About),
    /// Something that happened to a meter.
    #[serde(untagged)]
    Entry(Entry),
    /// Something that happened to the recording.
    #[serde(untagged)]
    Note(Note),
}

/// What the recording is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// The version of the format.
    pub format: u32,
    /// The daemon's version.
    pub daemon: String,
    /// When it began, UTC, in the form of RFC 3339.
    pub at: String,
    /// How much faster than real time the daemon's clock ran.
    pub clock_speed: f64,
}

/// A meter, and what a recording of it needs to stand alone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// Its id.
    pub meter: String,
    /// Its driver.
    pub driver: String,
    /// Where its light came from.
    pub source: Source,
    /// Its table in the config, as it was written.
    pub settings: String,
    /// Its profile, if it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile: Option<ProfileText>,
}

/// A profile as it was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProfileText {
    /// Its file, or its name among those that ship.
    pub file: String,
    /// All of it.
    pub text: String,
}

/// Something that happened to a meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// When, in s on the daemon's clock since the recording began.
    pub t_s: f64,
    /// The meter's id.
    pub meter: String,
    /// What.
    #[serde(flatten)]
    pub event: Event,
}

/// What is asked of a driver or a meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Call {
    /// To open.
    Open,
    /// To measure.
    Measure,
    /// To take a dark reading.
    Zero,
    /// To put the line in order.
    Recover,
    /// To close.
    Close,
}

/// What can happen to a meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Event {
    /// The link was opened.
    LinkOpened {
        /// Whether bytes may come that nobody asked for.
        speaks_unasked: bool,
    },
    /// The link was closed by the driver.
    LinkClosed,
    /// Bytes were sent: one command.
    Sent {
        /// The bytes.
        bytes: Bytes,
    },
    /// Bytes came.
    Received {
        /// The bytes.
        bytes: Bytes,
    },
    /// The link failed.
    LinkFault(Failed),
    /// Something was asked of the meter.
    Asked {
        /// What.
        call: Call,
        /// The integration time wanted, in s.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        integration_s: Option<f64>,
    },
    /// It was opened.
    Opened {
        /// What it says that it is.
        instrument: Box<Instrument>,
        /// The warm-up that it needs, in s.
        warm_up_s: f64,
    },
    /// It measured.
    Sample(Box<Recorded>),
    /// It did what was asked.
    Done {
        /// What was asked.
        call: Call,
    },
    /// It did not.
    Fault {
        /// What was asked.
        call: Call,
        /// Why not.
        #[serde(flatten)]
        failed: Failed,
    },
    /// It was found to be gone while nothing was asked.
    Departed(Failed),
    /// Whoever asked waits no longer.
    GivenUp {
        /// What was asked.
        call: Call,
    },
}

/// A fault.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Failed {
    /// Its kind.
    pub kind: FaultKind,
    /// In words, its causes included.
    pub detail: String,
}

impl Failed {
    /// As it is recorded.
    #[must_use]
    pub fn of(fault: &Fault) -> Self {
        Self { kind: fault.kind(), detail: chain(fault) }
    }

    /// The fault again.
    #[must_use]
    pub fn fault(&self) -> Fault {
        Fault::new(self.kind, self.detail.clone())
    }
}

/// Something that happened to the recording itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Note {
    /// The disk was behind: so many entries are missing here.
    Gap {
        /// How many.
        lost: u64,
    },
    /// The recording ends here, on purpose.
    End {
        /// Why.
        why: String,
    },
}

/// A sample as it is recorded.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Recorded {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    light: Option<Light>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    photometric: Option<Photometric>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    spectrum: Option<Spectrum>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) integration_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    temperature_c: Option<f64>,
}

impl Recorded {
    /// As it is recorded.
    #[must_use]
    pub fn of(sample: &Sample) -> Self {
        let Sample { seen, integration_s, temperature_c } = sample.clone();
        let (light, photometric, spectrum) = match seen {
            Seen::Light(light) => (Some(light), None, None),
            Seen::Spectrum(photometric, spectrum) => (None, Some(photometric), Some(spectrum)),
        };
        Self { light, photometric, spectrum, integration_s, temperature_c }
    }

    /// The sample again; nothing if it is neither light nor a spectrum.
    #[must_use]
    pub fn sample(&self) -> Option<Sample> {
        let seen = match (self.light, self.photometric, &self.spectrum) {
            (Some(light), None, None) => Seen::Light(light),
            (None, Some(photometric), Some(spectrum)) => Seen::Spectrum(photometric, spectrum.clone()),
            _ => return None,
        };
        Some(Sample { seen, integration_s: self.integration_s, temperature_c: self.temperature_c })
    }
}

impl Event {
    /// That it was opened.
    #[must_use]
    pub fn opened(description: &Description) -> Self {
        Self::Opened {
            instrument: Box::new(description.instrument.clone()),
            warm_up_s: description.warm_up_s,
        }
    }
}

impl Line {
    /// As it stands in the file, its end included; nothing if it is longer than a line may be.
    #[must_use]
    pub fn written(&self) -> Option<String> {
        let mut line = in_ascii(&serde_json::to_string(self).ok()?);
        line.push('\n');
        (line.len() <= LONGEST).then_some(line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_line_comes_back_as_it_was() {
        let failed = Failed { kind: FaultKind::BelowRange, detail: "too dark".to_owned() };
        let light = Light::amount(Photometric::Illuminance, 0.1 + 0.2).unwrap();
        let light = Sample { seen: Seen::Light(light), integration_s: Some(0.1), temperature_c: None };
        let spectrum = Spectrum::new(380.0, 5.0, vec![0.001, -1e-9, 0.3]).unwrap();
        let spectrum = Sample {
            seen: Seen::Spectrum(Photometric::Luminance, spectrum),
            integration_s: None,
            temperature_c: Some(31.5),
        };
        let events = [
            Event::LinkOpened { speaks_unasked: true },
            Event::LinkClosed,
            Event::Sent { bytes: Bytes(b"READ?\r\n".to_vec()) },
            Event::Received { bytes: Bytes(vec![0, 10, 255]) },
            Event::LinkFault(failed.clone()),
            Event::Asked { call: Call::Measure, integration_s: Some(0.4) },
            Event::Asked { call: Call::Open, integration_s: None },
            Event::Sample(Box::new(Recorded::of(&light))),
            Event::Sample(Box::new(Recorded::of(&spectrum))),
            Event::Done { call: Call::Recover },
            Event::Fault { call: Call::Zero, failed: failed.clone() },
            Event::Departed(failed),
            Event::GivenUp { call: Call::Close },
        ];
        let entries = events
            .into_iter()
            .map(|event| Line::Entry(Entry { t_s: 1.25, meter: "bench".to_owned(), event }));
        let about = About {
            meter: "bench".to_owned(),
            driver: "profile".to_owned(),
            source: Source::Instrument,
            settings: "port = \"x\"\n".to_owned(),
            profile: Some(ProfileText { file: "a.toml".to_owned(), text: "[line]\n# µ\n".to_owned() }),
        };
        let header = Header {
            format: FORMAT,
            daemon: "0.1.0".to_owned(),
            at: "2026-11-26T20:00:00Z".to_owned(),
            clock_speed: 1.0,
        };
        let others = [
            Line::Recording(header),
            Line::Meter(about),
            Line::Note(Note::Gap { lost: 3 }),
            Line::Note(Note::End { why: "stopped".to_owned() }),
        ];
        for line in entries.chain(others) {
            let written = line.written().unwrap();
            assert!(written.is_ascii() && written.ends_with('\n') && written.matches('\n').count() == 1);
            assert_eq!(serde_json::from_str::<Line>(&written).unwrap(), line, "{written}");
        }
        assert_eq!(Recorded::of(&light).sample(), Some(light));
        assert_eq!(Recorded::of(&spectrum).sample(), Some(spectrum));
    }
}
