use super::*;
use crate::evaluate::aim::Transfer;
use crate::evaluate::draws::Calibration;

fn draws() -> Draws {
    Draws::new(Calibration::default())
}

/// Each known to 0.3 %, and in no case better than 0.0005 cd/m².
fn light(luminance: f64) -> Measured {
    Measured { luminance_u: (0.003 * luminance).hypot(0.0005), ..Measured::exactly(luminance, None) }
}

fn ramp(luminance: impl Fn(f64) -> f64) -> Ramp {
    let steps: Vec<(f64, Measured)> = (0..=20)
        .map(|step| f64::from(step) / 20.0)
        .map(|signal| (signal, light(luminance(signal))))
        .collect();
    Ramp::new(&steps, None, None).unwrap()
}

#[test]
fn the_local_gamma_is_that_of_the_reference_tables() {
    // ln(L/Lw)/ln V of ITU-R BT.1886's values, by two independent programs.
    let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/bt1886_eotf.csv"));
    let mut compared = 0;
    for line in text.lines() {
        let cells: Vec<f64> = line.split(',').filter_map(|cell| cell.parse().ok()).collect();
        let [white, _, signal, luminance, expected] = cells[..] else { continue };
        if signal < 1.0 {
            let found = local(signal, luminance, white, 0.0).unwrap();
            assert!((found - expected).abs() < 1e-7, "{found} is not {expected} at {signal}");
            compared += 1;
        }
    }
    assert!(compared > 50);
}

#[test]
fn the_local_gamma_above_black_is_that_of_an_independent_evaluation_of_a_ramp() {
    // A grey ramp evaluated by an independent library (column gamma_bc).
    let text = include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../tests/reference/colour/greyscale_tracking.csv"
    ));
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect())
        .collect();
    let [white, black] = [rows[rows.len() - 1][2], rows[0][2]];
    let mut compared = 0;
    for row in &rows {
        let expected = row[row.len() - 1];
        if expected.is_finite() {
            let found = local(row[0], row[2], white, black).unwrap();
            assert!((found - expected).abs() < 2e-6, "{found} is not {expected} at {}", row[0]);
            compared += 1;
        }
    }
    assert!(compared > 15);
}

#[test]
fn the_gamma_of_a_power_law_is_its_exponent_whatever_its_black() {
    for gamma in [1.8, 2.2, 2.6] {
        for black in [0.0, 0.2] {
            let transfer = Transfer::Power { gamma };
            let ramp = ramp(|signal| transfer.luminance(signal, 200.0, black));
            let aim = |signal, white, black| transfer.luminance(signal, white, black);
            let found = fitted(&ramp, Domain::RAMP, &draws(), aim).unwrap();
            assert!((found.gamma.value - gamma).abs() < 1e-9, "{found:?}");
            assert!((found.aim - gamma).abs() < 1e-9, "{found:?}");
            assert!(found.gamma.u95() > 0.0005 && found.gamma.u95() < 0.02, "{found:?}");
        }
    }
}

#[test]
fn the_interval_of_a_gamma_holds_the_truth_as_often_as_it_says() {
    let transfer = Transfer::Power { gamma: 2.2 };
    let truth = ramp(|signal| transfer.luminance(signal, 200.0, 0.1));
    let mut held = 0;
    let mut tried = 0;
    // Each draw of the truth is what somebody may have measured.
    let mut measured: Vec<Vec<Measured>> = Vec::new();
    draws().each(truth.lights(), |lights| measured.push(lights.to_vec()));
    for lights in measured.into_iter().step_by(10) {
        let steps: Vec<(f64, Measured)> = truth.signals().iter().copied().zip(lights).collect();
        let ramp = Ramp::new(&steps, None, None).unwrap();
        let found = fitted(&ramp, Domain::RAMP, &draws(), |_, white, _| white / 2.0).unwrap();
        tried += 1;
        held += usize::from(found.gamma.holds(2.2));
    }
    // Of 100 with 95 % each, fewer than 88 or all of them come in 1 of 200.
    assert!(tried == 100 && (88..=100).contains(&held), "{held} of {tried}");
}

#[test]
fn near_black_a_change_of_exponent_is_found_and_what_is_not_clear_of_black_counts_for_nothing() {
    let transfer = Transfer::Power { gamma: 2.2 };
    let steps: Vec<(f64, Measured)> = (0..10)
        .map(|step| f64::from(step) / 100.0)
        .map(|signal| (signal, light(0.01 + 200.0 * signal.powf(2.0))))
        .collect();
    let ramp = Ramp::new(&steps, Some(light(200.0)), None).unwrap();
    let found = fitted(&ramp, Domain::NEAR_BLACK, &draws(), |signal, white, black| {
        transfer.luminance(signal, white, black)
    })
    .unwrap();
    assert!(found.gamma.holds(2.0) && (found.aim - 2.2).abs() < 1e-9, "{found:?}");
    let dark: Vec<(f64, Measured)> = vec![(0.0, light(0.01)), (0.02, light(0.0101)), (0.04, light(0.0103))];
    let ramp = Ramp::new(&dark, Some(light(200.0)), None).unwrap();
    assert_eq!(fitted(&ramp, Domain::NEAR_BLACK, &draws(), |_, white, _| white), None);
}

#[test]
fn the_hlg_gamma_of_a_display_is_found_with_and_without_black() {
    for gamma in [1.0, 1.2, 1.4] {
        for black in [0.0, 0.01, 0.1] {
            let display = hlg::Display { white: 1000.0, black, gamma };
            let ramp = ramp(|signal| display.eotf([signal; 3], [1.0, 0.0, 0.0])[0]);
            let found = fitted_hlg(&ramp, &draws()).unwrap();
            assert!((found.value - gamma).abs() < 1e-4 && found.holds(gamma), "{found:?} is not {gamma}");
        }
    }
}
