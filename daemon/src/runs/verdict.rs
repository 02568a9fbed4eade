//! What a run comes to. Pure.
//!
//! *Within* is said only where a whole interval lies within the band, *beyond* only where a whole interval lies outside it: two one-sided
//! tests each at the confidence of the criteria (Schuirmann 1987). Where neither holds the readings can't tell, which is said, too.
//!
//! `drift`: the interval is that of how far the line through the readings goes from the first to the last, steps counted; it is beyond, too,
//! where its last eighth is so far from its first, or from the reference: a line is not drawn through what doesn't belong to it, and light
//! that has warmed up before its second point has left its bands all the same. `stability`: the points are put
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
    /// Of the time as a whole: one that is beyond is enough, too.
    whole: Vec<Off>,
}

impl Looks {
    /// What is found of two quantities together.
    fn with(&self, other: &Self) -> Self {
        let both = |these: &[Off], those: &[Off]| these.iter().zip(those).map(|(a, b)| a.with(b)).collect();
        Self { each: both(&self.each, &other.each), whole: both(&self.whole, &other.whole) }
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
        _ => drifted(series, of, from, criteria.confidence),
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

/// The confidence of each of so many chances that share what may go wrong (Bonferroni).
fn of_chances(confidence: f64, many: usize) -> f64 {
    1.0 - (1.0 - confidence) / many as f64
}

/// How far light went: by the line, and to its last eighth, from its first and from its first point. That it is beyond has two chances
/// beside the line, which share what may go wrong.
fn drifted(series: &Series, of: Of, from: f64, confidence: f64) -> Looks {
    let shared = of_chances(confidence, 2);
    let ways = [FoundBy::Eighths, FoundBy::Reference];
    Looks {
        each: by_line(series, of, confidence).into_iter().collect(),
        whole: ways.into_iter().filter_map(|way| since(series, of, from, shared, way)).collect(),
    }
}

/// How far it went, by the line; nothing where that can't be told.
fn by_line(series: &Series, of: Of, confidence: f64) -> Option<Off> {
    let Went { by, error, freedom } = series.went(of)?;
    let half = quantile(confidence, freedom) * error;
    let noise = series.noise(of).map_or(half, |(noise, freedom)| {
        let points = series.points(of);
        // How far a line goes by mistake that least squares lay through so many points, equally far apart.
        quantile(confidence, freedom) * noise * (12.0 * (points - 1.0) / (points * (points + 1.0))).sqrt()
    });
    Some(Off { by, found_by: FoundBy::Line, half, wide: half, noise })
}

/// How far its last eighth was from where it began, which is the reference or what its first eighth tells, whatever the way between them: a
/// line through light that bends has a wide interval.
fn since(series: &Series, of: Of, from: f64, confidence: f64, found_by: FoundBy) -> Option<Off> {
    let means = series.means(of);
    let each = means.len() / PARTS;
    let (noise, freedom) = series.noise(of).filter(|_| each > 0)?;
    let (first, last) = (means.chunks(each).next()?, together(means.rchunks(each).next()?));
    let first = match found_by {
        FoundBy::Reference => Mean { mean: from, count: 1.0 },
        FoundBy::Beginning => beginning(first)?,
        _ => together(first),
    };
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
    let shared = of_chances(confidence, 2);
    let wide = of_chances(shared, stretches.len().max(1));
    let (narrow, wide) = (quantile(confidence, freedom), quantile(wide, freedom));
    let off = |stretch: &Mean| {
        let error = noise * (1.0 / stretch.count + 1.0).sqrt();
        let half = narrow * error;
        Off { by: stretch.mean - from, found_by: FoundBy::Reference, half, wide: wide * error, noise: half }
    };
    let whole = since(series, of, from, shared, FoundBy::Beginning).into_iter().collect();
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
mod tests;
