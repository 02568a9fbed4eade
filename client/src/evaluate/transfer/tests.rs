use super::*;
use crate::evaluate::aim::{Aim, Primaries};

/// Rows of a file of reference values, as numbers; a cell that holds none is NaN.
fn rows(text: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap_or(f64::NAN)).collect())
        .collect();
    assert!(rows.len() > 5);
    rows
}

macro_rules! reference {
    ($file:literal) => {
        include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/", $file))
    };
}

#[track_caller]
fn near(value: f64, expected: f64, relative: f64, absolute: f64) {
    assert!((value - expected).abs() <= relative * expected.abs() + absolute, "{value} is not {expected}");
}

#[test]
fn bt1886_has_the_values_of_annex_1() {
    // ITU-R BT.1886 (2011), Annex 1, evaluated by two independent programs to nine digits.
    for row in rows(reference!("bt1886_eotf.csv")) {
        near(bt1886::eotf(row[2], row[0], row[1]), row[3], 1e-9, 1e-15);
    }
}

#[test]
fn srgb_and_a_power_law_have_the_values_of_independent_libraries() {
    // IEC 61966-2-1; two independent libraries.
    for row in rows(reference!("srgb_bt709.csv")) {
        near(Transfer::Srgb.luminance(row[1], 1.0, 0.0), row[2], 0.0, 1e-9);
        near(Transfer::Power { gamma: 2.2 }.luminance(row[1], 1.0, 0.0), row[4], 0.0, 1e-9);
    }
}

#[test]
fn st_2084_has_the_values_of_independent_libraries_at_codes_of_narrow_range() {
    // SMPTE ST 2084 at 10-bit narrow-range code values (ITU-R BT.2100-2, table 9); two independent libraries.
    let coding = crate::review::patch::Coding { bits: 10, range: settled_protocol::stage::Range::Narrow };
    for row in rows(reference!("pq_eotf_code10_narrow.csv")) {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a code value")]
        let signal = coding.signal(row[0] as u16);
        near(signal, row[1], 0.0, 1e-12);
        near(Transfer::Pq.luminance(signal, pq::PEAK, 0.0), row[2], 1e-9, 1e-9);
    }
}

#[test]
fn the_inverse_of_st_2084_has_the_values_of_independent_libraries() {
    for row in rows(reference!("pq_inverse_eotf.csv")) {
        near(pq::inverse_eotf(row[0]), row[1], 0.0, 1e-9);
    }
}

#[test]
fn the_hlg_oetf_has_the_values_of_table_5() {
    for row in rows(reference!("hlg_oetf.csv")) {
        near(hlg::oetf(row[0]), row[1], 0.0, 1e-7);
        near(hlg::inverse_oetf(row[1]), row[0], 0.0, 1e-7);
    }
}

#[test]
fn hlg_has_the_values_of_an_independent_library_with_lifted_blacks() {
    for row in rows(reference!("hlg_eotf_grey.csv")) {
        near(hlg::system_gamma(row[0], row[2]), row[3], 0.0, 1e-9);
        let transfer = Transfer::Hlg { surround_cd_m2: row[2] };
        near(transfer.luminance(row[4], row[0], row[1]), row[5], 5e-6, 1e-6);
    }
}

#[test]
fn the_system_gamma_is_bt2100s_where_that_holds_and_bt2390s_elsewhere() {
    for row in rows(reference!("hlg_system_gamma.csv")) {
        let [white, surround] = [row[0], row[1]];
        let standard = (400.0..=2000.0).contains(&white) && surround == 5.0;
        near(hlg::system_gamma(white, surround), if standard { row[2] } else { row[4] }, 0.0, 1e-9);
    }
}

#[test]
fn levels_of_bt2408_are_where_its_table_1_has_them() {
    #[derive(serde::Deserialize)]
    struct Levels {
        levels: Vec<Level>,
    }
    #[derive(serde::Deserialize)]
    struct Level {
        cd_m2_published: f64,
        pq_percent_published: f64,
        hlg_percent_published: f64,
    }
    let levels: Levels = serde_json::from_str(reference!("bt2408_levels.json")).unwrap();
    assert!(levels.levels.len() > 2);
    for level in levels.levels {
        near(100.0 * pq::inverse_eotf(level.cd_m2_published), level.pq_percent_published, 0.0, 0.5);
        let hlg = Transfer::Hlg { surround_cd_m2: 5.0 };
        let [low, high] = [-0.5, 0.5]
            .map(|off: f64| hlg.luminance((level.hlg_percent_published + off) / 100.0, 1000.0, 0.0));
        assert!(
            (low..=high).contains(&level.cd_m2_published),
            "{} is not from {low} to {high}",
            level.cd_m2_published
        );
    }
}

#[test]
fn whatever_the_transfer_function_signal_1_is_white_and_signal_0_black() {
    let all = [
        Transfer::Power { gamma: 2.2 },
        Transfer::Bt1886,
        Transfer::Srgb,
        Transfer::Pq,
        Transfer::Hlg { surround_cd_m2: 5.0 },
    ];
    for transfer in all {
        for (white, black) in [(100.0, 0.1), (600.0, 0.0), (1200.0, 0.005)] {
            near(transfer.luminance(1.0, white, black), white, 1e-6, 0.0);
            near(transfer.luminance(0.0, white, black), black, 1e-9, 1e-12);
            near(transfer.luminance(-0.07, white, black), black, 1e-9, 1e-12);
            near(transfer.luminance(1.09, white, black), white, 1e-6, 0.0);
        }
    }
}

#[test]
fn a_white_that_is_none_gives_no_light() {
    for white in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(Transfer::Bt1886.luminance(0.5, white, 0.0), 0.0);
        let aim = Aim { transfer: Transfer::Bt1886, primaries: Primaries::Bt709, white: None };
        assert_eq!(aim.xyz([0.5; 3], white, 0.0), None);
    }
}

#[test]
fn a_full_primary_has_its_own_chromaticity_and_a_grey_that_of_white() {
    // x, y of ITU-R BT.2020-2, table 3, and of D65 (BT.709-6, 3.2).
    let aim = Aim { transfer: Transfer::Bt1886, primaries: Primaries::Bt2020, white: None };
    let xy = |signal| {
        let [x, y, z] = aim.xyz(signal, 100.0, 0.0).unwrap();
        [x / (x + y + z), y / (x + y + z)]
    };
    for (signal, expected) in [
        ([1.0, 0.0, 0.0], [0.708, 0.292]),
        ([0.0, 0.7, 0.0], [0.17, 0.797]),
        ([0.0, 0.0, 1.0], [0.131, 0.046]),
        ([0.3; 3], [0.3127, 0.329]),
    ] {
        for (value, expected) in xy(signal).into_iter().zip(expected) {
            near(value, expected, 0.0, 1e-9);
        }
    }
}

#[test]
fn hlg_gives_a_primary_its_share_to_the_power_of_the_system_gamma() {
    // BT.2100-2, table 5, OOTF: of a lone channel of full signal Y is its weight, so that its luminance is white·weight^γ; the weight of green is 0.6780.
    let aim =
        Aim { transfer: Transfer::Hlg { surround_cd_m2: 5.0 }, primaries: Primaries::Bt2020, white: None };
    let [_, luminance, _] = aim.xyz([0.0, 1.0, 0.0], 1000.0, 0.0).unwrap();
    near(luminance, 1000.0 * 0.678_f64.powf(1.2), 1e-4, 0.0);
}

#[test]
fn matrices_are_those_of_the_standards() {
    // ITU-R BT.709-6, 3.3 and BT.2020-2, table 4: luminance of the primaries to four decimals.
    for (primaries, weights) in
        [(Primaries::Bt709, [0.2126, 0.7152, 0.0722]), (Primaries::Bt2020, [0.2627, 0.678, 0.0593])]
    {
        let aim = Aim { transfer: Transfer::Power { gamma: 1.0 }, primaries, white: None };
        for (channel, weight) in weights.into_iter().enumerate() {
            let signal = std::array::from_fn(|other| if other == channel { 1.0 } else { 0.0 });
            near(aim.xyz(signal, 1.0, 0.0).unwrap()[1], weight, 0.0, 6e-5);
        }
    }
}
