//! What whoever starts a review should know before, and must agree to.

use super::criteria::is_bright;
use super::itinerary::Stop;
use super::plan::What;
use crate::evaluate::aim::Transfer;

/// The longest that a bright patch is held without anybody's consent, in s.
pub const HELD_UNASKED_S: f64 = 120.0;

/// What is to be said before it begins, a sentence each.
#[must_use]
pub fn cautions(stops: &[Stop<'_>]) -> Vec<String> {
    let mut said = vec![
        "The screen changes between dark and bright: that can trigger seizures in photosensitive viewers."
            .to_owned(),
        "Bright static patches can leave marks on self-emitting panels.".to_owned(),
    ];
    if stops.iter().any(|stop| matches!(stop.set.aim.transfer, Transfer::Pq | Transfer::Hlg { .. })) {
        said.push("HDR white is as bright as the display can be: don't look at it for long.".to_owned());
    }
    said
}

/// What somebody must agree to, a phrase each; nothing where nothing is held for long. What is bright and watched counts together
/// in each set, one after the other as it comes; that of image retention is asked for however short.
#[must_use]
pub fn consents(stops: &[Stop<'_>]) -> Vec<String> {
    let mut asked: Vec<String> = Vec::new();
    for stop in stops {
        let Some(hold_s) = held_s(stop) else { continue };
        let of_set = stops.iter().filter(|other| other.set.name == stop.set.name);
        let all_s: f64 = of_set.filter_map(held_s).sum();
        if all_s <= HELD_UNASKED_S && !matches!(stop.sequence.what, What::Retention { .. }) {
            continue;
        }
        let (set, name, held) = (&stop.set.name, &stop.sequence.name, crate::show::span(hold_s));
        let (patch, area) = (&stop.step.patch, stop.step.patch.window_percent);
        let shown = patch.name.trim_end_matches(" held");
        let words = format!("{set}, {name}: {shown} held for {held} in a window of {area} %");
        if !asked.contains(&words) {
            asked.push(words);
        }
    }
    asked
}

/// For how long it is held, in s, where it is bright.
fn held_s(stop: &Stop<'_>) -> Option<f64> {
    stop.step.watch_s.filter(|_| is_bright(stop))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::itinerary::stops;
    use crate::review::ready::Ready;

    fn of<T>(name: &str, question: impl Fn(&[Stop<'_>]) -> T) -> T {
        let plan = Ready::named(name).unwrap().plan().unwrap();
        question(&stops(&plan, &[], None))
    }

    #[test]
    fn what_is_held_for_long_is_asked_for_and_nothing_else() {
        assert!(of("sdr-full", consents).is_empty());
        let asked = of("retention", consents);
        assert!(asked.len() == 1 && asked[0].contains("5 min"), "{asked:?}");
    }

    #[test]
    fn hdr_says_how_bright_it_gets() {
        assert!(of("hdr-pq", cautions).iter().any(|words| words.contains("HDR white")));
        assert!(!of("sdr-quick", cautions).iter().any(|words| words.contains("HDR")));
    }

    fn asked(sequences: &str) -> Vec<String> {
        let head = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n";
        let plan = crate::review::plan::Plan::read(std::path::Path::new("p"), &format!("{head}{sequences}"));
        consents(&stops(&plan.unwrap(), &[], None))
    }

    #[test]
    fn whatever_is_bright_and_held_counts_and_holds_count_together() {
        let cold = |signal: f64| {
            asked(&format!("[[set.sequence]]\nkind = \"cold_start\"\nwatch = \"1h\"\nsignal = {signal}\n"))
        };
        assert!(cold(1.0).len() == 1 && cold(0.3).is_empty(), "{:?}", cold(1.0));
        let held = |name: &str| {
            format!("[[set.sequence]]\nkind = \"peak_hold\"\nname = \"{name}\"\nhold = \"90s\"\n")
        };
        assert!(asked(&held("a")).is_empty());
        assert_eq!(asked(&(held("a") + &held("b"))).len(), 2);
        let ghost = "[[set.sequence]]\nkind = \"retention\"\nhold = \"1min\"\nwatch = \"1h\"\nsignal = 0.9\n";
        assert!(asked(ghost).iter().any(|words| words.contains("grey 90 %")), "{:?}", asked(ghost));
    }
}
