//! What a rule's answers are worth, held against the truth.

use settled_protocol::settling::Verdict;

use crate::rules::{Answers, Decision};
use crate::series::Series;
use crate::truth::{Oracle, excursion};

/// More than this many bands off within a hold is a gross mistake.
const GROSS: f64 = 1.5;

/// Tallies over series; shares are in per cent.
#[derive(Clone, Debug, Default)]
pub(crate) struct Score {
    series: usize,
    wrong: usize,
    gross: usize,
    spurious: usize,
    settling: usize,
    missed: usize,
    noise_limited: usize,
    declared: usize,
    covered: usize,
    colour_declared: usize,
    colour_covered: usize,
    off_by_a_band: usize,
    never: usize,
    never_found: usize,
    despaired_wrongly: usize,
    events: usize,
    never_revoked: usize,
    forecasts: usize,
    forecasts_cover: usize,
    within: usize,
    within_noise: usize,
    widths: Vec<f64>,
    delays: Vec<f64>,
    revoked: Vec<f64>,
    /// Of the median forecast, as shares of the time that was left.
    forecast_errors: Vec<f64>,
}

/// A share in per cent, or nothing of nothing.
fn share(part: usize, whole: usize) -> Option<f64> {
    (whole > 0).then(|| 100.0 * part as f64 / whole as f64)
}

fn quantile(values: &[f64], at: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(((sorted.len().max(1) - 1) as f64 * at).round() as usize).copied()
}

/// What a column shows of a score.
type Column = fn(&Score) -> Option<f64>;

/// The columns, in order: a heading and how to get it.
pub(crate) const COLUMNS: [(&str, Column); 18] = [
    ("false %", |s| share(s.wrong, s.series)),
    ("gross %", |s| share(s.gross, s.series)),
    ("delay p50 H", |s| quantile(&s.delays, 0.5)),
    ("delay p95 H", |s| quantile(&s.delays, 0.95)),
    ("within %", |s| share(s.within, s.delays.len())),
    ("with noise %", |s| share(s.within_noise, s.delays.len())),
    ("missed %", |s| share(s.missed, s.settling)),
    ("noise lim. %", |s| share(s.noise_limited, s.settling)),
    ("u95 covers Y %", |s| share(s.covered, s.declared)),
    ("uv %", |s| share(s.colour_covered, s.colour_declared)),
    ("u95 p50 band", |s| quantile(&s.widths, 0.5)),
    ("value off %", |s| share(s.off_by_a_band, s.declared)),
    ("revoke p95 s", |s| quantile(&s.revoked, 0.95)),
    ("not rev. %", |s| share(s.never_revoked, s.events)),
    ("lost wrongly %", |s| share(s.spurious, s.series)),
    ("never found %", |s| share(s.never_found, s.never)),
    ("forecast covers %", |s| share(s.forecasts_cover, s.forecasts)),
    ("forecast error p50", |s| quantile(&s.forecast_errors, 0.5)),
];

impl Score {
    pub(crate) fn add(&mut self, other: &Self) {
        let Self {
            series, wrong, gross, spurious, settling, missed, noise_limited, declared, covered, ..
        } = other;
        self.series += series;
        self.wrong += wrong;
        self.gross += gross;
        self.spurious += spurious;
        self.settling += settling;
        self.missed += missed;
        self.noise_limited += noise_limited;
        self.declared += declared;
        self.covered += covered;
        self.colour_declared += other.colour_declared;
        self.colour_covered += other.colour_covered;
        self.off_by_a_band += other.off_by_a_band;
        self.never += other.never;
        self.never_found += other.never_found;
        self.despaired_wrongly += other.despaired_wrongly;
        self.events += other.events;
        self.never_revoked += other.never_revoked;
        self.forecasts += other.forecasts;
        self.forecasts_cover += other.forecasts_cover;
        self.within += other.within;
        self.within_noise += other.within_noise;
        self.widths.extend(&other.widths);
        self.delays.extend(&other.delays);
        self.revoked.extend(&other.revoked);
        self.forecast_errors.extend(&other.forecast_errors);
    }

    /// Series with a declaration that was wrong, in per cent.
    pub(crate) fn wrong(&self) -> Option<f64> {
        share(self.wrong, self.series)
    }

    /// `wont_settle` said of what settles in time, in per cent.
    pub(crate) fn despaired_wrongly(&self) -> Option<f64> {
        share(self.despaired_wrongly, self.settling)
    }

    pub(crate) fn of(series: &Series, answers: &Answers) -> Self {
        let mut score = Self { series: 1, ..Self::default() };
        let oracles = series.oracles();
        let (mut standing, mut spurious, mut wrong, mut gross) = (false, false, false, false);
        for (index, oracle) in oracles.iter().enumerate() {
            let within: Vec<Decision> = answers
                .decisions
                .iter()
                .filter(|d| (oracle.start..oracle.end).contains(&d.t))
                .copied()
                .collect();
            let mut first = None;
            let mut stale = index > 0 && standing;
            if stale {
                score.events += 1;
            }
            for decision in &within {
                match decision.verdict {
                    Verdict::Settled if !stale => {
                        let off =
                            excursion(&series.recipe.segments[index], &series.recipe.criteria, decision.t);
                        wrong |= off > 1.0;
                        gross |= off > GROSS;
                        score.declare(series, index, decision);
                        let early = oracle.settles.is_none_or(|settles| decision.t < settles - 1.0);
                        if !early && first.is_none() {
                            first = Some(decision.t);
                        }
                        standing = true;
                    }
                    Verdict::Lost => {
                        if stale {
                            score.revoked.push(decision.t - oracle.start);
                        } else if standing && oracle.settles.is_some_and(|settles| decision.t > settles + 1.0)
                        {
                            spurious = true;
                        }
                        stale = false;
                        standing = false;
                    }
                    _ => {}
                }
            }
            if stale {
                score.never_revoked += 1;
            }
            score.wait(series, oracle, &within, first);
            score.forecast(oracle, answers);
            if oracle.settles.is_none() && oracles.len() == 1 {
                score.never += 1;
                score.never_found +=
                    usize::from(within.iter().any(|decision| decision.verdict == Verdict::WontSettle));
            }
        }
        score.wrong = usize::from(wrong);
        score.gross = usize::from(gross);
        score.spurious = usize::from(spurious);
        score
    }

    /// Whether the value of a declaration holds the truth.
    fn declare(&mut self, series: &Series, index: usize, decision: &Decision) {
        let [y, u, v] = (series.recipe.segments[index].trend)(decision.t);
        let (error, band) = ((decision.value - y).abs(), series.recipe.criteria.luminance_band(y));
        self.declared += 1;
        self.covered += usize::from(error <= decision.u95);
        self.off_by_a_band += usize::from(error > band);
        self.widths.push(decision.u95 / band);
        if let Some(([at_u, at_v], u95)) = decision.colour {
            self.colour_declared += 1;
            self.colour_covered += usize::from((at_u - u).hypot(at_v - v) <= u95);
        }
    }

    /// How long a segment that settles for good kept its user waiting.
    fn wait(&mut self, series: &Series, oracle: &Oracle, within: &[Decision], first: Option<f64>) {
        let Some(settles) = oracle.settles else { return };
        let hold = series.recipe.criteria.hold_s;
        if oracle.end - settles <= (3.0 * hold).max(600.0) {
            return;
        }
        self.settling += 1;
        let said = |verdict| within.iter().any(|decision| decision.verdict == verdict);
        let standing = within.iter().rev().find(|decision| decision.t <= settles);
        let held = standing.is_some_and(|decision| decision.verdict == Verdict::Settled);
        match if held { Some(settles) } else { first } {
            Some(first) => {
                let needed = 1.25 * (settles - oracle.start) + hold;
                self.delays.push((first - settles) / hold);
                self.within += usize::from(first - oracle.start <= needed);
                self.within_noise += usize::from(first - oracle.start <= needed + oracle.noise_need);
            }
            None if said(Verdict::NoiseLimited) => self.noise_limited += 1,
            None => self.missed += 1,
        }
        self.despaired_wrongly +=
            usize::from(said(Verdict::WontSettle) && settles <= series.recipe.criteria.max_wait_s);
    }

    /// Forecasts made a quarter, half and three quarters of the way hold the truth, give or take a twentieth of what is left.
    fn forecast(&mut self, oracle: &Oracle, answers: &Answers) {
        let Some(settles) = oracle.settles else { return };
        let way = settles - oracle.start;
        if way < 120.0 {
            return;
        }
        for share in [0.25, 0.5, 0.75] {
            let made = answers
                .forecasts
                .iter()
                .rev()
                .find(|(at, _)| (oracle.start..=oracle.start + share * way).contains(at));
            if let Some((at, forecast)) = made {
                let slack = 0.05 * (settles - at);
                self.forecasts += 1;
                let left = (settles - at).max(1.0);
                self.forecast_errors.push((forecast.settles_at_s - settles).abs() / left);
                self.forecasts_cover +=
                    usize::from((forecast.low_s - slack..=forecast.high_s + slack).contains(&settles));
            }
        }
    }
}
