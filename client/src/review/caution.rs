//! What whoever starts a review should know before, and must agree to.

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

/// What somebody must agree to, a phrase each; nothing where nothing is held for long.
#[must_use]
pub fn consents(stops: &[Stop<'_>]) -> Vec<String> {
    let mut asked: Vec<String> = Vec::new();
    for stop in stops {
        let hold_s = match stop.sequence.what {
            What::PeakHold { hold_s } if hold_s > HELD_UNASKED_S => hold_s,
            What::Retention { hold_s, .. } => hold_s,
            _ => continue,
        };
        let (set, name, held) = (&stop.set.name, &stop.sequence.name, crate::show::span(hold_s));
        let area = stop.sequence.window_percent;
        let words = format!("{set}, {name}: white held for {held} in a window of {area} %");
        if !asked.contains(&words) {
            asked.push(words);
        }
    }
    asked
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
}
