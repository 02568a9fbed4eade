//! Published rules, evaluated as they are worded: on the readings themselves, with no thought of noise or drift.

use settled_protocol::rule::{Compared, Rule};

/// Readings of IES LM-79 are taken this far apart, in s.
const APART_S: f64 = 900.0;
/// The stretch that CIE S 025 looks at, in s.
const LAST_S: f64 = 900.0;
/// The stretch of a quick look, in s.
const GLANCE_S: f64 = 30.0;
/// Parts that a stretch is kept in. The stretch compared is longer than asked for by at most two of them.
const PARTS: i64 = 300;
/// Readings at most this far apart make a stretch, in s.
const SILENCE_S: f64 = 180.0;
/// Readings "15 min apart" may be this much further apart, in s; the one nearest to 15 min is taken.
const LATE_S: f64 = 60.0;

/// A published rule at work.
#[derive(Clone, Debug)]
pub(super) struct Published {
    rule: Rule,
    started_s: f64,
    method: Method,
    compared: Compared,
}

#[derive(Clone, Debug)]
enum Method {
    Apart(Apart),
    Stretch(Stretch),
}

impl Published {
    /// The rule, for a request that began at `started_s`; nothing if it is not a published one.
    pub(super) fn new(rule: Rule, started_s: f64) -> Option<Self> {
        let allowed = rule.allowed()?;
        let method = match rule {
            Rule::Trend => return None,
            Rule::IesLm79 => Method::Apart(Apart::default()),
            Rule::CieS025 => Method::Stretch(Stretch::new(LAST_S)),
            Rule::QuickLook => Method::Stretch(Stretch::new(GLANCE_S)),
        };
        let compared = Compared { allowed, ..Compared::default() };
        Some(Self { rule, started_s, method, compared })
    }

    /// Takes a reading, and says what is found now.
    pub(super) fn push(&mut self, t_s: f64, y: f64) -> Compared {
        let found = match &mut self.method {
            Method::Apart(apart) => apart.push(t_s, y),
            Method::Stretch(stretch) => stretch.push(t_s, y),
        };
        if let Some(found) = found {
            let variation = found.variation(self.rule).filter(|_| found.complete);
            // The other rule that asks for time asks for it of its readings.
            let operated = self.rule != Rule::CieS025 || t_s - self.started_s >= self.rule.least_s();
            let met = operated && variation.is_some_and(|variation| variation < self.compared.allowed);
            self.compared = Compared { n: found.n, over_s: found.over_s, variation, met, ..self.compared };
        }
        self.compared
    }

    /// Which rule it is.
    pub(super) fn rule(&self) -> Rule {
        self.rule
    }

    /// What was found last.
    pub(super) fn compared(&self) -> Compared {
        self.compared
    }
}

/// The readings that are compared.
#[derive(Clone, Copy, Debug)]
struct Found {
    n: usize,
    over_s: f64,
    low: f64,
    high: f64,
    sum: f64,
    /// Whether they are all that the rule asks for.
    complete: bool,
}

impl Found {
    /// Largest less smallest, by the rule's measure; nothing where there is no light to be a share of.
    fn variation(&self, rule: Rule) -> Option<f64> {
        let span = self.high - self.low;
        let whole = match rule {
            Rule::IesLm79 => self.sum / self.n as f64,
            Rule::CieS025 => self.low,
            Rule::Trend | Rule::QuickLook => 1.0,
        };
        (whole > 0.0).then_some(span / whole)
    }
}

/// Single readings 15 min apart, the last three of them.
#[derive(Clone, Debug, Default)]
struct Apart {
    taken: [Option<(f64, f64)>; 3],
    /// Time of the reading before, in s.
    before_s: Option<f64>,
}

impl Apart {
    /// Takes the reading if it is due; then says what is found.
    fn push(&mut self, t_s: f64, y: f64) -> Option<Found> {
        let interval = self.before_s.replace(t_s).map_or(0.0, |before| t_s - before);
        let [_, mut before, mut last] = self.taken;
        let since = last.map(|(last, _)| t_s - last);
        if since.is_some_and(|since| since < APART_S - 0.5 * interval.min(LATE_S)) {
            return None;
        }
        if since.is_some_and(|since| since > APART_S + LATE_S) {
            (before, last) = (None, None);
        }
        self.taken = [before, last, Some((t_s, y))];
        let taken = || self.taken.iter().flatten();
        let (low, high) = extremes(taken().map(|(_, y)| *y));
        Some(Found {
            n: taken().count(),
            over_s: taken().next().map_or(0.0, |(first, _)| t_s - first),
            low,
            high,
            sum: taken().map(|(_, y)| y).sum(),
            complete: taken().count() == 3,
        })
    }
}

fn extremes(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y| (low.min(y), high.max(y)))
}

/// Part of a stretch.
#[derive(Clone, Copy, Debug)]
struct Part {
    number: i64,
    n: usize,
    first_s: f64,
    low: f64,
    high: f64,
    sum: f64,
}

/// All readings of the last so many seconds, as extremes of some three hundred parts: 15 KB.
#[derive(Clone, Debug)]
struct Stretch {
    span_s: f64,
    began: Option<(f64, f64)>,
    parts: Vec<Part>,
}

impl Stretch {
    fn new(span_s: f64) -> Self {
        Self { span_s, began: None, parts: Vec::with_capacity(PARTS as usize + 2) }
    }

    fn push(&mut self, t_s: f64, y: f64) -> Option<Found> {
        let silent = self.began.is_some_and(|(_, latest)| t_s - latest > SILENCE_S.min(self.span_s));
        if silent {
            self.parts.clear();
        }
        let began = self.began.filter(|_| !silent).map_or(t_s, |(first, _)| first);
        self.began = Some((began, t_s));
        let part_s = self.span_s / PARTS as f64;
        let number = ((t_s - began) / part_s) as i64;
        let old = self.parts.partition_point(|part| part.number < number - PARTS - 1);
        self.parts.drain(..old);
        match self.parts.last_mut().filter(|part| part.number == number) {
            Some(part) => {
                (part.low, part.high) = (part.low.min(y), part.high.max(y));
                (part.n, part.sum) = (part.n + 1, part.sum + y);
            }
            None => self.parts.push(Part { number, n: 1, first_s: t_s, low: y, high: y, sum: y }),
        }
        let (low, _) = extremes(self.parts.iter().map(|part| part.low));
        let (_, high) = extremes(self.parts.iter().map(|part| part.high));
        let over_s = self.parts.first().map_or(0.0, |part| t_s - part.first_s);
        Some(Found {
            n: self.parts.iter().map(|part| part.n).sum(),
            over_s,
            low,
            high,
            sum: self.parts.iter().map(|part| part.sum).sum(),
            complete: t_s - began >= self.span_s,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// When a rule is first met, of one reading every `every` seconds from 0 on.
    fn met(rule: Rule, every: f64, light: impl Fn(f64) -> f64) -> Option<f64> {
        let mut published = Published::new(rule, 0.0)?;
        (0..20_000).map(|i| f64::from(i) * every).find(|&t| published.push(t, light(t)).met)
    }

    #[test]
    fn lm_79_takes_three_readings_a_quarter_of_an_hour_apart() {
        assert_eq!(met(Rule::IesLm79, 10.0, |_| 100.0), Some(1800.0));
        // Readings at 0, 15, 30 and 45 min: 100, 100.4, 100.6, 100.8. The first three vary by 0.6 %, the next by 0.4 %.
        let rising = |t: f64| [100.0, 100.4, 100.6, 100.8][((t / 900.0) as usize).min(3)];
        assert_eq!(met(Rule::IesLm79, 10.0, rising), Some(2700.0));
        // It does not see what happens in between.
        let swinging = |t: f64| 100.0 + 20.0 * (std::f64::consts::TAU * t / 900.0).sin();
        assert_eq!(met(Rule::IesLm79, 10.0, swinging), Some(1800.0));
        assert_eq!(met(Rule::IesLm79, 10.0, |t| 100.0 * (t * 0.0026 / 900.0).exp()), None);
    }

    #[test]
    fn s_025_asks_for_half_an_hour_and_compares_all_of_the_last_quarter() {
        assert_eq!(met(Rule::CieS025, 10.0, |_| 100.0), Some(1800.0));
        let swinging = |t: f64| 100.0 + (std::f64::consts::TAU * t / 900.0).sin();
        assert_eq!(met(Rule::CieS025, 10.0, swinging), None);
        // A dip at 20 min is within the last quarter of an hour until 35 min.
        let dip = |t: f64| if t == 1200.0 { 99.0 } else { 100.0 };
        let settled = met(Rule::CieS025, 10.0, dip).unwrap();
        assert!((2100.0..=2110.0).contains(&settled), "{settled}");
        // 0.5 % exactly is not less than 0.5 %.
        assert_eq!(
            met(Rule::CieS025, 10.0, |t| if (t / 10.0) as i64 % 2 == 0 { 100.0 } else { 100.5 }),
            None
        );
        assert!(
            met(Rule::CieS025, 10.0, |t| if (t / 10.0) as i64 % 2 == 0 { 100.0 } else { 100.49 }).is_some()
        );
    }

    #[test]
    fn a_silence_begins_the_quarter_anew() {
        let silent = |t: f64| (1000.0..1300.0).contains(&t);
        let mut published = Published::new(Rule::CieS025, 0.0).unwrap();
        let times = (0..300).map(|i| f64::from(i) * 10.0).filter(|t| !silent(*t));
        let met = times.map(|t| (t, published.push(t, 100.0).met)).find(|(_, met)| *met);
        assert_eq!(met, Some((2200.0, true)));
        // One reading a minute, give or take, is no silence.
        assert_eq!(super::tests::met(Rule::CieS025, 60.01, |_| 100.0), Some(30.0 * 60.01));
    }

    #[test]
    fn a_quarter_of_an_hour_is_that_and_not_longer() {
        let mut published = Published::new(Rule::IesLm79, 0.0).unwrap();
        assert!(![0.0, 36_000.0, 36_900.0].into_iter().any(|t| published.push(t, 100.0).met));
        assert!(published.push(37_800.0, 100.0).met);
        // Readings a quarter of an hour apart, give or take, are taken as they come.
        assert_eq!(met(Rule::IesLm79, 899.9, |_| 100.0), Some(2.0 * 899.9));
        assert_eq!(met(Rule::IesLm79, 7.0, |_| 100.0).map(|t| t.round()), Some(1806.0));
    }

    #[test]
    fn a_quick_look_takes_two_candelas_over_half_a_minute() {
        assert_eq!(met(Rule::QuickLook, 1.0, |_| 1000.0), Some(30.0));
        assert_eq!(met(Rule::QuickLook, 1.0, |t| 100.0 + t * 2.1 / 30.0), None);
        assert!(met(Rule::QuickLook, 1.0, |t| 100.0 + t * 1.9 / 30.0).is_some());
        // Near black two candelas are no test at all: that is what the rule says.
        assert_eq!(met(Rule::QuickLook, 1.0, |t| 0.01 * (1.0 + t)), Some(30.0));
    }

    #[test]
    fn no_light_is_no_share_and_memory_is_bounded() {
        assert_eq!(met(Rule::CieS025, 10.0, |_| 0.0), None);
        let mut published = Published::new(Rule::CieS025, 0.0).unwrap();
        for i in 0..100_000 {
            published.push(f64::from(i) * 0.1, 100.0);
        }
        let Method::Stretch(stretch) = &published.method else { unreachable!() };
        assert!(stretch.parts.capacity() <= PARTS as usize + 2, "{}", stretch.parts.capacity());
        let compared = published.compared();
        assert!((900.0..=906.0).contains(&compared.over_s), "{compared:?}");
    }
}
