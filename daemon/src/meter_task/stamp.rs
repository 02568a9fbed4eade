//! A sample becomes a reading: stamped and flagged, once. Its number comes from the log.

use settled_drivers::driver::Source;
use settled_drivers::meter::Description;
use settled_drivers::sample::Sample;
use settled_protocol::quantity::Light;
use settled_protocol::reading::{Flag, Reading};

use crate::clock::Moment;

/// What a stamp says beside the sample.
#[derive(Debug)]
pub(super) struct Stamp<'a> {
    pub(super) meter: &'a str,
    pub(super) boot: &'a str,
    pub(super) began_s: f64,
    pub(super) ended: Moment,
    pub(super) warming: bool,
    pub(super) zero_overdue: bool,
    pub(super) source: Source,
    pub(super) shared: bool,
    pub(super) dark: bool,
}

/// The reading, with a sequence of 0 until the log has numbered it.
pub(super) fn stamped(
    sample: &Sample,
    light: Light,
    description: &Description,
    stamp: &Stamp<'_>,
) -> Reading {
    let value = light.value();
    let range = description.instrument.range;
    let flags = [
        (Flag::Simulated, stamp.source.is_simulated()),
        (Flag::Replayed, stamp.source.is_replayed()),
        (Flag::BelowRange, range.is_some_and(|range| value < range.min)),
        (Flag::AboveRange, range.is_some_and(|range| value > range.max)),
        (Flag::MeterWarming, stamp.warming),
        (Flag::ZeroOverdue, stamp.zero_overdue),
        (Flag::Shared, stamp.shared),
        (Flag::Dark, stamp.dark),
    ];
    Reading {
        sequence: 0,
        meter: stamp.meter.to_owned(),
        at: stamp.ended.at,
        t_s: stamp.ended.t_s,
        began_s: stamp.began_s,
        boot: stamp.boot.to_owned(),
        integration_s: sample.integration_s,
        light,
        spectrum: None,
        correction: None,
        temperature_c: sample.temperature_c,
        flags: flags.into_iter().filter(|(_, holds)| *holds).map(|(flag, _)| flag).collect(),
    }
}
