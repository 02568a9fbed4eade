//! What a run comes to. Pure.
//!
//! *Within* is said only where a whole interval lies within the band, *beyond* only where a whole interval lies outside it: two one-sided
//! tests each at the confidence of the criteria (Schuirmann 1987). Where neither holds the readings can't tell, which is said, too.
//!
//! `drift`: the interval is that of how far the line through the readings goes from the first to the last, steps counted; it is beyond, too,
//! where its last eighth is so far from its first. `stability`: the points are put
//! together to at most [`STRETCHES`] stretches, and the mean of each is held against the reference, whose own noise counts. All must be
//! within; for one to be beyond, its interval is widened to what so many chances ask for (Bonferroni).

use settled_protocol::run::{RunKind, RunPoint, RunVerdict};
use settled_protocol::settling::Criteria;

use super::series::{Mean, Of, Series, quantile};
use crate::drift::Went;

/// Stretches that light that is held is looked at in: each must be long enough for noise to average out.
const STRETCHES: f64 = 48.0;

/// Points of a stretch at least, where there are as many: so that one reading doesn't decide.
const LEAST: f64 = 3.0;

/// The share of its time that light which is held may have gone unseen: of more nothing is known (common practice, no source).
const UNSEEN: f64 = 0.1;

/// How far off the light was or went, and the half of the interval of that.
#[derive(Clone, Copy, Debug)]
struct Off {
    by: f64,
    /// At the confidence of the criteria.
    half: f64,
    /// At that of one of many chances.
    wide: f64,
}

/// What the points of a `stability` or `drift` run come to, held against its reference. `unseen` is the share of its time that nothing came in.
pub(super) fn verdict(
    kind: RunKind,
    series: &Series,
    reference: Option<&RunPoint>,
    criteria: &Criteria,
    unseen: f64,
) -> RunVerdict {
    let Some(reference) = reference else { return RunVerdict::Undecided };
    let confidence = criteria.confidence;
    if kind == RunKind::Stability {
        return match compare(reference, criteria, |of, from| held(series, of, from, confidence)) {
            RunVerdict::Within if unseen > UNSEEN => RunVerdict::Undecided,
            seen => seen,
        };
    }
    let by_line = compare(reference, criteria, |of, _| drifted(series, of, confidence));
    let by_ends = compare(reference, criteria, |of, _| ended(series, of, confidence));
    if by_ends == RunVerdict::Beyond { by_ends } else { by_line }
}

/// Holds what is found of each quantity against its band. `off` is told where the reference is.
fn compare(reference: &RunPoint, criteria: &Criteria, off: impl Fn(Of, f64) -> Vec<Off>) -> RunVerdict {
    let amount = judge(&off(Of::Value, reference.value), criteria.luminance_band(reference.value));
    let Some(colour) = reference.chromaticity else { return amount };
    let (u, v) = (off(Of::U, colour.u_prime()), off(Of::V, colour.v_prime()));
    let distance = |(u, v): (&Off, &Off)| Off {
        by: u.by.hypot(v.by),
        half: u.half.hypot(v.half),
        wide: u.wide.hypot(v.wide),
    };
    let distances: Vec<Off> = u.iter().zip(&v).map(distance).collect();
    match (amount, judge(&distances, criteria.chromaticity_band(reference.value))) {
        (RunVerdict::Beyond, _) | (_, RunVerdict::Beyond) => RunVerdict::Beyond,
        (RunVerdict::Within, RunVerdict::Within) => RunVerdict::Within,
        _ => RunVerdict::Undecided,
    }
}

fn judge(all: &[Off], band: f64) -> RunVerdict {
    if all.iter().any(|off| off.by.abs() - off.wide > band) {
        return RunVerdict::Beyond;
    }
    let is_within = !all.is_empty() && all.iter().all(|off| off.by.abs() + off.half <= band);
    if is_within { RunVerdict::Within } else { RunVerdict::Undecided }
}

/// How far it went, by the line; nothing where that can't be told.
fn drifted(series: &Series, of: Of, confidence: f64) -> Vec<Off> {
    let off = |Went { by, error, freedom }| {
        let half = quantile(confidence, freedom) * error;
        Off { by, half, wide: half }
    };
    series.went(of).map(off).into_iter().collect()
}

/// How far its last eighth was from its first, whatever the way between them: a line through light that bends has a wide interval.
fn ended(series: &Series, of: Of, confidence: f64) -> Vec<Off> {
    const PARTS: usize = 8;
    let means = series.means(of);
    let each = means.len() / PARTS;
    let (Some((noise, freedom)), true) = (series.noise(of), each > 0) else { return Vec::new() };
    let mut parts = means.chunks(each).map(together);
    let (Some(first), Some(last)) = (parts.next(), means.rchunks(each).map(together).next()) else {
        return Vec::new();
    };
    let half = quantile(confidence, freedom) * noise * (1.0 / first.count + 1.0 / last.count).sqrt();
    vec![Off { by: last.mean - first.mean, half, wide: half }]
}

/// How far each stretch was from the reference, which is one point.
fn held(series: &Series, of: Of, from: f64, confidence: f64) -> Vec<Off> {
    let Some((noise, freedom)) = series.noise(of) else { return Vec::new() };
    let stretches = stretches(&series.means(of));
    let wide = 1.0 - (1.0 - confidence) / stretches.len().max(1) as f64;
    let (confidence, wide) = (quantile(confidence, freedom), quantile(wide, freedom));
    let off = |stretch: &Mean| {
        let error = noise * (1.0 / stretch.count + 1.0).sqrt();
        Off { by: stretch.mean - from, half: confidence * error, wide: wide * error }
    };
    stretches.iter().map(off).collect()
}

fn stretches(means: &[Mean]) -> Vec<Mean> {
    let total: f64 = means.iter().map(|mean| mean.count).sum();
    let each = (total / STRETCHES).max(LEAST);
    let (mut stretches, mut rest) = (Vec::new(), means);
    while !rest.is_empty() {
        let mut count = 0.0;
        let is_short = |mean: &&Mean| {
            let is_short = count < each;
            count += mean.count;
            is_short
        };
        let (stretch, others) = rest.split_at(rest.iter().take_while(is_short).count());
        stretches.push(together(stretch));
        rest = others;
    }
    stretches
}

fn together(part: &[Mean]) -> Mean {
    let count: f64 = part.iter().map(|mean| mean.count).sum();
    Mean { mean: part.iter().map(|mean| mean.count * mean.mean).sum::<f64>() / count, count }
}

#[cfg(test)]
mod tests {
    use settled_protocol::quantity::Chromaticity;
    use settled_protocol::time::Timestamp;

    use super::*;

    fn found(
        kind: RunKind,
        count: usize,
        y: impl Fn(f64) -> f64,
        uv: impl Fn(f64) -> [f64; 2],
    ) -> RunVerdict {
        found_with_gaps(kind, count, y, uv, 0.0)
    }

    fn found_with_gaps(
        kind: RunKind,
        count: usize,
        y: impl Fn(f64) -> f64,
        uv: impl Fn(f64) -> [f64; 2],
        unseen: f64,
    ) -> RunVerdict {
        let mut series = Series::default();
        let mut sign = 1.0;
        for index in 0..count {
            let t_s = 10.0 * index as f64;
            sign = -sign;
            // Noise of 0.05 % that is the same in every run of the test.
            let noise = 1.0 + 0.0005 * sign * (1.0 + (index % 3) as f64) / 2.0;
            series.push(t_s, y(t_s) * noise, Some(uv(t_s)));
        }
        let [u, v] = uv(0.0);
        let chromaticity = Chromaticity::from_uv(u, v).ok();
        let reference = RunPoint { at: Timestamp::from_unix_ns(0), value: y(0.0), chromaticity, count: 1 };
        verdict(kind, &series, Some(&reference), &Criteria::default(), unseen)
    }

    const WHITE: [f64; 2] = [0.1978, 0.4683];

    // The default band is 0.5 %, and 0.0005 in u′v′.
    #[test]
    fn light_is_within_beyond_or_it_can_not_be_told() {
        use RunKind::{Drift, Stability};
        use RunVerdict::{Beyond, Undecided, Within};
        let rising = |share: f64| move |t_s: f64| 100.0 * (1.0 + share * t_s / 10_000.0);
        for (kind, share, expected) in [
            (Drift, 0.0, Within),
            (Drift, 0.003, Within),
            (Drift, 0.02, Beyond),
            (Stability, 0.0, Within),
            (Stability, 0.02, Beyond),
            (Stability, 0.0048, Undecided),
        ] {
            assert_eq!(found(kind, 1000, rising(share), |_| WHITE), expected, "{kind:?} {share}");
        }
        assert_eq!(found(Drift, 2, rising(0.0), |_| WHITE), Undecided, "too few");
    }

    #[test]
    fn light_that_nobody_saw_for_long_was_not_held_as_far_as_is_known_but_may_have_left() {
        let (still, gone) = (|_| 100.0, |t_s: f64| 100.0 + t_s / 1000.0);
        for (unseen, expected) in [(0.05, RunVerdict::Within), (0.5, RunVerdict::Undecided)] {
            assert_eq!(found_with_gaps(RunKind::Stability, 1000, still, |_| WHITE, unseen), expected);
            let left = found_with_gaps(RunKind::Stability, 1000, gone, |_| WHITE, unseen);
            assert_eq!(left, RunVerdict::Beyond, "{unseen}");
        }
    }

    #[test]
    fn light_that_goes_away_and_comes_back_was_not_held_though_it_does_not_drift() {
        let bump = |t_s: f64| if (4000.0..6000.0).contains(&t_s) { 102.0 } else { 100.0 };
        assert_eq!(found(RunKind::Stability, 1000, bump, |_| WHITE), RunVerdict::Beyond);
        assert_ne!(found(RunKind::Drift, 1000, bump, |_| WHITE), RunVerdict::Beyond);
    }

    #[test]
    fn a_step_counts_for_how_far_light_went_though_it_is_no_drift() {
        let stepped = |share: f64| move |t_s: f64| if t_s < 4000.0 { 100.0 } else { 100.0 * (1.0 + share) };
        for (share, expected) in [(0.002, RunVerdict::Within), (0.008, RunVerdict::Beyond)] {
            assert_eq!(found(RunKind::Drift, 1000, stepped(share), |_| WHITE), expected, "{share}");
        }
    }

    #[test]
    fn light_that_goes_away_on_a_bend_has_left_its_band_though_no_line_fits() {
        let bent = |t_s: f64| 100.0 * (1.0 + 0.02 * (-t_s / 3300.0).exp());
        assert_eq!(found(RunKind::Drift, 1000, bent, |_| WHITE), RunVerdict::Beyond);
    }

    #[test]
    fn colour_alone_may_be_beyond() {
        let colour = |t_s: f64| [WHITE[0] + 0.002 * t_s / 10_000.0, WHITE[1]];
        for kind in [RunKind::Drift, RunKind::Stability] {
            assert_eq!(found(kind, 1000, |_| 100.0, colour), RunVerdict::Beyond, "{kind:?}");
        }
    }

    #[test]
    fn without_a_reference_nothing_can_be_told() {
        let verdict = verdict(RunKind::Drift, &Series::default(), None, &Criteria::default(), 0.0);
        assert_eq!(verdict, RunVerdict::Undecided);
    }
}
