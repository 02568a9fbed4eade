//! Each meter's latest light. Whatever is simulated or played back says so in its labels; dark readings are no light, and aren't here.

use settled_protocol::meter::Meter;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};

use super::exposition::{Kind, Page};
use super::meters::said;
use crate::meter_task::MeterHandle;

/// What a family tells of a reading, where that is known.
type Told = fn(&Reading, f64) -> Option<f64>;

/// Name, unit, words, and what is told.
const FAMILIES: [(&str, &str, &str, Told); 7] = [
    (
        "settled_reading_luminance_cd_m2",
        "cd_m2",
        "Luminance of the latest reading of light, in cd/m².",
        |reading, _| amount(reading, Photometric::Luminance),
    ),
    (
        "settled_reading_illuminance_lux",
        "lux",
        "Illuminance of the latest reading of light, in lx.",
        |reading, _| amount(reading, Photometric::Illuminance),
    ),
    (
        "settled_reading_u_prime",
        "",
        "Chromaticity u′ (CIE 1976) of the latest reading of light, where it has one.",
        |reading, _| Some(reading.light.chromaticity()?.u_prime()),
    ),
    (
        "settled_reading_v_prime",
        "",
        "Chromaticity v′ (CIE 1976) of the latest reading of light, where it has one.",
        |reading, _| Some(reading.light.chromaticity()?.v_prime()),
    ),
    (
        "settled_reading_temperature_celsius",
        "celsius",
        "The meter's own temperature at its latest reading of light, where it tells.",
        |reading, _| reading.temperature_c,
    ),
    (
        "settled_reading_age_seconds",
        "seconds",
        "Since the exposure of the latest reading of light ended, on the daemon's clock: steps of UTC don't bend it.",
        |reading, now_s| Some((now_s - reading.t_s).max(0.0)),
    ),
    (
        "settled_reading_flagged",
        "",
        "How many cautions there are on the latest reading of light, beside that it is simulated, replayed or shared.",
        |reading, _| {
            let cautions = reading.flags.iter().filter(|flag| !PLAIN.contains(flag)).count();
            Some(f64::from(u32::try_from(cautions).unwrap_or(u32::MAX)))
        },
    ),
];

/// Flags that are no reason to doubt a reading that one knows of.
const PLAIN: [Flag; 3] = [Flag::Simulated, Flag::Replayed, Flag::Shared];

pub(super) fn write(page: &mut Page, meters: &[(&MeterHandle, Meter)], now_s: f64) {
    let latest: Vec<_> =
        meters.iter().filter_map(|(handle, meter)| Some((meter, handle.latest()?))).collect();
    for (name, unit, help, told) in FAMILIES {
        let mut family = page.family(Kind::Gauge, name, unit, help);
        for (meter, logged) in &latest {
            let has = |flag| said(logged.reading.flags.contains(&flag));
            let (simulated, replayed) = (has(Flag::Simulated), has(Flag::Replayed));
            let labels = [("meter", meter.id.as_str()), ("simulated", simulated), ("replayed", replayed)];
            family.known(&labels, told(&logged.reading, now_s));
        }
    }
}

fn amount(reading: &Reading, photometric: Photometric) -> Option<f64> {
    (reading.light.photometric() == photometric).then(|| reading.light.value())
}
