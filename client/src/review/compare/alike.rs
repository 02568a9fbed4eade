//! Whether two records are of one meter, of one display and on one scale, and what is to be said where they aren't.

use crate::review::record::{Header, Record};

/// In what two records are alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Alike {
    /// By its id, and its serial number where both tell one.
    pub(super) meter: bool,
    /// By the name that it was given.
    pub(super) display: bool,
    /// All light of both went through one correction, or none; nothing where a record doesn't tell.
    pub(super) correction: Option<bool>,
}

impl Alike {
    pub(super) fn of(a: &Record, b: &Record) -> Self {
        let (first, second) = (&a.header, &b.header);
        let other_serial = first.serial.as_ref().zip(second.serial.as_ref()).is_some_and(|(a, b)| a != b);
        Self {
            meter: first.meter == second.meter && !other_serial,
            display: first.display == second.display && !is_unnamed(first, second),
            correction: same_correction(a, b),
        }
    }
}

/// Files in two folders may have one name, and the displays in front of them be two.
fn is_unnamed(a: &Header, b: &Header) -> bool {
    a.unnamed || b.unnamed
}

/// Ids of corrections are those of one log.
fn same_correction(a: &Record, b: &Record) -> Option<bool> {
    let (first, second) = (a.header.attached.as_ref()?, b.header.attached.as_ref()?);
    if first.bandwidth_nm != second.bandwidth_nm {
        return Some(false);
    }
    Some(match (a.corrections(None).as_slice(), b.corrections(None).as_slice()) {
        ([] | [None], [] | [None]) => true,
        ([Some(a_id)], [Some(b_id)]) => a_id == b_id && a.header.log == b.header.log,
        _ => false,
    })
}

/// What is to be said of who measured what, a phrase each.
pub(super) fn cautions(a: &Record, b: &Record) -> Vec<String> {
    let alike = Alike::of(a, b);
    let (first, second) = (&a.header, &b.header);
    let mut found = Vec::new();
    let mut whose = "the meter's";
    if !alike.meter {
        whose = "between the meters";
        found.push(format!("two meters measured: {} and {}", named(first), named(second)));
    } else if !alike.display && first.display == second.display {
        found.push(format!(
            "whether both are of one display isn't known: nobody named it, and {:?} is the file's name (--display names one)",
            first.display
        ));
    } else if !alike.display {
        found.push("one meter measured two displays: where their spectra differ, what a meter with filters is off by does not go out".to_owned());
    } else if alike.correction == Some(true) {
        return found;
    }
    match alike.correction {
        Some(true) => {}
        // Two meters have corrections of their own.
        _ if !alike.meter => {}
        Some(false) => found.push(format!(
            "the meter was corrected otherwise: the first went through {}, the second through {}; what that changes is in every difference",
            corrections(a),
            corrections(b)
        )),
        None => found.push(
            "whether the meter's correction was the same isn't known: a record is older than that this is told".to_owned(),
        ),
    }
    if [first.luminance_u, first.chromaticity_u, second.luminance_u, second.chromaticity_u].contains(&None) {
        let meter = if alike.meter { "the meter" } else { "a meter" };
        found.push(format!("the calibration of {meter} was not stated: differences may be {whose}"));
    }
    found
}

/// What is said before all else where there is nothing to compare.
pub(super) fn nothing_to_compare(a: &Record, b: &Record, is_empty: bool) -> Option<String> {
    if a == b {
        return Some("both are one and the same record: nothing can differ".to_owned());
    }
    let sets = |record: &Record| {
        let sets = record.header.plan.sets.iter();
        sets.map(|set| format!("{}, held against {}", set.name, set.aim.words()))
            .collect::<Vec<_>>()
            .join("; ")
    };
    is_empty.then(|| {
        format!(
            "these two have no figure in common. The first is of {}. The second is of {}",
            sets(a),
            sets(b)
        )
    })
}

/// A meter with the serial number that it tells.
fn named(header: &Header) -> String {
    let serial =
        header.serial.as_ref().map_or_else(String::new, |serial| format!(" (serial number {serial})"));
    format!("{}{serial}", header.meter)
}

/// The corrections that light went through.
fn corrections(record: &Record) -> String {
    let found = record.corrections(None);
    let bandwidth = record.header.attached.as_ref().and_then(|attached| attached.bandwidth_nm);
    let names = found.iter().map(|id| id.unwrap_or("none").to_owned());
    let names = names.chain(bandwidth.map(|nm| format!("one for a bandwidth of {nm} nm")));
    let names: Vec<String> = names.collect();
    if names.is_empty() { "none".to_owned() } else { names.join(" and ") }
}
