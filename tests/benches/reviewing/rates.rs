//! How often reviews of a simulated display find what was put into it, how often their intervals hold the truth, and how often they report
//! what isn't there.

use std::collections::BTreeMap;

use settle::review::evaluation::{Evaluation, Placed};
use settle::review::figures::Standing;

use super::case::{Case, Said, Truth};
use super::observer::{Noise, review};

/// What came of many reviews of one display.
#[derive(Debug)]
pub(crate) struct Rates {
    pub(crate) name: &'static str,
    pub(crate) reviews: usize,
    /// Of each fault that was put in, in the case's order.
    pub(crate) found: Vec<Found>,
    /// Reviews that call something beyond a tolerance that the fault doesn't reach.
    pub(crate) false_alarms: usize,
    /// What they called so, and how often.
    pub(crate) alarms: BTreeMap<String, usize>,
}

/// What came of one figure.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) subject: &'static str,
    /// In how many reviews there is such a figure.
    pub(crate) measured: usize,
    /// In how many of them it is told as it should be.
    pub(crate) as_expected: usize,
    /// In how many of them its interval holds the truth; nothing where the truth has no number.
    pub(crate) held: Option<usize>,
}

impl Rates {
    /// Reviews with as many seeds, from `first` on; of the sequences alone that the case is about where that is enough.
    pub(crate) fn of(case: &Case, noise: Noise, first: u64, count: usize, is_brief: bool) -> Self {
        let mut rates = Self {
            name: case.name,
            reviews: count,
            found: case.truths.iter().map(Found::none).collect(),
            false_alarms: 0,
            alarms: BTreeMap::new(),
        };
        let (display, plan) = (case.display(), case.plan(is_brief));
        let one = |seed| Evaluation::of(&review(&display, &plan, noise, seed)).findings;
        for findings in at_once(first, count, one) {
            for (truth, found) in case.truths.iter().zip(&mut rates.found) {
                found.count(truth, &findings);
            }
            let alarms: Vec<String> = findings.iter().filter(|it| is_false(case, it)).map(name).collect();
            rates.false_alarms += usize::from(!alarms.is_empty());
            for alarm in alarms {
                *rates.alarms.entry(alarm).or_default() += 1;
            }
        }
        rates
    }
}

impl Found {
    fn none(truth: &Truth) -> Self {
        Self { subject: truth.subject, measured: 0, as_expected: 0, held: truth.value.map(|_| 0) }
    }

    fn count(&mut self, truth: &Truth, findings: &[Placed]) {
        let is_it =
            |placed: &&Placed| placed.sequence == truth.sequence && placed.finding.subject == truth.subject;
        let Some(placed) = findings.iter().find(is_it) else { return };
        self.measured += 1;
        self.as_expected += usize::from(match truth.said {
            Said::Stands(standing) => placed.finding.standing == standing,
            Said::Off(from) => placed.finding.figure.is_some_and(|figure| !figure.holds(from)),
            Said::There => true,
            Said::Saying(words) => placed.finding.words.contains(words),
        });
        if let (Some(held), Some(value)) = (&mut self.held, truth.value) {
            *held += usize::from(placed.finding.figure.is_some_and(|figure| figure.holds(value)));
        }
    }
}

/// What `one` gives for as many seeds, on every processor there is.
fn at_once<T: Send>(first: u64, count: usize, one: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let seeds: Vec<u64> = (first..first + count as u64).collect();
    std::thread::scope(|scope| {
        let parts = seeds.chunks(count.div_ceil(threads).max(1));
        let parts: Vec<_> = parts
            .map(|seeds| scope.spawn(|| seeds.iter().map(|seed| one(*seed)).collect::<Vec<T>>()))
            .collect();
        parts.into_iter().flat_map(|part| part.join().unwrap()).collect()
    })
}

/// Whether a verdict speaks of a fault that isn't there.
fn is_false(case: &Case, placed: &Placed) -> bool {
    let is_of = |truth: &Truth| placed.sequence == truth.sequence && placed.finding.subject == truth.subject;
    let follows = case.follows.iter().any(|(sequence, subject)| {
        placed.sequence == *sequence && (*subject == "*" || placed.finding.subject == *subject)
    });
    placed.finding.standing == Standing::Beyond && !follows && !case.truths.iter().any(is_of)
}

fn name(placed: &Placed) -> String {
    format!("{}, {}", placed.sequence, placed.finding.subject)
}
