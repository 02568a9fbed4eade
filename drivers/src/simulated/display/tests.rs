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
