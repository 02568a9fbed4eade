//! What a run comes to. Pure.
//!
//! *Within* is said only where a whole interval lies within the band, *beyond* only where a whole interval lies outside it: two one-sided
//! tests each at the confidence of the criteria (Schuirmann 1987). Where neither holds the readings can't tell, which is said, too.
//!
//! `drift`: the interval is that of how far the line through the readings goes from the first to the last, steps counted; it is beyond, too,
//! where its last eighth is so far from its first. `stability`: the points are put
//! together to at most [`STRETCHES`] stretches, and the mean of each is held against the reference, whose own noise counts. All must be
//! within; for one to be beyond, its interval is widened to what so many chances ask for (Bonferroni). One reading alone is a noisy
//! reference: it is beyond, too, where its last eighth is as surely so far from where the line through its first eighth begins.

use settled_protocol::run::{Banded, Finding, FoundBy, RunKind, RunPoint, RunVerdict};
use settled_protocol::settling::Criteria;

use super::series::{Mean, Of, Series, quantile};
use crate::drift::Went;

/// Stretches that light that is held is looked at in: each must be long enough for noise to average out.
const STRETCHES: f64 = 48.0;

/// Points of a stretch at least, where there are as many: so that one reading doesn't decide.
const LEAST: f64 = 3.0;

/// Parts of the time that its beginning and its end are.
const PARTS: usize = 8;

/// The share of its time that light which is held may have gone unseen: of more nothing is known (common practice, no source).
pub(super) const UNSEEN: f64 = 0.1;

/// A half of an interval that is more of the band than this is why it can't be told: none would be told from the band's edge.
const WIDE: f64 = 0.5;

/// What a run comes to.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Found {
    /// On the whole.
    pub(super) verdict: RunVerdict,
    /// Each quantity.
    pub(super) findings: Vec<Finding>,
    /// What widens the intervals of those that can't be told, each once.
    pub(super) doubts: Vec<Doubt>,
}

/// What makes an interval too wide to tell anything by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Doubt {
    /// The noise of points.
    Noise,
    /// Points are quiet enough, but keep to no line.
    Course,
}

/// How far off the light was or went, and the half of the interval of that.
#[derive(Clone, Copy, Debug)]
struct Off {
    by: f64,
    found_by: FoundBy,
    /// At the confidence of the criteria.
    half: f64,
    /// At that of one of many chances.
    wide: f64,
    /// What `half` would be were there nothing in it but the noise of points.
    noise: f64,
}

impl Off {
    /// How far it is off at least.
    fn least(&self) -> f64 {
        self.by.abs() - self.wide
    }

    /// How far it is off at most.
    fn most(&self) -> f64 {
        self.by.abs() + self.half
    }

    /// How far two quantities are off together.
    fn with(&self, other: &Self) -> Self {
        Self {
            by: self.by.hypot(other.by),
            found_by: self.found_by,
            half: self.half.hypot(other.half),
            wide: self.wide.hypot(other.wide),
            noise: self.noise.hypot(other.noise),
        }
    }

    /// What makes its interval too wide for a band, if it is.
    fn doubt(&self, band: f64) -> Option<Doubt> {
        let is_wide = |half: f64| half > WIDE * band;
        let why = if is_wide(self.noise) { Doubt::Noise } else { Doubt::Course };
        (is_wide(self.half) && self.most() > band).then_some(why)
    }
}

/// What is found of a quantity.
#[derive(Clone, Debug, Default)]
struct Looks {
    /// All of these must be within; one that is beyond is enough.
    each: Vec<Off>,
    /// Of the time as a whole: if it is beyond, that is enough, too.
    whole: Option<Off>,
}

impl Looks {
    /// What is found of two quantities together.
    fn with(&self, other: &Self) -> Self {
        let each = self.each.iter().zip(&other.each).map(|(a, b)| a.with(b)).collect();
        Self { each, whole: self.whole.zip(other.whole).map(|(a, b)| a.with(&b)) }
    }

    /// How it stands, and what makes that hard to tell.
    fn finding(&self, of: Banded, band: f64) -> (Finding, Option<Doubt>) {
        let found = |verdict, off: Option<&Off>, half: fn(&Off) -> f64| Finding {
            of,
            verdict,
            band,
            off: off.map(|off| off.by),
            half: off.map(half),
            found_by: off.map(|off| off.found_by),
        };
        let surest = self.each.iter().chain(&self.whole).max_by(|a, b| a.least().total_cmp(&b.least()));
        if surest.is_some_and(|off| off.least() > band) {
            return (found(RunVerdict::Beyond, surest, |off| off.wide), None);
        }
        let farthest = self.each.iter().max_by(|a, b| a.most().total_cmp(&b.most()));
        let is_within = farthest.is_some_and(|off| off.most() <= band);
        let verdict = if is_within { RunVerdict::Within } else { RunVerdict::Undecided };
        (found(verdict, farthest, |off| off.half), farthest.and_then(|off| off.doubt(band)))
    }
}

/// What the points of a `stability` or `drift` run come to, held against its reference: on the whole, and each quantity. `unseen` is the
/// share of its time that nothing came in.
pub(super) fn verdict(
    kind: RunKind,
    series: &Series,
    reference: Option<&RunPoint>,
    criteria: &Criteria,
    unseen: f64,
) -> Found {
    let Some(reference) = reference else {
        return Found { verdict: RunVerdict::Undecided, findings: Vec::new(), doubts: Vec::new() };
    };
    let look = |of, from| match kind {
        RunKind::Stability => held(series, of, from, criteria.confidence),
        _ => drifted(series, of, criteria.confidence),
    };
    let band = criteria.luminance_band(reference.value);
    let mut found = vec![look(Of::Value, reference.value).finding(Banded::Luminance, band)];
    if let Some(colour) = reference.chromaticity {
        let looks = look(Of::U, colour.u_prime()).with(&look(Of::V, colour.v_prime()));
        found.push(looks.finding(Banded::Chromaticity, criteria.chromaticity_band(reference.value)));
    }
    let (mut findings, doubts): (Vec<Finding>, Vec<_>) = found.into_iter().unzip();
    let mut doubts: Vec<Doubt> = doubts.into_iter().flatten().collect();
    doubts.dedup();
    if kind == RunKind::Stability && unseen > UNSEEN {
        for finding in findings.iter_mut().filter(|finding| finding.verdict == RunVerdict::Within) {
            finding.verdict = RunVerdict::Undecided;
        }
    }
    Found { verdict: on_the_whole(&findings), findings, doubts }
}

fn on_the_whole(findings: &[Finding]) -> RunVerdict {
    let is = |verdict| move |finding: &Finding| finding.verdict == verdict;
    if findings.iter().any(is(RunVerdict::Beyond)) {
        RunVerdict::Beyond
    } else if findings.iter().all(is(RunVerdict::Within)) {
        RunVerdict::Within
    } else {
        RunVerdict::Undecided
    }
}

/// How far light went: by the line, and from its first eighth to its last.
fn drifted(series: &Series, of: Of, confidence: f64) -> Looks {
    Looks {
        each: by_line(series, of, confidence).into_iter().collect(),
        whole: since(series, of, confidence, FoundBy::Eighths),
    }
}

/// How far it went, by the line; nothing where that can't be told.
fn by_line(series: &Series, of: Of, confidence: f64) -> Option<Off> {
    let Went { by, error, freedom } = series.went(of)?;
    let half = quantile(confidence, freedom) * error;
    let noise = series.noise(of).map_or(half, |(noise, freedom)| {
        let points: f64 = series.means(of).iter().map(|mean| mean.count).sum();
        // How far a line goes by mistake that least squares lay through so many points, equally far apart.
        quantile(confidence, freedom) * noise * (12.0 * (points - 1.0) / (points * (points + 1.0))).sqrt()
    });
    Some(Off { by, found_by: FoundBy::Line, half, wide: half, noise })
}

/// How far its last eighth was from what its first tells, whatever the way between them: a line through light that bends has a wide
/// interval.
fn since(series: &Series, of: Of, confidence: f64, found_by: FoundBy) -> Option<Off> {
    let means = series.means(of);
    let each = means.len() / PARTS;
    let (noise, freedom) = series.noise(of).filter(|_| each > 0)?;
    let (first, last) = (means.chunks(each).next()?, together(means.rchunks(each).next()?));
    let first = if found_by == FoundBy::Beginning { beginning(first)? } else { together(first) };
    let half = quantile(confidence, freedom) * noise * (1.0 / first.count + 1.0 / last.count).sqrt();
    Some(Off { by: last.mean - first.mean, found_by, half, wide: half, noise: half })
}

/// Where a part began, by the line through it: worth as many points as its own noise says. Light that dips as it begins is not taken to
/// have begun there.
fn beginning(part: &[Mean]) -> Option<Mean> {
    let whole = together(part);
    let at = |index: usize| index as f64;
    let middle =
        part.iter().enumerate().map(|(index, mean)| mean.count * at(index)).sum::<f64>() / whole.count;
    let (mut extent, mut slope) = (0.0, 0.0);
    for (index, mean) in part.iter().enumerate() {
        let from = at(index) - middle;
        extent += mean.count * from * from;
        slope += mean.count * from * (mean.mean - whole.mean);
    }
    let is_line = part.len() > 2 && extent > 0.0;
    is_line.then(|| Mean {
        mean: whole.mean - slope / extent * middle,
        count: 1.0 / (1.0 / whole.count + middle * middle / extent),
    })
}

/// How far each stretch was from the reference, which is one point, and how far it moved on the whole. That the light is beyond has two
/// chances, which share what may go wrong.
fn held(series: &Series, of: Of, from: f64, confidence: f64) -> Looks {
    let Some((noise, freedom)) = series.noise(of) else { return Looks::default() };
    let stretches = stretches(&series.means(of));
    let shared = 1.0 - (1.0 - confidence) / 2.0;
    let wide = 1.0 - (1.0 - shared) / stretches.len().max(1) as f64;
    let (narrow, wide) = (quantile(confidence, freedom), quantile(wide, freedom));
    let off = |stretch: &Mean| {
        let error = noise * (1.0 / stretch.count + 1.0).sqrt();
        let half = narrow * error;
        Off { by: stretch.mean - from, found_by: FoundBy::Reference, half, wide: wide * error, noise: half }
    };
    let whole = since(series, of, shared, FoundBy::Beginning);
    Looks { each: stretches.iter().map(off).collect(), whole }
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
mod coverage;

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
        found_with_gaps(kind, count, y, uv, 0.0).verdict
    }

    fn found_with_gaps(
        kind: RunKind,
        count: usize,
        y: impl Fn(f64) -> f64,
        uv: impl Fn(f64) -> [f64; 2],
        unseen: f64,
    ) -> Found {
        found_with(&Criteria::default(), kind, count, y, uv, unseen)
    }

    fn found_with(
        criteria: &Criteria,
        kind: RunKind,
        count: usize,
        y: impl Fn(f64) -> f64,
        uv: impl Fn(f64) -> [f64; 2],
        unseen: f64,
    ) -> Found {
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
        verdict(kind, &series, Some(&reference), criteria, unseen)
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
            let held = found_with_gaps(RunKind::Stability, 1000, still, |_| WHITE, unseen);
            assert_eq!((held.verdict, held.doubts), (expected, vec![]));
            let left = found_with_gaps(RunKind::Stability, 1000, gone, |_| WHITE, unseen);
            assert_eq!(left.verdict, RunVerdict::Beyond, "{unseen}");
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
        let found = found_with_gaps(RunKind::Drift, 1000, bent, |_| WHITE, 0.0);
        assert_eq!(found.verdict, RunVerdict::Beyond);
        // From the mean of the first eighth to that of the last, which is less than from the first point to the last: it says so.
        let told = found.findings[0];
        assert_eq!(told.found_by, Some(FoundBy::Eighths));
        let mean = |from: f64, to: f64| {
            let integral = |t_s: f64| -3300.0 * (-t_s / 3300.0).exp();
            2.0 * (integral(to) - integral(from)) / (to - from)
        };
        let (off, half) = told.off.zip(told.half).unwrap();
        assert!((off - (mean(8750.0, 10_000.0) - mean(0.0, 1250.0))).abs() < half, "{told:?}");
    }

    #[test]
    fn quiet_light_that_bends_is_in_doubt_for_its_course_and_noisy_light_for_its_noise() {
        let criteria = Criteria { luminance: 0.09, ..Criteria::default() };
        // As a display that was just switched on: by 8 %, most of it in the first sixth.
        let bent = |t_s: f64| 300.0 * (1.0 - 0.08 * (-t_s / 300.0).exp());
        let found = found_with(&criteria, RunKind::Drift, 120, bent, |_| WHITE, 0.0);
        assert_eq!((found.verdict, found.doubts), (RunVerdict::Undecided, vec![Doubt::Course]));
        let narrow = Criteria { luminance: 0.0002, ..Criteria::default() };
        for kind in [RunKind::Drift, RunKind::Stability] {
            let found = found_with(&narrow, kind, 120, |_| 300.0, |_| WHITE, 0.0);
            assert_eq!(
                (found.verdict, found.doubts),
                (RunVerdict::Undecided, vec![Doubt::Noise]),
                "{kind:?}"
            );
        }
    }

    #[test]
    fn each_finding_says_by_which_way_it_was_found() {
        let rising = |share: f64| move |t_s: f64| 100.0 * (1.0 + share * t_s / 10_000.0);
        let way = |kind, share: f64| {
            let found = found_with_gaps(kind, 1000, rising(share), |_| WHITE, 0.0);
            found.findings.iter().map(|finding| finding.found_by.unwrap()).collect::<Vec<_>>()
        };
        assert_eq!(way(RunKind::Drift, 0.003), [FoundBy::Line, FoundBy::Line]);
        assert_eq!(way(RunKind::Stability, 0.0), [FoundBy::Reference, FoundBy::Reference]);
        // One point is a noisy reference: where the light began is surer by the line through its first eighth.
        assert_eq!(way(RunKind::Stability, -0.006)[0], FoundBy::Beginning);
        let few = found_with_gaps(RunKind::Drift, 2, rising(0.0), |_| WHITE, 0.0);
        assert!(few.findings.iter().all(|finding| finding.off.is_none() && finding.found_by.is_none()));
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
        let found = verdict(RunKind::Drift, &Series::default(), None, &Criteria::default(), 0.0);
        assert_eq!((found.verdict, found.findings, found.doubts), (RunVerdict::Undecided, vec![], vec![]));
    }
}
