use settled_protocol::stage::Stimulus;

use super::super::rig::{chromaticity, grey, luminance, near, stage, still};

fn decay(t_s: f64, time_s: f64) -> f64 {
    (-t_s / time_s).exp()
}

#[test]
fn peak_white_is_peak_and_d65() {
    for (display, peak) in [("self-emitting", 800.0), ("backlit", 300.0)] {
        for primaries in ["bt709", "p3-d65", "bt2020"] {
            for eotf in ["bt1886", "power", "srgb"] {
                let toml =
                    format!("display = \"{display}\"\nprimaries = \"{primaries}\"\neotf = \"{eotf}\"\n");
                let stage = stage(&still(&toml));
                near(luminance(&stage, 0.0), peak, 1e-12);
                near(chromaticity(&stage, 0.0).x(), 0.3127, 1e-12);
                near(chromaticity(&stage, 0.0).y(), 0.3290, 1e-12);
            }
        }
    }
}

/// Primaries of ITU-R BT.2020; on a display without black light a primary has their chromaticity.
#[test]
fn primaries_are_where_the_standard_puts_them() {
    let stage = stage(&still("display = \"self-emitting\"\nprimaries = \"bt2020\"\n"));
    for (channel, xy) in [(0, [0.708, 0.292]), (1, [0.170, 0.797]), (2, [0.131, 0.046])] {
        let mut colour = [0; 3];
        colour[channel] = 1023;
        stage.show(Stimulus { colour, ..Stimulus::peak_white() }, 0.0);
        near(chromaticity(&stage, 0.0).x(), xy[0], 1e-9);
        near(chromaticity(&stage, 0.0).y(), xy[1], 1e-9);
    }
}

/// SMPTE ST 2084: full-range 10-bit code 520 is 10000·EOTF(520/1023) = 100.2 cd/m² (code 520 is the usual 100 cd/m²).
#[test]
fn pq_is_absolute_and_clips_at_the_peak() {
    let stage = stage(&still("display = \"self-emitting\"\neotf = \"pq\"\n"));
    stage.show(grey(520, 10.0), 0.0);
    near(luminance(&stage, 0.0), 100.0, 0.005);
    stage.show(grey(1000, 10.0), 1.0);
    near(luminance(&stage, 1.0), 800.0, 1e-12);
}

#[test]
fn a_backlit_display_has_a_black() {
    let stage = stage(&still("display = \"backlit\"\n"));
    stage.show(grey(0, 100.0), 0.0);
    near(luminance(&stage, 0.0), 0.2, 1e-12);
}

/// L = Lpeak up to the knee, then Lpeak·(A0/A)^k; k = 1 is constant power.
#[test]
fn the_limiter_holds_the_power() {
    let hard =
        stage(&still("display = \"self-emitting\"\nlimiter_exponent = 1\neotf = \"power\"\ngamma = 1\n"));
    for (percent, expected) in [(1.0, 800.0), (10.0, 800.0), (25.0, 320.0), (50.0, 160.0), (100.0, 80.0)] {
        hard.show(grey(1023, percent), 0.0);
        near(luminance(&hard, 0.0), expected, 1e-12);
    }
    let soft = stage(&still("display = \"self-emitting\"\n"));
    soft.show(grey(1023, 50.0), 0.0);
    near(luminance(&soft, 0.0), 800.0 * 0.2_f64.powf(0.8), 1e-12);
    let bright_surround = Stimulus { background: [1023; 3], ..Stimulus::peak_white() };
    hard.show(bright_surround, 0.0);
    near(luminance(&hard, 0.0), 80.0, 1e-12);
}

#[test]
fn a_patch_creeps_with_two_time_constants_and_recovers_in_the_dark() {
    let stage = stage(&still("display = \"self-emitting\"\ncreep = [-0.03, 0.01]\ncreep_s = [5, 80]\n"));
    let factor = |t: f64| 1.0 - 0.03 * (1.0 - decay(t, 5.0)) + 0.01 * (1.0 - decay(t, 80.0));
    for t in [0.0, 1.0, 20.0, 300.0] {
        near(luminance(&stage, t), 800.0 * factor(t), 1e-12);
    }
    stage.show(grey(0, 10.0), 300.0);
    stage.show(grey(1023, 10.0), 310.0);
    let left = |time_s| (1.0 - decay(300.0, time_s)) * decay(10.0, time_s);
    near(luminance(&stage, 310.0), 800.0 * (1.0 - 0.03 * left(5.0) + 0.01 * left(80.0)), 1e-12);
}

#[test]
fn a_held_patch_sags_and_recovers_each_at_its_own_pace() {
    let stage = stage(&still("display = \"self-emitting\"\nsag = 0.1\nsag_s = [200, 50]\n"));
    stage.switch_on(0.0);
    near(luminance(&stage, 400.0), 800.0 * (1.0 - 0.1 * (1.0 - decay(400.0, 200.0))), 1e-12);
    stage.show(grey(0, 10.0), 400.0);
    stage.show(grey(1023, 10.0), 460.0);
    let left = (1.0 - decay(400.0, 200.0)) * decay(60.0, 50.0);
    near(luminance(&stage, 460.0), 800.0 * (1.0 - 0.1 * left), 1e-12);
}

#[test]
fn a_backlight_sags_whatever_is_shown() {
    let toml = still("display = \"backlit\"\nsag = 0.1\nsag_s = [200, 200]\n");
    let (white, black) = (stage(&toml), stage(&toml));
    white.switch_on(0.0);
    black.show(grey(0, 10.0), 0.0);
    black.show(grey(1023, 10.0), 300.0);
    near(luminance(&black, 300.0), luminance(&white, 300.0), 1e-12);
    near(luminance(&white, 300.0), 300.0 * (1.0 - 0.1 * (1.0 - decay(300.0, 200.0))), 1e-12);
}

#[test]
fn a_cold_display_warms_with_two_time_constants() {
    let stage = stage(&still("display = \"backlit\"\ncold = [-0.05, 0.02]\ncold_s = [100, 900]\n"));
    stage.switch_on(1000.0);
    for t in [0.0, 50.0, 600.0, 7200.0] {
        let factor = 1.0 - 0.05 * decay(t, 100.0) + 0.02 * decay(t, 900.0);
        near(luminance(&stage, 1000.0 + t), 300.0 * factor, 1e-12);
    }
}

#[test]
fn white_drifts_while_the_display_warms() {
    let toml = "display = \"backlit\"\ncold_white = [-0.001, 0.003]\ncold_s = [100, 900]\nwhite_error = [0.002, -0.001]\n";
    let stage = stage(&still(toml));
    let [u, v] = super::d65_uv();
    for t in [0.0, 300.0, 3600.0] {
        let seen = chromaticity(&stage, t);
        near(seen.u_prime(), u + 0.002 - 0.001 * decay(t, 900.0), 1e-12);
        near(seen.v_prime(), v - 0.001 + 0.003 * decay(t, 900.0), 1e-12);
        near(luminance(&stage, t), 300.0, 1e-12);
    }
}

#[test]
fn a_held_picture_leaves_a_ghost_that_grows_with_the_hold_and_fades() {
    let toml = still("display = \"self-emitting\"\nretention = 0.02\nretention_s = [600, 300]\n");
    let ghost = |hold_s: f64, wait_s: f64| {
        let (held, fresh) = (stage(&toml), stage(&toml));
        held.switch_on(0.0);
        held.show(grey(0, 10.0), hold_s);
        fresh.show(grey(0, 10.0), 0.0);
        for stage in [&held, &fresh] {
            stage.show(grey(512, 10.0), hold_s + wait_s);
        }
        luminance(&held, hold_s + wait_s) / luminance(&fresh, hold_s + wait_s) - 1.0
    };
    near(ghost(600.0, 0.0), -0.02 * (1.0 - decay(600.0, 600.0)), 1e-9);
    near(ghost(1800.0, 450.0), -0.02 * (1.0 - decay(1800.0, 600.0)) * decay(450.0, 300.0), 1e-9);
}

#[test]
fn a_ghost_has_the_colour_of_what_was_held() {
    let stage = stage(&still("display = \"self-emitting\"\nretention = 0.1\n"));
    stage.show(Stimulus { colour: [1023, 0, 0], ..Stimulus::peak_white() }, 0.0);
    stage.show(grey(512, 10.0), 3600.0);
    let [u, _] = super::d65_uv();
    assert!(chromaticity(&stage, 3600.0).u_prime() < u - 0.001, "red was held, so red is lost");
}

#[test]
fn gains_scale_their_channels() {
    let stage = stage(&still("display = \"self-emitting\"\ngain = [1, 0.5, 1]\n"));
    // Luminance of green in BT.709: 0.7151687.
    near(luminance(&stage, 0.0), 800.0 * (1.0 - 0.5 * 0.715_168_678_767_756), 1e-9);
}

/// How far the colour at a position is from D65, in u′ and v′.
fn from_d65(stage: &super::super::Stage, position: [f64; 2], t_s: f64) -> [f64; 2] {
    let [u, v] = super::d65_uv();
    let seen = stage.truth_at(position, t_s).unwrap().chromaticity().unwrap();
    [seen.u_prime() - u, seen.v_prime() - v]
}

#[test]
fn light_falls_off_from_the_middle_to_the_corners() {
    let stage = stage(&still("display = \"backlit\"\nfalloff = 0.2\n"));
    stage.show(grey(1023, 100.0), 0.0);
    let at = |x: f64, y: f64| stage.truth_at([x, y], 0.0).unwrap().y() / 300.0;
    near(at(0.5, 0.5), 1.0, 1e-12);
    for (x, y) in [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)] {
        near(at(x, y), 0.8, 1e-12);
    }
    // Half of (1/3)² + (2/3)², and of 1² + 0².
    near(at(2.0 / 3.0, 1.0 / 6.0), 1.0 - 0.2 * (5.0 / 18.0), 1e-12);
    near(at(0.0, 0.5), 0.9, 1e-12);
}

#[test]
fn white_changes_from_the_left_to_the_right() {
    let stage = stage(&still("display = \"backlit\"\ntint = [0.004, -0.002]\n"));
    stage.show(grey(1023, 100.0), 0.0);
    for (x, share) in [(0.0, -0.5), (0.25, -0.25), (0.5, 0.0), (1.0, 0.5)] {
        let [du, dv] = from_d65(&stage, [x, 0.3], 0.0);
        assert!((du - 0.004 * share).abs() < 1e-12 && (dv + 0.002 * share).abs() < 1e-12, "{x}: {du} {dv}");
        near(stage.truth_at([x, 0.3], 0.0).unwrap().y(), 300.0, 1e-12);
    }
}

#[test]
fn meters_look_where_they_are_told_and_at_the_middle_otherwise() {
    let stage =
        stage(&still("display = \"self-emitting\"\neotf = \"power\"\nlimiter_exponent = 0\nfalloff = 0.5\n"));
    let lit = Stimulus { background: [512; 3], window_percent: 25.0, ..Stimulus::peak_white() };
    let before = stage.show_at(lit, Some([0.1, 0.5]), 10.0);
    assert_eq!((before.stimulus, before.position), (Stimulus::peak_white(), None));
    let background = 800.0 * (512.0_f64 / 1023.0).powf(2.2);
    near(luminance(&stage, 10.0), background * (1.0 - 0.5 * 0.64 / 2.0), 1e-12);
    near(luminance(&stage, 9.0), 800.0, 1e-12);
    let before = stage.show_at(lit, None, 20.0);
    assert_eq!((before.stimulus, before.position), (lit, Some([0.1, 0.5])));
    near(luminance(&stage, 20.0), 800.0, 1e-12);
    near(luminance(&stage, 15.0), background * 0.84, 1e-12);
}

#[test]
fn crosstalk_takes_from_colours_and_leaves_greys() {
    let stage = stage(&still("display = \"self-emitting\"\ncrosstalk = 0.1\n"));
    near(luminance(&stage, 0.0), 800.0, 1e-12);
    near(chromaticity(&stage, 0.0).x(), 0.3127, 1e-12);
    stage.show(Stimulus { colour: [1023, 0, 0], ..Stimulus::peak_white() }, 0.0);
    // 0.9 of red and 0.05 of green and of blue; IEC 61966-2-1 prints the matrix to four digits.
    let expected = [
        0.9 * 0.4124 + 0.05 * (0.3576 + 0.1805),
        0.9 * 0.2126 + 0.05 * (0.7152 + 0.0722),
        0.9 * 0.0193 + 0.05 * (0.1192 + 0.9505),
    ];
    let seen: [f64; 3] = stage.truth(0.0).unwrap().into();
    for (seen, expected) in seen.into_iter().zip(expected) {
        assert!((seen / 800.0 - expected).abs() < 1e-4, "{seen} is not {expected}");
    }
}

#[test]
fn near_black_white_goes_off_and_keeps_its_luminance() {
    let toml = "display = \"backlit\"\neotf = \"power\"\nblack_cd_m2 = 0\n";
    let (right, wrong) =
        (stage(&still(toml)), stage(&still(&format!("{toml}near_black_tint = [-0.01, 0.02]\n"))));
    for (code, share) in [(1, 1.0 - 10.0 / 1023.0), (51, 1.0 - 510.0 / 1023.0), (103, 0.0), (512, 0.0)] {
        for stage in [&right, &wrong] {
            stage.show(grey(code, 10.0), f64::from(code));
        }
        let [du, dv] = from_d65(&wrong, [0.5; 2], f64::from(code));
        assert!((du + 0.01 * share).abs() < 1e-9 && (dv - 0.02 * share).abs() < 1e-9, "{code}: {du} {dv}");
        near(luminance(&wrong, f64::from(code)), luminance(&right, f64::from(code)), 1e-12);
    }
}

#[test]
fn a_display_that_is_off_gives_the_rooms_light_alone() {
    let stage = stage(&still("display = \"backlit\"\nglare_cd_m2 = 0.05\nfalloff = 0.5\n"));
    near(luminance(&stage, 0.0), 300.05, 1e-12);
    stage.show(grey(0, 100.0), 1.0);
    near(luminance(&stage, 1.0), 0.25, 1e-12);
    stage.show_at(Stimulus::off(), Some([0.0, 0.0]), 2.0);
    near(luminance(&stage, 2.0), 0.05, 1e-12);
    near(chromaticity(&stage, 2.0).x(), 0.3127, 1e-12);
    let before = stage.show(grey(1023, 10.0), 3.0);
    assert_eq!(before, Stimulus::off());
    near(luminance(&stage, 3.0), 300.05, 1e-12);
}

#[test]
fn a_display_cools_while_it_is_off() {
    let stage = stage(&still("display = \"backlit\"\ncold = [-0.05, 0.02]\ncold_s = [100, 900]\n"));
    stage.switch_on(0.0);
    stage.show(Stimulus::off(), 600.0);
    stage.show(grey(1023, 10.0), 900.0);
    let cold = |time_s: f64| 1.0 - (1.0 - decay(600.0, time_s)) * decay(300.0, time_s);
    near(luminance(&stage, 900.0), 300.0 * (1.0 - 0.05 * cold(100.0) + 0.02 * cold(900.0)), 1e-12);
}

#[test]
fn a_patch_recovers_while_the_display_is_off() {
    let stage = stage(&still("display = \"self-emitting\"\nsag = 0.1\nsag_s = [200, 50]\n"));
    stage.switch_on(0.0);
    stage.show(Stimulus::off(), 400.0);
    stage.show(grey(1023, 10.0), 460.0);
    near(
        luminance(&stage, 460.0),
        800.0 * (1.0 - 0.1 * (1.0 - decay(400.0, 200.0)) * decay(60.0, 50.0)),
        1e-12,
    );
}

/// Peaks of 800 cd/m², of which the PQ signal is 0.7274 or so: below three quarters of that all is as SMPTE ST 2084 has it, at 10-bit code
/// 520 (100.2 cd/m²), and full signal is the peak.
#[test]
fn pq_rolls_off_from_where_it_is_told_to() {
    let stage = |more: &str| stage(&still(&format!("display = \"self-emitting\"\neotf = \"pq\"\n{more}")));
    let soft = stage("tone_mapping = \"roll-off\"\n");
    let (clipped, usual) = (stage("tone_mapping = \"clip\"\n"), stage(""));
    for code in [0, 200, 520, 600, 700, 744, 800, 900, 1023] {
        let t_s = f64::from(code);
        for stage in [&soft, &clipped, &usual] {
            stage.show(grey(code, 10.0), t_s);
        }
        let [soft, clipped, usual] = [&soft, &clipped, &usual].map(|stage| luminance(stage, t_s));
        near(clipped, usual, 1e-15);
        match code {
            0..=520 => assert!((soft - clipped).abs() <= 1e-12 * clipped),
            1023 => near(soft, 800.0, 1e-12),
            _ => assert!(soft < 0.999 * clipped, "{code}: {soft} {clipped}"),
        }
    }
}

/// ITU-R BT.2100, table 5: for a grey without black E = OETF⁻¹(E'), so that L = Lw·E^γ.
#[test]
fn hlg_takes_the_system_gamma_that_it_is_told() {
    let stage = |more: &str| {
        let stage =
            stage(&still(&format!("display = \"self-emitting\"\neotf = \"hlg\"\nblack_cd_m2 = 0\n{more}")));
        stage.show(Stimulus { colour: [1023; 3], window_percent: 5.0, ..Stimulus::peak_white() }, 0.0);
        near(luminance(&stage, 0.0), 800.0, 1e-6);
        stage.show(Stimulus { colour: [511; 3], ..Stimulus::peak_white() }, 1.0);
        luminance(&stage, 1.0)
    };
    let scene = (511.0_f64 / 1023.0).powi(2) / 3.0;
    near(stage("hlg_gamma = 1\n"), 800.0 * scene, 1e-6);
    near(stage("hlg_gamma = 1.4\n"), 800.0 * scene.powf(1.4), 1e-6);
    near(stage(""), 800.0 * scene.powf(1.2 + 0.42 * 0.8_f64.log10()), 1e-6);
}
