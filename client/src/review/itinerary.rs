//! What of a plan is still to be measured, in the order that it is.

use std::collections::HashSet;

use super::expand::Step;
use super::order::ordered;
use super::plan::{Plan, Sequence, Set, What};
use super::record::{Entry, Place};

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
}
