//! In what two plans differ, in words.

use super::{Plan, Set};

impl Plan {
    /// In what `other` differs from this one, a phrase each; nothing where they are the same.
    #[must_use]
    pub fn differences(&self, other: &Self) -> Vec<String> {
        let mut found = Vec::new();
        if self.title != other.title {
            found.push(format!("the title is {:?}, not {:?}", other.title, self.title));
        }
        for set in &self.sets {
            match other.sets.iter().find(|other| other.name == set.name) {
                None => found.push(format!("the set {:?} is missing", set.name)),
                Some(other) => set.compare(other, &mut found),
            }
        }
        for set in &other.sets {
            if !self.sets.iter().any(|known| known.name == set.name) {
                found.push(format!("the set {:?} is new", set.name));
            }
        }
        if found.is_empty() && self != other {
            found.push("the order is another one".to_owned());
        }
        found
    }
}

impl Set {
    fn compare(&self, other: &Self, found: &mut Vec<String>) {
        let name = &self.name;
        if self.coding != other.coding {
            found.push(format!("{name}: code values are written otherwise"));
        }
        if self.aim != other.aim {
            found.push(format!("{name}: the display is meant to do something else"));
        }
        for sequence in &self.sequences {
            match other.sequences.iter().find(|other| other.name == sequence.name) {
                None => found.push(format!("{name}: {:?} is missing", sequence.name)),
                Some(other) if other != sequence => {
                    found.push(format!("{name}: {:?} is another one", sequence.name));
                }
                Some(_) => {}
            }
        }
        for sequence in &other.sequences {
            if !self.sequences.iter().any(|known| known.name == sequence.name) {
                found.push(format!("{name}: {:?} is new", sequence.name));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::What;
    use crate::review::ready::{READY, Ready};

    #[test]
    fn what_differs_is_named() {
        let plan = READY[0].plan().unwrap();
        assert!(plan.differences(&plan.clone()).is_empty());
        let mut other = plan.clone();
        other.sets[0].coding.bits = 12;
        other.sets[0].sequences[1].what = What::Grey { steps: 99 };
        other.sets[0].sequences.remove(2);
        let found = plan.differences(&other);
        assert_eq!(
            found,
            [
                "SDR: code values are written otherwise",
                "SDR: \"grey\" is another one",
                "SDR: \"near_black\" is missing"
            ]
        );
        let full = Ready::named("hdr-pq").unwrap().plan().unwrap();
        assert!(plan.differences(&full).iter().any(|words| words.contains("\"HDR PQ\" is new")));
    }

    #[test]
    fn another_order_is_another_plan() {
        let plan = READY[0].plan().unwrap();
        let mut other = plan.clone();
        other.sets[0].sequences.reverse();
        assert_eq!(plan.differences(&other), ["the order is another one"]);
    }
}
