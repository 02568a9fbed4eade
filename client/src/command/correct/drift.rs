//! How far white had moved at the end of the colours, and whether that spoils them.

use serde_json::json;
use settled_protocol::settling::Criteria;

use super::course::Readings;
use super::readings::{Bench, Seen};
use super::suspicion::Suspicion;

/// How far white had moved at the end, as one meter saw it.
pub(super) struct Drift {
    meter: String,
    luminance_percent: f64,
    duv_prime: f64,
    /// Whether that is more than what counts as settled.
    too_far: bool,
}

impl Drift {
    pub(super) fn object(&self) -> serde_json::Value {
        let Self { meter, luminance_percent, duv_prime, too_far } = self;
        json!({ "meter": meter, "luminance_percent": luminance_percent, "duv_prime": duv_prime, "too_far": too_far })
    }
}

/// How white moved to one meter: relative luminance and u′, v′, each with the uncertainty of the two readings.
#[derive(Clone, Copy, Debug, Default)]
struct Move {
    luminance: f64,
    luminance_u95: f64,
    uv: [f64; 2],
    uv_u95: f64,
}

impl Move {
    /// Nothing where a chromaticity is missing.
    fn between(first: &Seen, last: &Seen) -> Option<Self> {
        let (then, now) = first.xyz.chromaticity().zip(last.xyz.chromaticity())?;
        Some(Self {
            luminance: last.xyz.y() / first.xyz.y() - 1.0,
            luminance_u95: (first.y_u95 / first.xyz.y()).hypot(last.y_u95 / last.xyz.y()),
            uv: [now.u_prime() - then.u_prime(), now.v_prime() - then.v_prime()],
            uv_u95: first.uv_u95.hypot(last.uv_u95),
        })
    }

    /// This move beside that which another meter saw.
    fn less(self, other: Self) -> Self {
        Self {
            luminance: self.luminance - other.luminance,
            luminance_u95: self.luminance_u95.hypot(other.luminance_u95),
            uv: [self.uv[0] - other.uv[0], self.uv[1] - other.uv[1]],
            uv_u95: self.uv_u95.hypot(other.uv_u95),
        }
    }

    fn distance(self) -> f64 {
        self.uv[0].hypot(self.uv[1])
    }

    /// Whether it is more than the bands of what counts as settled, and more than the readings' own uncertainty explains.
    fn is_too_far(self, criteria: &Criteria) -> bool {
        self.luminance.abs() > criteria.luminance + self.luminance_u95
            || self.distance() > criteria.chromaticity + self.uv_u95
    }
}

/// How far each meter that read white again saw it move; says so. Where both read at once, a drift of the display does them no harm:
/// only what one saw and the other did not counts as too far.
pub(super) fn of(bench: &Bench<'_>, readings: &Readings) -> (Vec<Drift>, Option<Suspicion>) {
    let Some((_, meter, reference)) = readings.pairs.first() else { return (Vec::new(), None) };
    let at_once = readings.again.len() == 2;
    // The reference's is the last; the meter's comes before it where both read at once.
    let firsts = if at_once { vec![meter, reference] } else { vec![reference] };
    let pairs = readings.again.iter().zip(firsts);
    let moves = pairs.filter_map(|((id, last), first)| Some((id.clone(), Move::between(first, last)?)));
    let moves: Vec<(String, Move)> = moves.collect();
    let together = match moves.as_slice() {
        [(_, one), (_, other)] => one.less(*other),
        [(_, one)] => *one,
        _ => Move::default(),
    };
    let too_far = together.is_too_far(&bench.criteria);
    let drifts = moves.into_iter().map(|(meter, moved)| Drift {
        meter,
        luminance_percent: 100.0 * moved.luminance,
        duv_prime: moved.distance(),
        too_far,
    });
    let drifts: Vec<Drift> = drifts.collect();
    for Drift { meter, luminance_percent, duv_prime, .. } in &drifts {
        bench.say(&format!(
            "white at the end, as {meter} saw it: {luminance_percent:+.2} %, Δu′v′ {duv_prime:.5}"
        ));
    }
    let suspicion = too_far.then(|| suspicion(at_once, together));
    (drifts, suspicion)
}

fn suspicion(at_once: bool, moved: Move) -> Suspicion {
    let whose =
        if at_once { "one meter drifted and the other did not" } else { "the display or the meter drifted" };
    let far = format!("{:+.2} %, Δu′v′ {:.5}", 100.0 * moved.luminance, moved.distance());
    Suspicion {
        kind: "white_drift",
        words: format!("{whose} meanwhile ({far}): the matrix and its residuals hold that too; start again"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(luminance: f64, uv: [f64; 2]) -> Move {
        Move { luminance, luminance_u95: 0.001, uv, uv_u95: 0.0001 }
    }

    #[test]
    fn only_what_one_meter_saw_and_the_other_did_not_is_too_far() {
        let criteria = Criteria::default();
        let far = |one: Move, other: Move| one.less(other).is_too_far(&criteria);
        let display = moved(-0.03, [0.002, -0.001]);
        assert!(display.is_too_far(&criteria), "alone it can't be told from the meter's own");
        assert!(!far(display, display), "both saw the display move");
        assert!(far(display, moved(-0.02, [0.002, -0.001])));
        assert!(far(display, moved(-0.03, [-0.002, 0.001])), "as far, but the other way");
        // The band is 0.5 %; what the readings' uncertainty explains is none of it.
        assert!(!far(moved(0.006, [0.0; 2]), moved(0.0, [0.0; 2])));
        assert!(far(moved(0.007, [0.0; 2]), moved(0.0, [0.0; 2])));
    }
}
