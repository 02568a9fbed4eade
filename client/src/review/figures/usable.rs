//! Which measurements a figure may rest on: one rule for all of them, white and black of a set included.

use settled_protocol::reading::Flag;
use settled_protocol::settling::Verdict;

use crate::evaluate::measured::Measured;
use crate::review::plan::What;
use crate::review::record::{Course, Measurement};

/// Why no figure may rest on a measurement, in words; nothing where one may, if only as a bound as it is below the meter's range.
pub(in crate::review) fn unusable(measurement: &Measurement) -> Option<&'static str> {
    let is_finite = |light: Measured| light.luminance.is_finite() && light.luminance_u.is_finite();
    if measurement.verdict == Verdict::Lost {
        Some("its light did not stay settled")
    } else if measurement.flags.contains(&Flag::Dark) {
        Some("it was read with the aperture covered")
    } else if measurement.flags.contains(&Flag::AboveRange) {
        Some("it is above the meter's range")
    } else if !measurement.light().is_some_and(is_finite) {
        Some("it has no value")
    } else {
        None
    }
}

/// Whether it is below what the meter states it can measure.
pub(in crate::review) fn is_below_range(measurement: &Measurement) -> bool {
    measurement.flags.contains(&Flag::BelowRange)
}

/// The light, unless the display jumped away from it meanwhile or the meter doesn't vouch for it.
pub(crate) fn usable(measurement: &Measurement) -> Option<Measured> {
    bound(measurement).filter(|_| !is_below_range(measurement))
}

/// Black as aims rest on it: below the meter's range it may be anything up to the smallest luminance that the meter vouches for. Nothing where the record doesn't
/// say what that is.
pub(in crate::review) fn black(measurement: &Measurement, least_cd_m2: Option<f64>) -> Option<Measured> {
    let light = bound(measurement)?;
    if is_below_range(measurement) { Some(light.at_most(least_cd_m2?)) } else { Some(light) }
}

/// The same with what is below the meter's range, as it was read.
pub(in crate::review) fn bound(measurement: &Measurement) -> Option<Measured> {
    measurement.light().filter(|_| unusable(measurement).is_none())
}

/// Why no figure of `what` may rest on a course, in words: which of its points it is that the meter doesn't vouch for isn't known. Of the window that is held
/// before a ghost is watched only its length counts.
pub(in crate::review) fn unvouched(course: &Course, what: &What) -> Option<&'static str> {
    if matches!(what, What::Retention { .. }) && course.place.step == 1 {
        None
    } else if course.flags.contains(&Flag::Dark) {
        Some("the aperture was covered")
    } else if course.flags.contains(&Flag::AboveRange) {
        Some("it is above the meter's range")
    } else {
        None
    }
}

/// What is to be said of the figures of a course that rest on readings below the meter's range; nothing where none do. They aren't left out: a display that has just been
/// switched on shows little, and so does the dark grey of a ghost.
pub(in crate::review) fn doubt(course: &Course, what: &What) -> Option<String> {
    let is_hold = matches!(what, What::Retention { .. }) && course.place.step == 1;
    let is_doubtful =
        !is_hold && unvouched(course, what).is_none() && course.flags.contains(&Flag::BelowRange);
    is_doubtful.then(|| {
        let name = &course.patch.name;
        format!("{name}: some of its readings are below the meter's range, where what it reads may be off, and these figures with it")
    })
}
