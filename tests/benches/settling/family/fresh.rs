//! Families that the engine's constants were not chosen on.

use super::{Draft, Noise, Segment, one_of, shape, sum};
use crate::noise::Dice;

/// The segments of a family; nothing if it isn't one of these.
pub(super) fn segments(family: &str, draft: &mut Draft, dice: &mut Dice) -> Option<Vec<Segment>> {
    let (hold, band) = (draft.criteria.hold_s, draft.criteria.luminance);
    let (level, uv) = (draft.level, draft.uv);
    let (noise, sampling, end) = (&mut draft.noise, &mut draft.sampling, &mut draft.end);
    let one = |trend| vec![Segment { start: 0.0, trend }];
    Some(match family {
        "stretched" => {
            *end = 5400.0;
            let (amplitude, constant, power) =
                (dice.sign() * dice.decades(0.02, 0.2), dice.decades(20.0, 400.0), dice.uniform(0.4, 0.8));
            one(shape(level, uv, move |t| amplitude * (-(t / constant).powf(power)).exp()))
        }
        "rise, then sag" => {
            *end = 5400.0;
            let rise = [-dice.decades(0.01, 0.1), dice.decades(1e-4, 1e-3), dice.uniform(20.0, 200.0)];
            let sag = [dice.decades(0.01, 0.08), dice.decades(1e-4, 1e-3), rise[2] * dice.uniform(3.0, 8.0)];
            one(sum(level, uv, vec![rise, sag], 0.0))
        }
        "ringing" => {
            let (amplitude, period, phase) =
                (dice.decades(0.01, 0.05), dice.uniform(60.0, 400.0), dice.phase());
            let constant = period * dice.uniform(0.4, 1.2);
            one(shape(level, uv, move |t| {
                amplitude * (-t / constant).exp() * (std::f64::consts::TAU * t / period + phase).sin()
            }))
        }
        "colour alone" => {
            *end = 4500.0;
            one(sum(level, uv, vec![[0.0, dice.decades(1e-3, 8e-3), dice.uniform(60.0, 900.0)]], 0.0))
        }
        "no colour" => {
            sampling.coloured = false;
            *end = 4500.0;
            one(one_of(level, uv, 3, dice))
        }
        "longer exposures" => {
            *noise =
                Noise { shot: dice.decades(1e-3, 2e-2), read: dice.decades(1e-4, 3e-3), ..Noise::default() };
            sampling.interval = dice.decades(0.3, 1.0);
            sampling.changes = Some((dice.uniform(30.0, 600.0), dice.decades(3.0, 10.0)));
            let level = dice.decades(0.5, 50.0);
            one(one_of(level, uv, 3, dice))
        }
        "meter away" => {
            *end = 5400.0;
            let from = dice.uniform(100.0, 900.0);
            sampling.gaps.push((from, from + dice.decades(60.0, 1200.0)));
            one(one_of(level, uv, 3, dice))
        }
        "late ramp" => {
            *end = 4500.0;
            let (event, bands, sign) = (dice.uniform(300.0, 900.0), dice.decades(1.5, 6.0), dice.sign());
            let rate = sign * bands * band / hold;
            let constant = dice.uniform(200.0, 900.0);
            let trend =
                shape(level, uv, move |t| rate * constant * -(-(t - event).max(0.0) / constant).exp_m1());
            vec![Segment { start: 0.0, trend: sum(level, uv, vec![], 0.0) }, Segment { start: event, trend }]
        }
        _ => return None,
    })
}
