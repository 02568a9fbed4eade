//! Families that the engine's constants were chosen on, with other seeds.

use super::{Draft, Noise, Segment, creep, line, one_of, shape, sum};
use crate::noise::Dice;

/// The segments of a family; nothing if it isn't one of these.
#[expect(clippy::too_many_lines, reason = "a list of families, each a few lines")]
pub(super) fn segments(family: &str, draft: &mut Draft, dice: &mut Dice) -> Option<Vec<Segment>> {
    let (hold, band, colour_band) =
        (draft.criteria.hold_s, draft.criteria.luminance, draft.criteria.chromaticity);
    let (level, uv) = (draft.level, draft.uv);
    let (noise, sampling, end) = (&mut draft.noise, &mut draft.sampling, &mut draft.end);
    let one = |trend| vec![Segment { start: 0.0, trend }];
    Some(match family {
        "flat" => one(sum(level, uv, vec![], 0.0)),
        "flat, noisy" => {
            noise.relative = band * dice.decades(0.5, 4.0);
            one(sum(level, uv, vec![], 0.0))
        }
        "backlit, cold" => {
            *end = 6000.0;
            let since = -dice.uniform(0.0, 300.0);
            let terms = vec![
                [-dice.decades(0.05, 0.25), 0.0, dice.uniform(60.0, 240.0)],
                [dice.decades(0.01, 0.06), 0.0, dice.uniform(300.0, 1200.0)],
                [0.0, dice.uniform(1e-3, 3e-3), dice.uniform(300.0, 1200.0)],
            ];
            one(sum(level, uv, terms, since))
        }
        "creep" => one(creep(level, uv, 0.0, dice)),
        "dimming" => {
            let (event, drop, rate) =
                (dice.uniform(120.0, 900.0), dice.decades(0.03, 0.2), -dice.decades(1e-7, 1e-5));
            let ramp = if dice.chance(0.5) { 0.5 } else { dice.uniform(2.0, 10.0) };
            let before = line(level, uv, rate, 0.0);
            let after = line(level, uv, rate, 0.0);
            let dimmed = move |t: f64| {
                let [y, u, v] = after(t);
                [y * (1.0 - drop * -(-(t - event).max(0.0) / ramp).exp_m1()), u, v]
            };
            vec![Segment { start: 0.0, trend: before }, Segment { start: event, trend: Box::new(dimmed) }]
        }
        "two exponentials" => {
            *end = 4500.0;
            let quick =
                [dice.sign() * dice.decades(0.01, 0.1), dice.decades(1e-4, 1e-3), dice.uniform(5.0, 40.0)];
            let slow = [
                dice.sign() * dice.decades(0.01, 0.1),
                dice.decades(1e-4, 2e-3),
                dice.uniform(300.0, 1200.0),
            ];
            one(sum(level, uv, vec![quick, slow], 0.0))
        }
        "never, linear" => {
            let (bands, sign) = (dice.decades(1.2, 3.0), dice.sign());
            if dice.chance(0.7) {
                let rate = bands * band / hold;
                *end = end.min(0.9 / rate);
                one(shape(level, uv, move |t| (sign * rate * t).exp() - 1.0))
            } else {
                one(line(level, uv, 0.0, bands * colour_band / hold))
            }
        }
        "slow, linear" => {
            let bands = dice.uniform(0.1, 0.7);
            one(line(level, uv, dice.sign() * bands * band / hold, 0.5 * bands * colour_band / hold))
        }
        "room cycle" => {
            *end = 7200.0;
            let (period, bands) = (dice.uniform(900.0, 1800.0), dice.decades(0.15, 3.0));
            let amplitude = bands * band / hold * period / std::f64::consts::TAU;
            let (phase, day, slow) = (dice.phase(), dice.phase(), dice.uniform(0.0, 0.01));
            let turn = |t: f64, period: f64| std::f64::consts::TAU * t / period;
            one(shape(level, uv, move |t| {
                amplitude * (turn(t, period) + phase).sin() + slow * (turn(t, 86_400.0) + day).sin()
            }))
        }
        "patch change" => {
            let event = dice.uniform(60.0, 900.0);
            let second = level * dice.decades(1.2, 5.0).powf(dice.sign());
            let first = creep(level, uv, 0.0, dice);
            let moved = [uv[0] + 0.02 * dice.normal(), uv[1] + 0.02 * dice.normal(), uv[2], uv[3]];
            let then = if dice.chance(0.7) {
                creep(second, moved, event, dice)
            } else {
                sum(second, moved, vec![], event)
            };
            vec![Segment { start: 0.0, trend: first }, Segment { start: event, trend: then }]
        }
        "small step" => {
            let (event, bands) = (dice.uniform(300.0, 1200.0), dice.decades(1.5, 4.0));
            noise.relative = noise.relative.min(0.5 * band);
            let stepped = level * (1.0 + dice.sign() * bands * band);
            vec![
                Segment { start: 0.0, trend: sum(level, uv, vec![], 0.0) },
                Segment { start: event, trend: sum(stepped, uv, vec![], 0.0) },
            ]
        }
        "beat" => {
            sampling.interval = dice.decades(0.5, 2.5);
            let longest = 25_f64.min(0.5 * hold);
            let period = dice.decades(2.3 * sampling.interval, longest);
            noise.beat = Some([dice.decades(0.002, 0.02), period, dice.phase()]);
            one(one_of(level, uv, 2, dice))
        }
        "walking past" => {
            noise.obstructions = dice.decades(0.003, 0.02);
            one(creep(level, uv, 0.0, dice))
        }
        "meter warm-up" => {
            let dim = dice.decades(0.05, 0.5);
            let (offset, constant) = (dice.sign() * dice.decades(0.002, 0.02), dice.uniform(180.0, 900.0));
            *noise = Noise { read: dice.decades(1e-4, 1e-3), ..Noise::default() };
            sampling.interval = dice.decades(1.0, 10.0);
            *end = 5400.0;
            one(sum(dim, uv, vec![[offset / dim, 0.01 * offset / dim, constant]], 0.0))
        }
        "coarse scale" => {
            noise.step = band * level * dice.decades(0.1, 0.8);
            noise.relative = noise.step / level * dice.decades(0.02, 0.5);
            *end = 4500.0;
            one(one_of(level, uv, 3, dice))
        }
        "near black" => {
            let dim = dice.decades(0.005, 0.05);
            *noise = Noise { read: dice.decades(5e-4, 1e-2), ..Noise::default() };
            sampling.interval = dice.decades(1.0, 20.0);
            *end = 5400.0;
            let terms = if dice.chance(0.7) {
                vec![]
            } else {
                vec![[dice.decades(0.2, 3.0), 0.01, dice.uniform(30.0, 600.0)]]
            };
            one(sum(dim, uv, terms, 0.0))
        }
        "shot noise" => {
            let level = dice.decades(0.5, 200.0);
            *noise = Noise {
                shot: dice.decades(1e-3, 2e-2),
                read: dice.decades(1e-4, 3e-3),
                step: noise.step,
                ..Noise::default()
            };
            sampling.wanders = true;
            let event = dice.uniform(200.0, 900.0);
            let second = level * dice.decades(2.0, 10.0).powf(dice.sign());
            vec![
                Segment { start: 0.0, trend: creep(level, uv, 0.0, dice) },
                Segment { start: event, trend: creep(second, uv, event, dice) },
            ]
        }
        "noise with memory" => {
            noise.memory_s = dice.decades(2.0, 20.0);
            noise.relative = band * dice.decades(0.1, 0.6);
            sampling.interval = dice.decades(0.5, 3.0);
            *end = 4500.0;
            one(one_of(level, uv, 3, dice))
        }
        "1/f noise" => {
            noise.flicker = band * dice.decades(0.05, 0.25);
            noise.relative = band * dice.decades(0.05, 0.3);
            sampling.interval = dice.decades(0.5, 3.0);
            one(one_of(level, uv, 2, dice))
        }
        "gaps" => {
            sampling.dropped = dice.uniform(0.1, 0.3);
            sampling.interval = dice.decades(0.3, 8.0);
            sampling.wanders = true;
            *end = 4500.0;
            for _ in 0..=dice.below(4) {
                let from = dice.uniform(0.0, *end);
                sampling.gaps.push((from, from + dice.uniform(10.0, 60.0)));
            }
            let quick =
                [dice.sign() * dice.decades(0.01, 0.1), dice.decades(1e-4, 1e-3), dice.uniform(5.0, 40.0)];
            let slow = [
                dice.sign() * dice.decades(0.01, 0.06),
                dice.decades(1e-4, 1e-3),
                dice.uniform(200.0, 900.0),
            ];
            one(sum(level, uv, vec![quick, slow], 0.0))
        }
        _ => return None,
    })
}
