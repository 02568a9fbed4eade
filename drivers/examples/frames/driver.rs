//! A driver in Rust, whole: a made-up illuminance meter on a serial port that speaks in frames of bytes, where a profile
//! can't reach.
//!
//! It is sent one letter and answers with seven bytes: 0x02, the letter, four bytes of payload (the first is the highest),
//! and the sum of those six, modulo 256. `S` asks for the serial number, `E` for the illuminance in lx as an IEEE 754
//! single, from an exposure of half a second that begins when it is asked.

use std::sync::Arc;
use std::time::Duration;

use settled_drivers::clock::{Boxed, Clock};
use settled_drivers::driver::{Context, Driver};
use settled_drivers::fault::{Fault, FaultKind};
use settled_drivers::link::Link;
use settled_drivers::link::address::Address;
use settled_drivers::link::serial::{Flow, ParityBit, Settings};
use settled_drivers::meter::{Description, Meter};
use settled_drivers::sample::{Exposure, Sample, Seen};
use settled_drivers::settings::Table;
use settled_protocol::meter::{Instrument, Kind, Quantity, Span};
use settled_protocol::quantity::{Light, Photometric};
use tokio::time::timeout;

/// How a serial port is set.
const PORT: Settings = Settings {
    baud: 38_400,
    data_bits: 8,
    parity: ParityBit::None,
    stop_bits: 1,
    flow: Flow::None,
    exclusive: true,
};
const ANSWER: Duration = Duration::from_secs(2);
/// After this, an answer to what was asked before has come, or never will.
const DUE: Duration = Duration::from_millis(700);
const QUIET: Duration = Duration::from_millis(100);
const AT_ONCE: Duration = Duration::from_millis(1);
const FRAME: usize = 7;
/// More than this is no answer to anything.
const MOST: usize = 4096;

/// One configured instrument.
#[derive(Debug)]
struct Frames {
    address: Address,
}

/// Reads a meter's settings: where it is.
pub(crate) fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    Some(at(Address::read(settings, context)?))
}

/// The instrument at `address`.
pub(crate) fn at(address: Address) -> Arc<dyn Driver> {
    Arc::new(Frames { address })
}

impl Driver for Frames {
    fn name(&self) -> &'static str {
        "frames"
    }

    fn claims(&self) -> Vec<String> {
        self.address.claims()
    }

    fn open<'a>(&'a self, _clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let mut open = Open { link: self.address.open(&PORT, b"").await?, description: described(None) };
            let serial = open.come_to_order().await?;
            open.description = described(Some(serial.to_string()));
            let meter: Box<dyn Meter> = Box::new(open);
            Ok(meter)
        })
    }
}

fn described(serial: Option<String>) -> Description {
    let instrument = Instrument {
        model: "Frame illuminance meter (made up)".to_owned(),
        serial,
        kind: Kind::IlluminanceMeter,
        quantities: vec![Quantity::Illuminance],
        integration_s: None,
        range: Some(Span { min: 0.1, max: 100_000.0 }),
        resolution: None,
    };
    Description { instrument, warm_up_s: 0.0, zero: None }
}

/// An open instrument.
#[derive(Debug)]
struct Open {
    link: Box<dyn Link>,
    description: Description,
}

impl Open {
    /// The payload of the answer to `letter`. What comes before it is a fault, unless it `skips` that.
    async fn ask(&mut self, letter: u8, skips: bool) -> Result<[u8; 4], Fault> {
        self.link.send(&[letter]).await?;
        let answer = async {
            let mut held = Vec::new();
            while held.len() < if skips { MOST } else { FRAME } {
                self.link.receive(&mut held).await?;
                if let Some(payload) = held.windows(FRAME).find_map(|frame| payload(letter, frame)) {
                    return Ok(payload);
                }
            }
            Err(Fault::new(FaultKind::Garbled, format!("no frame in {} bytes", held.len())))
        };
        let late = |_| Fault::new(FaultKind::Silent, format!("no whole frame within {ANSWER:?}"));
        timeout(ANSWER, answer).await.map_err(late)?
    }

    /// Asks for the serial number, and drops whatever comes before that: it answers in order, so nothing that it was asked
    /// before comes any more.
    async fn come_to_order(&mut self) -> Result<u32, Fault> {
        self.drain(DUE, QUIET).await?;
        self.ask(b'S', true).await.map(u32::from_be_bytes)
    }

    /// Drops what comes until nothing has come for a while, at first for `patience`.
    async fn drain(&mut self, mut patience: Duration, quiet: Duration) -> Result<(), Fault> {
        let mut dropped = Vec::new();
        while dropped.len() < MOST {
            match timeout(patience, self.link.receive(&mut dropped)).await {
                Ok(received) => received?,
                Err(_) => return Ok(()),
            }
            patience = quiet;
        }
        Err(Fault::new(FaultKind::Garbled, "the instrument doesn't stop talking"))
    }
}

/// The payload of a frame, if that is what it is.
fn payload(letter: u8, frame: &[u8]) -> Option<[u8; 4]> {
    let sum = frame.iter().take(FRAME - 1).fold(0, |sum: u8, byte| sum.wrapping_add(*byte));
    match frame {
        [0x02, told, a, b, c, d, check] if *told == letter && *check == sum => Some([*a, *b, *c, *d]),
        _ => None,
    }
}

impl Meter for Open {
    fn describe(&self) -> &Description {
        &self.description
    }

    fn deadline(&self, _: Exposure) -> Duration {
        ANSWER + Duration::from_secs(1)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            if exposure.integration_s.is_some() {
                return Err(Fault::new(FaultKind::Unsupported, "it always exposes for half a second"));
            }
            // What has come before it is asked is no answer to it.
            self.drain(AT_ONCE, AT_ONCE).await?;
            let lux = f64::from(f32::from_be_bytes(self.ask(b'E', false).await?));
            let light = Light::amount(Photometric::Illuminance, lux);
            let light =
                light.map_err(|error| Fault::new(FaultKind::Garbled, format!("{lux} lx")).because(error))?;
            Ok(Sample { seen: Seen::Light(light), integration_s: Some(0.5), temperature_c: None })
        })
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        self.link.departed()
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async { self.come_to_order().await.map(drop) })
    }
}
