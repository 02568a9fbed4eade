//! Who decides: the engine, or a published rule with the engine beside it.

use settled_protocol::rule::Compared;
use settled_protocol::settling::{Criteria, Evidence, Forecast, Test, Verdict};

use super::published::Published;
use super::{Change, Engine, Limit, Observation, Standing};

/// Decides, by the rule that the criteria name, when one request's light has settled.
#[derive(Clone, Debug)]
pub struct Judge {
    criteria: Criteria,
    engine: Engine,
    started_s: f64,
    published: Option<Published>,
    verdict: Option<Verdict>,
    trend_settled_s: Option<f64>,
}

impl Judge {
    /// For a request that came at `started_s` (boot clock), of a meter whose scale has steps of `resolution`, in the unit of
    /// its readings, if it says so.
    #[must_use]
    pub fn new(criteria: Criteria, resolution: Option<f64>, started_s: f64) -> Self {
        Self {
            criteria,
            engine: Engine::new(criteria, resolution, started_s),
            started_s,
            published: Published::new(criteria.preset, started_s),
            verdict: None,
            trend_settled_s: None,
        }
    }

    /// Takes the next reading, and gives the change of verdict that it caused, if any.
    pub fn push(&mut self, observation: Observation) -> Option<Change> {
        let t_s = observation.t_s;
        let forward = self.engine.latest_s().is_none_or(|latest| t_s >= latest);
        let change = self.engine.push(observation);
        if change.as_ref().is_some_and(|change| change.verdict == Verdict::Settled) {
            self.trend_settled_s.get_or_insert(t_s - self.started_s);
        }
        let Some(published) = &mut self.published else { return change };
        if !forward || !observation.usable() {
            return None;
        }
        let verdict = match (self.verdict, published.push(t_s, observation.y).met) {
            (Some(Verdict::Settled), false) => Verdict::Lost,
            (Some(Verdict::Settled), true) | (_, false) => return None,
            (_, true) => Verdict::Settled,
        };
        self.verdict = Some(verdict);
        let Standing { value, evidence, .. } = self.standing();
        Some(Change { verdict, t_s, value, evidence })
    }

    /// Readings are missing here: see [`Engine::gap`]. Published rules say nothing of gaps, and look at the times alone.
    pub fn gap(&mut self) {
        self.engine.gap();
    }

    /// What comes from `now_s` on is told on another scale, with steps of `resolution`, so that nothing of what was known counts any
    /// more: not as a drift, not as a step, and not for a published rule. Waits are still counted from the request's beginning.
    pub fn anew(&mut self, now_s: f64, resolution: Option<f64>) {
        self.engine = Engine::new(self.criteria, resolution, self.started_s);
        self.published = Published::new(self.criteria.preset, now_s);
        self.verdict = None;
        self.trend_settled_s = None;
    }

    /// The last verdict that still holds, by the rule that decides.
    #[must_use]
    pub fn verdict(&self) -> Option<Verdict> {
        if self.published.is_some() { self.verdict } else { self.engine.verdict() }
    }

    /// How it stands now, by the rule that decides.
    #[must_use]
    pub fn standing(&self) -> Standing {
        let standing = self.engine.standing();
        let Some(published) = &self.published else { return standing };
        let compared = Compared {
            trend: standing.verdict,
            trend_settled_s: self.trend_settled_s,
            ..published.compared()
        };
        let failing = if compared.met { Vec::new() } else { vec![Test::Variation] };
        let evidence =
            Evidence { rule: published.rule(), compared: Some(compared), failing, ..standing.evidence };
        Standing { verdict: self.verdict, evidence, ..standing }
    }

    /// See [`Engine::noise_wait_s`]; nothing where a published rule decides, which takes readings as they come.
    #[must_use]
    pub fn noise_wait_s(&self) -> Option<f64> {
        self.engine.noise_wait_s().filter(|_| self.published.is_none())
    }

    /// See [`Engine::limit`].
    #[must_use]
    pub fn limit(&self) -> Option<Limit> {
        self.engine.limit()
    }

    /// The engine's forecast: see [`Engine::forecast`]. A published rule has none.
    #[must_use]
    pub fn forecast(&self) -> Option<Forecast> {
        self.engine.forecast().filter(|_| self.published.is_none())
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::rule::Rule;

    use super::*;

    fn judged(preset: Rule, light: impl Fn(f64) -> f64) -> (Vec<(f64, Verdict)>, Standing) {
        let criteria = Criteria { preset, max_wait_s: 7200.0, ..Criteria::default() };
        let mut judge = Judge::new(criteria, None, 100.0);
        let readings = (0..5000).map(f64::from).map(|t| Observation {
            t_s: 100.0 + t,
            integration_s: Some(1.0),
            y: light(t),
            uv: None,
        });
        let changes = readings.filter_map(|reading| judge.push(reading));
        (changes.map(|change| (change.t_s - 100.0, change.verdict)).collect(), judge.standing())
    }

    #[test]
    fn without_a_preset_the_engine_decides_and_nothing_is_compared() {
        let (changes, standing) = judged(Rule::Trend, |_| 100.0);
        assert_eq!(changes.len(), 1);
        assert!(changes[0].0 < 40.0);
        assert_eq!((standing.evidence.rule, standing.evidence.compared), (Rule::Trend, None));
    }

    #[test]
    fn a_preset_decides_and_the_trend_stands_beside_it() {
        let (changes, standing) = judged(Rule::CieS025, |t| 100.0 - 5.0 * (-t / 300.0).exp());
        // 5 e^(-t/300) is 0.5 at 691 s: the last quarter of an hour varies by less from 1591 s on, but half an hour is asked for.
        assert_eq!(changes, [(1800.0, Verdict::Settled)]);
        let compared = standing.evidence.compared.unwrap();
        assert!(compared.met && compared.trend == Some(Verdict::Settled));
        // The trend holds for the next minute when 5 e^(-t/300) (1 − e^(−60/300)) is 0.5: at 178 s.
        assert!((178.0..400.0).contains(&compared.trend_settled_s.unwrap()), "{compared:?}");
        assert!(standing.evidence.failing.is_empty());
    }

    #[test]
    fn a_change_of_scale_is_neither_a_drift_nor_a_step_nor_anything_a_rule_compares() {
        for preset in [Rule::Trend, Rule::QuickLook, Rule::CieS025] {
            let criteria = Criteria { preset, max_wait_s: 7200.0, ..Criteria::default() };
            let push = |judge: &mut Judge, t: u32, y: f64| {
                let t_s = f64::from(t);
                judge
                    .push(Observation { t_s, integration_s: Some(1.0), y, uv: None })
                    .map(|change| (t, change.verdict))
            };
            let mut judge = Judge::new(criteria, None, 0.0);
            // Just before any of them would have called it settled, the scale changes by 3 %.
            let change_at = if preset == Rule::CieS025 { 1799 } else { 25 };
            let before: Vec<_> = (0..change_at).filter_map(|t| push(&mut judge, t, 100.0)).collect();
            assert_eq!(before, [], "{preset:?}");
            judge.anew(f64::from(change_at), None);
            let after: Vec<_> = (change_at..7000).filter_map(|t| push(&mut judge, t, 103.0)).collect();
            let mut fresh = Judge::new(criteria, None, 0.0);
            let expected: Vec<_> = (0..7000 - change_at).filter_map(|t| push(&mut fresh, t, 103.0)).collect();
            let later: Vec<_> = expected.iter().map(|(t, verdict)| (t + change_at, *verdict)).collect();
            assert_eq!(after, later, "{preset:?}: as if the request had come then");
            assert_eq!(judge.standing().evidence.steps, 0);
        }
    }

    #[test]
    fn a_preset_is_lost_when_it_is_no_longer_met() {
        let (changes, standing) = judged(Rule::QuickLook, |t| if t < 200.0 { 100.0 } else { 110.0 });
        let verdicts: Vec<Verdict> = changes.iter().map(|(_, verdict)| *verdict).collect();
        assert_eq!(verdicts, [Verdict::Settled, Verdict::Lost, Verdict::Settled]);
        assert_eq!((changes[0].0, changes[1].0), (30.0, 200.0));
        assert!((230.0..231.5).contains(&changes[2].0), "{changes:?}");
        assert_eq!(standing.evidence.rule, Rule::QuickLook);
    }
}
