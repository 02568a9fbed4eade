//! Temperatures and distances against published ones, and what must hold whatever comes.

use proptest::prelude::*;

use super::super::reference::{Table, assert_near};
use super::*;

fn of_xy([x, y]: [f64; 2]) -> Option<Cct> {
    Cct::of(Chromaticity::from_xy(x, y).unwrap())
}

/// Roots of the tangency condition, which three libraries (colour-science, coloraide, luxpy) confirm.
#[test]
fn temperatures_and_distances_are_those_of_the_exact_roots() {
    let table = Table::read(include_str!("../../../../tests/reference/colour/cct_duv.csv"));
    assert!(table.rows().len() > 60);
    for row in table.rows() {
        let found = of_xy(row.numbers(["x", "y"])).unwrap();
        let (kelvin, name) = (row.number("cct_exact_K"), row.text("name"));
        // The file warrants 0.1 %, 0.3 % of the hottest; x and y with 8 decimals allow for more.
        assert_near(found.kelvin, kelvin, 2e-6 * kelvin, name);
        assert_near(found.duv, row.number("duv_exact"), 1e-7, name);
    }
}

/// ANSI C78.377-2008, table 1: x and y with four decimals.
#[test]
fn nominal_whites_of_ansi_c78_377_have_their_temperatures() {
    let table = Table::read(include_str!("../../../../tests/reference/colour/cct_ansi_c78377.csv"));
    for row in table.rows() {
        let found = of_xy(row.numbers(["x_published", "y_published"])).unwrap();
        assert_near(found.kelvin, row.number("cct_published"), 3.0, row.text("nominal_cct"));
        assert_near(found.duv, row.number("duv_published"), 5e-5, row.text("nominal_cct"));
    }
}

/// Planck's law and CIE 15:2004, 3.1, as colour-science, luxpy and coloraide compute them.
#[test]
fn loci_are_those_of_reference_libraries() {
    let table = Table::read(include_str!("../../../../tests/reference/colour/planckian_daylight_locus.csv"));
    for row in table.rows() {
        let (kelvin, what) = (row.number("T"), row.text("T"));
        let found = planckian(kelvin).unwrap();
        assert_near(found.x(), row.number("x_planck"), 1e-7, what);
        assert_near(found.y(), row.number("y_planck"), 1e-7, what);
        let found = daylight(kelvin);
        assert_eq!(found.is_some(), row.known("x_daylight").is_some(), "{what}");
        if let Some(found) = found {
            assert_near(found.x(), row.number("x_daylight"), 1e-6, what);
            assert_near(found.y(), row.number("y_daylight"), 1e-6, what);
        }
    }
}

#[test]
fn far_off_the_locus_and_beyond_its_ends_there_is_no_temperature() {
    for primary in [[0.64, 0.33], [0.3, 0.6], [0.15, 0.06]] {
        assert_eq!(of_xy(primary), None, "{primary:?}");
    }
    let [hottest, coolest] = [[0.239, 0.232], [0.69, 0.31]];
    assert_eq!((of_xy(hottest), of_xy(coolest)), (None, None));
    assert_eq!((planckian(999.0), planckian(f64::NAN), daylight(3999.0)), (None, None, None));
}

proptest! {
    /// Whatever the light, its temperature and Duv lead back to it: the definition, with the locus computed anew.
    #[test]
    fn a_light_set_off_from_the_locus_has_that_temperature_and_distance(
        log_kelvin in 1050_f64.ln()..90_000_f64.ln(), duv in -0.045_f64..0.045,
    ) {
        let Node { uv: [u, v], slope: [slope_u, slope_v], .. } = Node::at(log_kelvin);
        let scale = duv / slope_u.hypot(slope_v);
        let light = Chromaticity::from_uv(u + slope_v * scale, 1.5 * (v - slope_u * scale)).unwrap();
        let found = Cct::of(light).unwrap();
        let kelvin = log_kelvin.exp();
        prop_assert!((found.kelvin / kelvin - 1.0).abs() < 1e-6, "{found:?} is not {kelvin} K");
        prop_assert!((found.duv - duv).abs() < 1e-9, "{found:?} is not {duv}");
    }
}
