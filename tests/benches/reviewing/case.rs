//! A display that is right but for what was put in, and what is true of it.

use std::collections::BTreeMap;
use std::path::Path;

use settle::review::figures::Standing;
use settle::review::plan::Plan;

/// A display that does what it is meant to: BT.1886 at 120 cd/m², 2000 : 1, BT.709 and D65, warm, even and steady.
const RIGHT: &[(&str, &str)] = &[
    ("display", "\"self-emitting\""),
    ("eotf", "\"bt1886\""),
    ("primaries", "\"bt709\""),
    ("peak_cd_m2", "120.0"),
    ("black_cd_m2", "0.06"),
    ("limiter_exponent", "0.0"),
    ("cold", "[0.0, 0.0]"),
    ("cold_white", "[0.0, 0.0]"),
    ("creep", "[0.0, 0.0]"),
    ("sag", "0.0"),
    ("retention", "0.0"),
];

/// A display, and what is true of it.
#[derive(Debug)]
pub(crate) struct Case {
    pub(crate) name: &'static str,
    pub(crate) plan: &'static str,
    /// Settings that differ from [`RIGHT`]: of the mode, and then of the fault.
    pub(crate) mode: &'static [(&'static str, &'static str)],
    pub(crate) fault: &'static [(&'static str, &'static str)],
    /// What a review should say.
    pub(crate) truths: &'static [Truth],
    /// Sequences and subjects (or *) that the fault may push beyond a tolerance, by as much as the numbers make it: neither asked for nor false.
    pub(crate) follows: &'static [(&'static str, &'static str)],
}

/// What a review should say of one figure.
#[derive(Debug)]
pub(crate) struct Truth {
    pub(crate) sequence: &'static str,
    pub(crate) subject: &'static str,
    pub(crate) said: Said,
    /// The figure's true value, where it follows from what was put in.
    pub(crate) value: Option<f64>,
}

/// What is to be said of a figure.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Said {
    /// It stands so.
    Stands(Standing),
    /// It isn't judged beyond, and its interval doesn't hold what it would be without the fault.
    Off(f64),
    /// It isn't judged: it is there.
    There,
    /// It is told in these words, among others.
    Saying(&'static str),
}

impl Case {
    /// The display's settings in TOML.
    pub(crate) fn display(&self) -> String {
        let keys: BTreeMap<&str, &str> = RIGHT.iter().chain(self.mode).chain(self.fault).copied().collect();
        keys.iter().map(|(key, value)| format!("{key} = {value}\n")).collect()
    }

    /// What is measured of it: all, or white and black and what the case is about.
    pub(crate) fn plan(&self, is_brief: bool) -> Plan {
        let mut plan =
            Plan::read(Path::new("case.toml"), self.plan).unwrap_or_else(|problems| panic!("{problems}"));
        let is_about =
            |name: &str| name == "white_black" || self.truths.iter().any(|truth| truth.sequence == name);
        if is_brief {
            for set in &mut plan.sets {
                set.sequences.retain(|sequence| is_about(&sequence.name));
            }
        }
        plan
    }
}

pub(crate) const BEYOND: Said = Said::Stands(Standing::Beyond);
pub(crate) const WITHIN: Said = Said::Stands(Standing::Within);

pub(crate) const fn truth(
    sequence: &'static str,
    subject: &'static str,
    said: Said,
    value: Option<f64>,
) -> Truth {
    Truth { sequence, subject, said, value }
}
