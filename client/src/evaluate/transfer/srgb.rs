//! IEC 61966-2-1:1999, 5.2: sRGB (clause from memory).

/// Light, from 0 to 1, of a signal from 0 to 1.
#[must_use]
pub fn eotf(signal: f64) -> f64 {
    if signal <= 0.04045 { signal / 12.92 } else { ((signal + 0.055) / 1.055).powf(2.4) }
}
