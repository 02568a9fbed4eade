//! Which measurements a figure may rest on.

use settled_protocol::reading::Flag;
use settled_protocol::settling::Verdict;

use crate::evaluate::measured::Measured;
use crate::review::record::Measurement;

/// The light, unless the display jumped away from it meanwhile or the meter doesn't vouch for it.
pub(super) fn usable(measurement: &Measurement) -> Option<Measured> {
    let vouched = !measurement.flags.iter().any(|flag| matches!(flag, Flag::BelowRange | Flag::AboveRange));
    measurement.light().filter(|light| {
        vouched
            && measurement.verdict != Verdict::Lost
            && light.luminance.is_finite()
            && light.luminance_u.is_finite()
    })
}
