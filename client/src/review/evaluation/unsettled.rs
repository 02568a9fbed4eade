//! Patches whose light did not settle, and what is said of them.

use schemars::JsonSchema;
use serde::Serialize;
use settled_protocol::settling::Verdict;

use super::Evaluation;
use crate::review::record::Measurement;

/// A patch whose light did not settle.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Unsettled {
    /// Which stimulus of the sequence, from 0.
    pub step: usize,
    /// What a person calls it.
    pub name: String,
    /// How the settling ended.
    pub verdict: Verdict,
    /// Whether it has a value all the same, which counts in the figures.
    pub has_value: bool,
}

impl Unsettled {
    /// Of a patch; nothing where it settled.
    #[must_use]
    pub fn of(patch: &Measurement) -> Option<Self> {
        let of = || Self {
            step: patch.place.step,
            name: patch.patch.name.clone(),
            verdict: patch.verdict,
            has_value: patch.value.is_some(),
        };
        (patch.verdict != Verdict::Settled || patch.value.is_none()).then(of)
    }

    /// `grey 5 % (timed out)`.
    #[must_use]
    pub fn words(&self) -> String {
        let value = if self.has_value { "" } else { ", no value" };
        format!("{} ({}{value})", self.name, self.verdict.name().replace('_', " "))
    }

    /// All of them in a line, of which `most` are told one by one; nothing where there is none.
    #[must_use]
    pub fn line(all: &[Self], most: usize) -> Option<String> {
        let more = all.len().saturating_sub(most);
        let more = (more > 0).then(|| format!("{more} more"));
        let names: Vec<String> = all.iter().take(most).map(Self::words).chain(more).collect();
        (!names.is_empty()).then(|| names.join(", "))
    }
}

/// Stimuli that are told one by one, of each sequence.
const MOST_TOLD: usize = 6;

impl Evaluation {
    /// That figures rest on light that had not settled, where they do: which stimuli, sequence by sequence.
    #[must_use]
    pub fn rests_on_unsettled(&self) -> Option<String> {
        let sequences =
            self.sets.iter().flat_map(|set| set.sequences.iter().map(move |sequence| (&set.name, sequence)));
        let told = sequences.filter_map(|(set, sequence)| {
            let counted: Vec<Unsettled> =
                sequence.unsettled.iter().filter(|patch| patch.has_value).cloned().collect();
            let line = Unsettled::line(&counted, MOST_TOLD)?;
            Some(format!("{set}, {}: {line}", sequence.name.replace('_', " ")))
        });
        let told: Vec<String> = told.collect();
        (!told.is_empty()).then(|| {
            format!(
                "figures rest on light that had not settled, and may be off by more than their intervals: {}",
                told.join("; ")
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_are_told_one_by_one_and_the_others_counted() {
        let of = |step: usize, has_value| Unsettled {
            step,
            name: format!("grey {step} %"),
            verdict: Verdict::TimedOut,
            has_value,
        };
        let all = [of(1, true), of(2, false), of(3, true)];
        assert_eq!(
            Unsettled::line(&all, 2).as_deref(),
            Some("grey 1 % (timed out), grey 2 % (timed out, no value), 1 more")
        );
        assert_eq!(
            (Unsettled::line(&all[..1], 1).as_deref(), Unsettled::line(&[], 2)),
            (Some("grey 1 % (timed out)"), None)
        );
    }
}
