//! Light of the room that a display throws back.

/// Luminance that diffuse reflection adds, in cd/m²: L = ρ·E/π, of the illuminance on the screen in lx and its luminance factor for diffuse light, 0 to 1
/// (by definition of the luminance factor; CIE 15). A glossy screen throws back what it mirrors on top.
#[must_use]
pub fn veiling(illuminance_lx: f64, luminance_factor: f64) -> f64 {
    luminance_factor * illuminance_lx / std::f64::consts::PI
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn veiling_is_that_of_the_definition() {
        // Cases worked out from L = ρE/π.
        for (lux, factor, expected) in
            [(1.0, 0.01, 0.003_183_098_862), (1.0, 0.05, 0.015_915_494_31), (5.0, 0.02, 0.031_830_988_62)]
        {
            assert!((veiling(lux, factor) / expected - 1.0).abs() < 1e-9);
        }
    }
}
