//! From what a plugin says to a description and a sample: whatever is out of its bounds is garbled, and never a value.

use std::ops::RangeInclusive;
use std::time::Duration;

use settled_protocol::meter::{Instrument, Quantity, Span};
use settled_protocol::method::Method;
use settled_protocol::plugin::{Measured, Opened, PluginError, PluginFault};
use settled_protocol::quantity::{Chromaticity, Light, Photometric, Unphysical, Xyz};
use settled_protocol::text::Text;

use super::conversation::MOST_WORDS;
use super::stderr::printable;
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Overdue, ZeroNeed};
use crate::sample::{Sample, Seen};

/// Deadlines that a plugin may ask for, in s. A hang is noticed no later.
const DEADLINE_S: RangeInclusive<f64> = 0.1..=600.0;

/// How much longer for each second of integration.
const FACTOR: RangeInclusive<f64> = 0.0..=100.0;

/// The longest that any exposure may take, whatever the plugin says, in s.
const LONGEST_S: f64 = 3600.0;

/// Warm-ups, and how long a dark reading is good for, in s: up to a day, up to a year.
const WARM_UP_S: RangeInclusive<f64> = 0.0..=86_400.0;
const ZERO_EVERY_S: RangeInclusive<f64> = 1.0..=31_557_600.0;

/// Integration times, in s.
const INTEGRATION_S: RangeInclusive<f64> = 1e-6..=3600.0;

/// Temperatures of an instrument, in °C.
const TEMPERATURE_C: RangeInclusive<f64> = -100.0..=200.0;

/// What an instrument behind a plugin is, and how long it may take.
#[derive(Clone, Debug, PartialEq)]
pub struct Introduced {
    /// What it is and needs.
    pub description: Description,
    /// What the amounts of its light are.
    pub photometric: Photometric,
    /// The longest exposure whose integration time the instrument chooses.
    deadline_s: f64,
    deadline_factor: f64,
    /// The longest that a dark reading may take.
    pub zero_deadline: Duration,
}

fn garbled(detail: impl Into<String>) -> Fault {
    Fault::new(FaultKind::Garbled, detail)
}

/// Reads the result of a method.
///
/// # Errors
/// `Garbled`: it has not what such a result has.
pub fn read<M: Method>(result: &str) -> Result<M::Output, Fault> {
    settled_protocol::plugin::result::<M>(result).map_err(|nonsense| {
        let why = printable(&nonsense.to_string(), MOST_WORDS);
        garbled(format!("the plugin's answer to {} does not fit: {why}", M::NAME))
    })
}

/// A plugin's error as a fault. No wildcard: a new kind must be given its fault here.
#[must_use]
pub fn fault(error: &PluginError) -> Fault {
    let kind = match error.kind() {
        PluginFault::Gone => FaultKind::Gone,
        PluginFault::Busy => FaultKind::Busy,
        PluginFault::Denied => FaultKind::Denied,
        PluginFault::Silent => FaultKind::Silent,
        PluginFault::Garbled => FaultKind::Garbled,
        PluginFault::BelowRange => FaultKind::BelowRange,
        PluginFault::AboveRange => FaultKind::AboveRange,
        PluginFault::Unsupported => FaultKind::Unsupported,
        PluginFault::Refused => FaultKind::Refused,
    };
    Fault::new(kind, printable(&error.message, MOST_WORDS))
}

fn within(name: &str, value: f64, bounds: &RangeInclusive<f64>) -> Result<(), Fault> {
    if bounds.contains(&value) {
        return Ok(());
    }
    let (from, to) = (bounds.start(), bounds.end());
    Err(garbled(format!("the plugin's {name} is {value}, which must be {from} to {to}")))
}

fn span(name: &str, span: Option<Span>, bounds: &RangeInclusive<f64>) -> Result<(), Fault> {
    let Some(Span { min, max }) = span else { return Ok(()) };
    within(name, min, bounds)?;
    within(name, max, bounds)?;
    if min <= max {
        Ok(())
    } else {
        Err(garbled(format!("the plugin's {name} does not rise: {min} to {max}")))
    }
}

fn instrument(opened: Opened) -> Instrument {
    let Opened { model, serial, kind, quantities, integration_s, range, resolution, .. } = opened;
    Instrument { model, serial, kind, quantities, integration_s, range, resolution }
}

impl Introduced {
    /// Checks what the plugin says of its instrument.
    ///
    /// # Errors
    /// `Garbled`, with the member that is out of its bounds.
    pub fn check(opened: Opened) -> Result<Self, Fault> {
        let Opened { warm_up_s, zero, deadline_s, deadline_factor, .. } = opened;
        let instrument = instrument(opened);
        for (name, text) in [("model", Some(&instrument.model)), ("serial", instrument.serial.as_ref())] {
            let Some(text) = text else { continue };
            if text.trim().is_empty() || Text::try_from(text.clone()).is_err() {
                return Err(garbled(format!("the plugin's {name} is not 1 to 200 printable characters")));
            }
        }
        let has = |quantity| instrument.quantities.contains(&quantity);
        let photometric = match (has(Quantity::Luminance), has(Quantity::Illuminance)) {
            (true, false) => Photometric::Luminance,
            (false, true) => Photometric::Illuminance,
            _ => {
                return Err(garbled(
                    "the plugin's quantities hold neither or both of luminance and illuminance",
                ));
            }
        };
        if instrument.quantities.len() > 4 {
            return Err(garbled("the plugin's quantities name one twice"));
        }
        span("integration_s", instrument.integration_s, &INTEGRATION_S)?;
        span("range", instrument.range, &(0.0..=f64::MAX))?;
        within("resolution", instrument.resolution.unwrap_or(1.0), &(f64::MIN_POSITIVE..=f64::MAX))?;
        within("warm_up_s", warm_up_s, &WARM_UP_S)?;
        within("deadline_s", deadline_s, &DEADLINE_S)?;
        within("deadline_factor", deadline_factor, &FACTOR)?;
        if let Some(zero) = zero {
            within("zero.every_s", zero.every_s.unwrap_or(1.0), &ZERO_EVERY_S)?;
            within("zero.within_k", zero.within_k.unwrap_or(1.0), &(0.01..=100.0))?;
            within("zero.deadline_s", zero.deadline_s, &DEADLINE_S)?;
        }
        let zero_deadline = Duration::from_secs_f64(zero.map_or(1.0, |zero| zero.deadline_s));
        let zero = zero.map(|zero| ZeroNeed {
            at_start: zero.at_start,
            every_s: zero.every_s,
            within_k: zero.within_k,
            overdue: if zero.refuse_overdue { Overdue::Refuse } else { Overdue::Flag },
        });
        let description = Description { instrument, warm_up_s, zero };
        Ok(Self { description, photometric, deadline_s, deadline_factor, zero_deadline })
    }

    /// The longest that an exposure may take.
    #[must_use]
    pub fn deadline(&self, integration_s: Option<f64>) -> Duration {
        let asked_s = integration_s.filter(|s| INTEGRATION_S.contains(s)).unwrap_or(0.0);
        Duration::from_secs_f64((self.deadline_s + self.deadline_factor * asked_s).min(LONGEST_S))
    }

    /// The sample of an exposure that was asked for with `integration_s`.
    ///
    /// # Errors
    /// `Garbled` if the plugin gives none or several, one that the instrument said it doesn't measure, or a number that is
    /// out of its bounds.
    pub fn sample(&self, measured: Measured, integration_s: Option<f64>) -> Result<Sample, Fault> {
        let Measured { integration_s: used, temperature_c, .. } = measured;
        within("integration_s", used.unwrap_or(1.0), &INTEGRATION_S)?;
        within("temperature_c", temperature_c.unwrap_or(0.0), &TEMPERATURE_C)?;
        Ok(Sample { seen: self.seen(measured)?, integration_s: used.or(integration_s), temperature_c })
    }

    fn seen(&self, measured: Measured) -> Result<Seen, Fault> {
        let Measured { luminance_cd_m2, illuminance_lx, xy, xyz, spectrum, .. } = measured;
        let amounts = [
            (Photometric::Luminance, "luminance_cd_m2", luminance_cd_m2),
            (Photometric::Illuminance, "illuminance_lx", illuminance_lx),
        ];
        let given = amounts.iter().filter(|(.., value)| value.is_some()).count();
        if given + usize::from(xyz.is_some()) + usize::from(spectrum.is_some()) != 1 {
            let names = "luminance_cd_m2, illuminance_lx, xyz and spectrum";
            return Err(garbled(format!("the plugin's answer must have exactly one of {names}")));
        }
        if xy.is_some() && given == 0 {
            return Err(garbled("the plugin's answer has xy beside what tells the colour already"));
        }
        if let Some(spectrum) = spectrum {
            self.declared(Quantity::Spectrum, "spectrum")?;
            return Ok(Seen::Spectrum(self.photometric, spectrum));
        }
        if let Some(xyz) = xyz {
            self.declared(Quantity::Xyz, "xyz")?;
            return Ok(Seen::Light(Light::colour(self.photometric, xyz)));
        }
        for (photometric, name, value) in amounts {
            let Some(value) = value else { continue };
            if photometric != self.photometric {
                return Err(garbled(format!(
                    "the plugin's answer has {name}, which its quantities have not"
                )));
            }
            return self.amount(value, xy).map(Seen::Light);
        }
        Err(garbled("the plugin's answer has no light in it"))
    }

    fn amount(&self, value: f64, xy: Option<[f64; 2]>) -> Result<Light, Fault> {
        let unphysical = |error: Unphysical| garbled("the plugin's answer is no light").because(error);
        let Some([x, y]) = xy else { return Light::amount(self.photometric, value).map_err(unphysical) };
        self.declared(Quantity::Xyz, "xy")?;
        let colour = Chromaticity::from_xy(x, y).and_then(|xy| Xyz::from_chromaticity(xy, value));
        Ok(Light::colour(self.photometric, colour.map_err(unphysical)?))
    }

    fn declared(&self, quantity: Quantity, member: &str) -> Result<(), Fault> {
        if self.description.instrument.quantities.contains(&quantity) {
            return Ok(());
        }
        Err(garbled(format!("the plugin's answer has {member}, which its quantities have not")))
    }
}

#[cfg(test)]
mod tests;
