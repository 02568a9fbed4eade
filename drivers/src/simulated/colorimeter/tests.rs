use super::super::primaries::Primaries;
use super::super::rig::near;
use super::*;

fn colorimeter() -> Colorimeter {
    Colorimeter {
        seed: 3,
        integration_s: Span { min: 0.05, max: 5.0 },
        automatic_s: 1.0,
        range: Span { min: 0.001, max: 5000.0 },
        noise: 1.0,
        filters: IDENTITY,
        dark_cd_m2: 0.0,
        resolution_cd_m2: 0.0,
        colour_from_cd_m2: 0.02,
    }
}

/// Standard deviation of Y over `n` exposures of a steady light.
fn spread(luminance: f64, integration_s: f64, n: u32) -> f64 {
    let colorimeter = colorimeter();
    let values: Vec<f64> = (0..n)
        .map(|number| {
            let how = Circumstances {
                integration_s,
                temperature_c: ROOM_C,
                zeroed: Zeroed { celsius: ROOM_C, ..Zeroed::default() },
                number: u64::from(number),
            };
            colorimeter.answer([luminance; 3], how)[1]
        })
        .collect();
    let mean = values.iter().sum::<f64>() / f64::from(n);
    (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / f64::from(n - 1)).sqrt()
}

/// n = 5000: the standard deviation is known to 1/√(2n) = 1 %; tolerance five times that.
#[test]
fn noise_shrinks_with_time_as_its_kind_does() {
    for time_s in [0.1, 1.0, 4.0] {
        // Bright: shot noise alone, relative 0.015/√(L·t).
        near(spread(400.0, time_s, 5000) / 400.0, 0.015 / (400.0 * time_s).sqrt(), 0.05);
        // Black: read noise alone, 0.0005/t.
        near(spread(0.0, time_s, 5000), 0.0005 / time_s, 0.05);
    }
}

#[test]
fn noise_of_both_kinds_adds_in_quadrature() {
    near(spread(0.001, 0.5, 5000), f64::hypot(0.015 * (0.001_f64 / 0.5).sqrt(), 0.001), 0.05);
}

#[test]
fn filters_belong_to_the_seed_and_are_near_unity() {
    assert_eq!(filters(1, 0.002), filters(1, 0.002));
    assert_ne!(filters(1, 0.002), filters(2, 0.002));
    assert_eq!(filters(1, 0.0), IDENTITY);
    for (element, unit) in filters(1, 0.002).iter().flatten().zip(IDENTITY.iter().flatten()) {
        assert!((element - unit).abs() < 0.01);
    }
}

#[test]
fn it_warms_with_one_time_constant() {
    near(Colorimeter::temperature_c(0.0), 23.0, 1e-12);
    near(Colorimeter::temperature_c(600.0), 29.0 - 6.0 * (-1.0_f64).exp(), 1e-12);
    near(Colorimeter::temperature_c(1e9), 29.0, 1e-12);
}

#[test]
fn no_filters_see_negative_light_in_a_primary() {
    for primaries in [Primaries::Bt709, Primaries::P3D65, Primaries::Bt2020] {
        let to_xyz = primaries.to_xyz();
        for seed in 0..20_000 {
            let filters = filters(seed, 0.05);
            for column in 0..3 {
                let [_, y, _] = apply(&filters, to_xyz.map(|row| row[column]));
                assert!(y > 0.0, "{primaries:?} {column} {seed}: {y}");
            }
        }
    }
}
