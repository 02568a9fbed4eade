//! Plans that come along, for the usual reviews.

use std::path::Path;

use settled_drivers::settings::Problems;

use super::plan::Plan;

/// A plan that comes along.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ready {
    /// What it is called by: `sdr-quick`.
    pub name: &'static str,
    /// As it is written, in TOML.
    pub text: &'static str,
}

/// All of them, the shortest first.
pub const READY: [Ready; 8] = [
    Ready { name: "sdr-quick", text: include_str!("../../plans/sdr-quick.toml") },
    Ready { name: "near-black", text: include_str!("../../plans/near-black.toml") },
    Ready { name: "retention", text: include_str!("../../plans/retention.toml") },
    Ready { name: "uniformity", text: include_str!("../../plans/uniformity.toml") },
    Ready { name: "hdr-hlg", text: include_str!("../../plans/hdr-hlg.toml") },
    Ready { name: "hdr-pq", text: include_str!("../../plans/hdr-pq.toml") },
    Ready { name: "sdr-full", text: include_str!("../../plans/sdr-full.toml") },
    Ready { name: "sdr-and-hdr", text: include_str!("../../plans/sdr-and-hdr.toml") },
];

impl Ready {
    /// The one of this name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        READY.into_iter().find(|ready| ready.name == name)
    }

    /// The plan.
    ///
    /// # Errors
    /// Its mistakes; there are none.
    pub fn plan(self) -> Result<Plan, Problems> {
        Plan::read(Path::new(&format!("{}.toml", self.name)), self.text)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use settled_protocol::stage::Range;

    use super::*;
    use crate::evaluate::aim::Transfer;
    use crate::review::itinerary::{Stop, stops};
    use crate::review::patch::Coding;
    use crate::review::plan::What;

    #[test]
    fn every_plan_that_comes_along_is_right() {
        for ready in READY {
            let plan = ready.plan().unwrap_or_else(|problems| panic!("{problems}"));
            let count = stops(&plan, &[], None).len();
            assert!(count > 0, "{}", ready.name);
        }
        assert_eq!(Ready::named("sdr-quick").map(|ready| ready.text), Some(READY[0].text));
    }

    #[test]
    fn a_page_can_show_every_plan_but_those_of_hdr_modes() {
        for ready in READY {
            let plan = ready.plan().unwrap();
            for set in &plan.sets {
                let coding = Coding { bits: 8, range: Range::Full };
                let is_hdr = matches!(set.aim.transfer, Transfer::Pq | Transfer::Hlg { .. });
                assert!(is_hdr || set.coding == coding, "{}, {}: {:?}", ready.name, set.name, set.coding);
            }
        }
    }

    #[test]
    fn no_grey_of_a_ramp_is_measured_twice() {
        for ready in READY {
            let plan = ready.plan().unwrap();
            let stops = stops(&plan, &[], None);
            let is_ramp =
                |stop: &&Stop<'_>| matches!(stop.sequence.what, What::Grey { .. } | What::NearBlack { .. });
            let mut seen = HashSet::new();
            for stop in stops.iter().filter(is_ramp) {
                let place = (&stop.set.name, &stop.sequence.name, stop.step.patch.codes);
                assert!(seen.insert(place), "{}: {place:?}", ready.name);
            }
        }
    }

    #[test]
    fn the_full_review_has_some_four_hundred_stimuli() {
        let plan = Ready::named("sdr-full").unwrap().plan().unwrap();
        let count = stops(&plan, &[], None).len();
        assert!((380..=420).contains(&count), "{count}");
    }
}
