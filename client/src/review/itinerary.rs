//! What of a plan is still to be measured, in the order that it is.

use std::collections::{HashMap, HashSet};

use super::evaluation::Unsettled;
use super::expand::Step;
use super::order::ordered;
use super::plan::{Plan, Sequence, Set, What};
use super::record::{Entry, Measurement, Place};

/// One step of a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Stop<'a> {
    /// Its set.
    pub set: &'a Set,
    /// Its sequence.
    pub sequence: &'a Sequence,
    /// What is shown.
    pub step: Step,
}

impl Stop<'_> {
    /// Where it belongs in a record.
    #[must_use]
    pub fn place(&self) -> Place {
        Place { set: self.set.name.clone(), sequence: self.sequence.name.clone(), step: self.step.step }
    }
}

/// What is left of a plan once `entries` are measured, of one set where that is named. Image retention is one procedure: where a part of it
/// is missing, all of it is.
#[must_use]
pub fn stops<'a>(plan: &'a Plan, entries: &[Entry], only: Option<&str>) -> Vec<Stop<'a>> {
    let done: HashSet<&Place> = entries.iter().filter_map(place).collect();
    let mut left = Vec::new();
    for set in plan.sets.iter().filter(|set| only.is_none_or(|only| set.name == only)) {
        for sequence in &set.sequences {
            let mut stops: Vec<Stop<'a>> =
                ordered(set, sequence).into_iter().map(|step| Stop { set, sequence, step }).collect();
            let is_done = |stop: &Stop<'_>| done.contains(&stop.place());
            let is_whole = stops.iter().all(is_done);
            if is_whole || !matches!(sequence.what, What::Retention { .. }) {
                stops.retain(|stop| !is_done(stop));
            }
            left.extend(stops);
        }
    }
    left
}

/// What is measured anew though there is something of it: what had not settled as the record was opened. A part of a procedure never is, as all of it would be.
#[derive(Clone, Debug, Default)]
pub struct Again {
    /// Entries from here on count whatever they are of.
    since: usize,
    places: HashSet<Place>,
}

/// What a review takes a display through.
#[derive(Clone, Debug, Default)]
pub struct Itinerary {
    /// One set alone.
    pub only: Option<String>,
    /// What is measured anew.
    pub again: Again,
}

impl Itinerary {
    /// What is left of it once `entries` are measured.
    #[must_use]
    pub fn left<'a>(&self, plan: &'a Plan, entries: &[Entry]) -> Vec<Stop<'a>> {
        self.again.stops(plan, entries, self.only.as_deref())
    }
}

impl Again {
    /// Every single stimulus of a record that had not settled.
    #[must_use]
    pub fn unsettled(plan: &Plan, entries: &[Entry]) -> Self {
        let is_single = |place: &Place| {
            let sequences =
                plan.sets.iter().filter(|set| set.name == place.set).flat_map(|set| &set.sequences);
            sequences.filter(|found| found.name == place.sequence).all(|found| !found.is_procedure())
        };
        let mut counting: HashMap<&Place, &Measurement> = HashMap::new();
        for entry in entries {
            let Entry::Patch(patch) = entry else { continue };
            if counting.get(&patch.place).is_none_or(|before| patch.takes_the_place_of(before)) {
                counting.insert(&patch.place, patch);
            }
        }
        let unsettled =
            counting.into_iter().filter(|(place, patch)| Unsettled::of(patch).is_some() && is_single(place));
        Self { since: entries.len(), places: unsettled.map(|(place, _)| place.clone()).collect() }
    }

    /// How many of what is left are there already and are measured anew.
    #[must_use]
    pub fn count(&self, plan: &Plan, entries: &[Entry], only: Option<&str>) -> usize {
        let left = self.stops(plan, entries, only);
        left.iter().filter(|stop| self.places.contains(&stop.place())).count()
    }

    /// What is left of a plan, as [`stops`] has it, and what is measured anew.
    #[must_use]
    pub fn stops<'a>(&self, plan: &'a Plan, entries: &[Entry], only: Option<&str>) -> Vec<Stop<'a>> {
        let (before, since) = entries.split_at_checked(self.since).unwrap_or((entries, &[]));
        let counts = |entry: &&Entry| place(entry).is_none_or(|place| !self.places.contains(place));
        let known: Vec<Entry> = before.iter().filter(counts).chain(since).cloned().collect();
        stops(plan, &known, only)
    }
}

fn place(entry: &Entry) -> Option<&Place> {
    match entry {
        Entry::Patch(patch) => Some(&patch.place),
        Entry::Course(course) => Some(&course.place),
        Entry::Shown(_) | Entry::Begun { .. } | Entry::Note { .. } => None,
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use settled_protocol::time::Timestamp;

    use super::*;
    use crate::review::record::Course;

    const TEXT: &str = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n\
        [[set.sequence]]\nkind = \"grey\"\nsteps = 3\n[[set.sequence]]\nkind = \"retention\"\n\
        [[set]]\nname = \"PQ\"\ntransfer = \"pq\"\nprimaries = \"bt2020\"\n";

    fn entry(stop: &Stop<'_>) -> Entry {
        Entry::Course(Course {
            place: stop.place(),
            patch: stop.step.patch.clone(),
            at: Timestamp::from_unix_ns(0),
            points: Vec::new(),
            readings: None,
            correction: None,
            flags: Vec::new(),
        })
    }

    fn names(stops: &[Stop<'_>]) -> Vec<(String, usize)> {
        stops
            .iter()
            .map(|stop| (format!("{} {}", stop.set.name, stop.sequence.name), stop.step.step))
            .collect()
    }

    #[test]
    fn white_and_black_come_before_all_else_of_each_set() {
        let plan = Plan::read(Path::new("p"), TEXT).unwrap();
        let all = stops(&plan, &[], None);
        // Dark to light: black is step 1.
        let expected = [("SDR white_black", 1), ("SDR white_black", 0), ("SDR grey", 0), ("SDR grey", 1)];
        let expected = expected.map(|(name, step)| (name.to_owned(), step));
        assert_eq!(names(&all)[..4], expected);
        assert_eq!((all.len(), stops(&plan, &[], Some("PQ")).len()), (10, 2));
    }

    #[test]
    fn what_is_measured_is_left_out_and_a_procedure_is_begun_anew() {
        let plan = Plan::read(Path::new("p"), TEXT).unwrap();
        let all = stops(&plan, &[], None);
        // White and black, the greys, and the first of image retention.
        let entries: Vec<Entry> = all.iter().take(6).map(entry).collect();
        let left = stops(&plan, &entries, Some("SDR"));
        assert_eq!(names(&left), [0, 1, 2].map(|step| ("SDR retention".to_owned(), step)));
        let entries: Vec<Entry> = all.iter().take(8).map(entry).collect();
        assert!(stops(&plan, &entries, Some("SDR")).is_empty());
    }

    #[test]
    fn what_has_not_settled_is_measured_anew_once() {
        let record = crate::review::evaluation::tests::record();
        let plan = &record.header.plan;
        let mut entries = record.entries.clone();
        let left = |again: &Again, entries: &[Entry]| names(&again.stops(plan, entries, None));
        assert_eq!(left(&Again::unsettled(plan, &entries), &entries), left(&Again::default(), &entries));
        let before = left(&Again::default(), &entries).len();
        let Some(Entry::Patch(patch)) = entries.iter_mut().find(|entry| matches!(entry, Entry::Patch(_)))
        else {
            panic!()
        };
        patch.verdict = settled_protocol::settling::Verdict::TimedOut;
        let anew = Entry::Patch(patch.clone());
        let again = Again::unsettled(plan, &entries);
        assert_eq!(
            (
                again.count(plan, &entries, None),
                left(&again, &entries).len(),
                left(&Again::default(), &entries).len()
            ),
            (1, before + 1, before)
        );
        // As many as are shown, of the set that is measured.
        assert_eq!(
            (again.count(plan, &entries, Some("SDR")), again.count(plan, &entries, Some("Other"))),
            (1, 0)
        );
        // However it ends this time.
        entries.push(anew);
        assert_eq!(left(&again, &entries).len(), before);
    }
}
