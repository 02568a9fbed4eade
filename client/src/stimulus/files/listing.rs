//! Which files a plan makes, and how they are called: `1-sdr/02-grey/007-grey-35.png`.
//!
//! Sets and sequences are numbered from 1 in the order of the plan, files by the step of their stimulus, as a record has it. Small letters,
//! digits, dots and hyphens alone, which every file system takes.

use std::collections::HashMap;

use super::Form;
use crate::review::itinerary::Stop;
use crate::review::order::ordered;
use crate::review::plan::Plan;

/// A stimulus, and the file that shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Item<'a> {
    /// The stimulus.
    pub stop: Stop<'a>,
    /// Its file, with the folders above it; none where the display is off.
    pub file: Option<String>,
    /// An earlier stimulus has the same picture and file.
    pub is_again: bool,
}

/// Longest name of a thing in a file name, in characters.
const LONGEST: usize = 40;

/// The stimuli of a plan, or of one set, in the order that they are shown.
#[must_use]
pub fn items<'a>(plan: &'a Plan, only: Option<&str>, form: Form) -> Vec<Item<'a>> {
    let mut items = Vec::new();
    for (set_index, set) in plan.sets.iter().enumerate() {
        if only.is_some_and(|only| set.name != only) {
            continue;
        }
        for (index, sequence) in set.sequences.iter().enumerate() {
            let folder =
                format!("{}-{}/{:02}-{}", set_index + 1, plain(&set.name), index + 1, plain(&sequence.name));
            // Within a sequence: each folder is whole by itself.
            let mut known: HashMap<([u16; 3], [u16; 3], u64), String> = HashMap::new();
            for step in ordered(set, sequence) {
                let patch = &step.patch;
                let picture = (patch.codes, patch.background, patch.window_percent.to_bits());
                let is_again = known.contains_key(&picture);
                let name =
                    || format!("{folder}/{:03}-{}.{}", step.step, plain(&patch.name), form.extension());
                let file = (!step.off).then(|| known.entry(picture).or_insert_with(name).clone());
                items.push(Item { stop: Stop { set, sequence, step }, file, is_again });
            }
        }
    }
    items
}

/// A name as part of a file name: `grey 35 %` is `grey-35`.
fn plain(name: &str) -> String {
    let letters = name.chars().map(|letter| letter.to_ascii_lowercase());
    let hyphened: String = letters
        .map(|letter| if letter.is_ascii_alphanumeric() || letter == '.' { letter } else { '-' })
        .collect();
    let parts: Vec<&str> = hyphened.split('-').filter(|part| !part.trim_matches('.').is_empty()).collect();
    let short: String = parts.join("-").chars().take(LONGEST).collect();
    let short = short.trim_matches(['-', '.']);
    if short.is_empty() { "unnamed".to_owned() } else { short.to_owned() }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;
    use std::path::Path;

    use super::*;

    #[test]
    fn names_are_what_every_file_system_takes() {
        assert_eq!(plain("grey 35 %"), "grey-35");
        assert_eq!(plain("white on 0.25 %"), "white-on-0.25");
        assert_eq!(plain("HDR PQ"), "hdr-pq");
        assert_eq!(plain("row 1, column 2"), "row-1-column-2");
        assert_eq!([plain("../.."), plain("…"), plain("")], ["unnamed"; 3].map(str::to_owned));
        assert_eq!(plain("Grün / dunkel"), "gr-n-dunkel");
        assert_eq!(plain(&"a".repeat(80)).len(), LONGEST);
    }

    const TEXT: &str = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n\
        [[set.sequence]]\nkind = \"grey\"\nsteps = 21\n[[set.sequence]]\nkind = \"uniformity\"\n[[set.sequence]]\nkind = \"ambient\"\n\
        [[set]]\nname = \"sdr\"\ntransfer = \"pq\"\nprimaries = \"bt2020\"\n";

    #[test]
    fn each_picture_has_one_file_in_its_sequence_and_no_two_have_the_same() {
        let plan = Plan::read(Path::new("p"), TEXT).unwrap();
        let items = items(&plan, None, Form::Png);
        let named = |name: &str| items.iter().find(|item| item.stop.step.patch.name == name).unwrap();
        assert_eq!(named("grey 35 %").file.as_deref(), Some("1-sdr/02-grey/007-grey-35.png"));
        assert_eq!(named("display off").file, None);
        let first = items.iter().filter(|item| !item.is_again).filter_map(|item| item.file.as_deref());
        let (count, distinct) = (first.clone().count(), first.collect::<HashSet<_>>().len());
        // White and black of both sets, the greys, and one field.
        assert_eq!((count, distinct), (2 + 2 + 21 + 1, count));
        // 5 by 3 places.
        assert_eq!(items.iter().filter(|item| item.is_again).count(), 14);
    }
}
