//! SMPTE ST 2084:2014, 5; Recommendation ITU-R BT.2100-2, table 4: perceptual quantization (clause of ST 2084 from memory).

/// The luminance of a signal of 1, in cd/m².
pub const PEAK: f64 = 10_000.0;

const M1: f64 = 2610.0 / 16384.0;
const M2: f64 = 2523.0 / 4096.0 * 128.0;
const C1: f64 = 3424.0 / 4096.0;
const C2: f64 = 2413.0 / 4096.0 * 32.0;
const C3: f64 = 2392.0 / 4096.0 * 32.0;

/// The luminance, in cd/m², of a signal, which counts as 0 or 1 beyond them.
#[must_use]
pub fn eotf(signal: f64) -> f64 {
    let root = signal.clamp(0.0, 1.0).powf(1.0 / M2);
    ((root - C1).max(0.0) / (C2 - C3 * root)).powf(1.0 / M1) * PEAK
}

/// The signal, from 0 to 1, of a luminance in cd/m², which counts as 0 or 10 000 beyond them. That of 0 is some 7·10⁻⁷, as the standard has it.
#[must_use]
pub fn inverse_eotf(luminance: f64) -> f64 {
    encoded(luminance.min(PEAK))
}

/// The same, going on above 1 beyond 10 000 cd/m², as colour differences need it.
pub(in crate::evaluate) fn encoded(luminance: f64) -> f64 {
    let share = (luminance / PEAK).max(0.0).powf(M1);
    ((C1 + C2 * share) / (1.0 + C3 * share)).powf(M2)
}
