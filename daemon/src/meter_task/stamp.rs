//! A sample becomes a reading: corrected, stamped and flagged, once. Its number comes from the log.
//!
//! A dark reading is not corrected: it tells of the meter's own zero and is no light of the display that the correction was made for,
//! and the zero must not seem to jump where corrections change. The range is the meter's own, so flags of range go by what it saw.

use settled_drivers::driver::Source;
use settled_drivers::meter::Description;
use settled_drivers::sample::Sample;
use settled_protocol::quantity::Light;
use settled_protocol::reading::{Flag, Reading};

use super::through::Reads;
use crate::clock::Moment;
use crate::correct::corrected;

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
    /// The correction in force when the exposure began.
    pub(super) reads: Option<&'a Reads>,
}

/// The reading, with a sequence of 0 until the log has numbered it.
pub(super) fn stamped(
    sample: &Sample,
    light: Light,
    description: &Description,
    stamp: &Stamp<'_>,
) -> Reading {
    let value = light.value();
    // Without X, Y, Z there is nothing to correct.
    let reads = stamp.reads.filter(|_| !stamp.dark && light.xyz().is_some());
    let through = reads.and_then(|reads| Some((reads, corrected(reads.matrix?, light)?)));
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
        (Flag::CorrectionStale, through.is_some_and(|(reads, _)| reads.stale)),
        (Flag::CorrectionMismatch, reads.is_some_and(|reads| reads.mismatch)),
    ];
    Reading {
        sequence: 0,
        meter: stamp.meter.to_owned(),
        at: stamp.ended.at,
        t_s: stamp.ended.t_s,
        began_s: stamp.began_s,
        boot: stamp.boot.to_owned(),
        integration_s: sample.integration_s,
        light: through.map_or(light, |(_, corrected)| corrected),
        spectrum: None,
        observer: None,
        bandwidth_nm: None,
        correction: through.map(|(reads, _)| reads.id.clone()),
        temperature_c: sample.temperature_c,
        runs: Vec::new(),
        flags: flags.into_iter().filter(|(_, holds)| *holds).map(|(flag, _)| flag).collect(),
    }
}
