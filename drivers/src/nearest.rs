//! The word that was probably meant, where one was typed that nobody knows.

/// From this likeness on (Jaro and Winkler's, 1 for the same word) a word may be what was meant.
const LIKE: f64 = 0.75;

/// The known word that is most like `word`, if one is like it.
#[must_use]
pub fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    let likeness = |known: &'a str| (strsim::jaro_winkler(word, known), known);
    let best = known.iter().copied().map(likeness).max_by(|a, b| a.0.total_cmp(&b.0));
    best.filter(|(likeness, _)| *likeness > LIKE).map(|(_, known)| known)
}

/// `; did you mean "port"?`, if a known word is like it.
#[must_use]
pub fn meant(word: &str, known: &[&str]) -> Option<String> {
    nearest(word, known).map(|meant| format!("; did you mean {meant:?}?"))
}

/// How a message about an unknown word goes on: with what was probably meant, or else with `; known here: id, driver`, where `listed`
/// is what they are called. Empty where nothing is known.
#[must_use]
pub fn hint(word: &str, known: &[&str], listed: &str) -> String {
    let all = || if known.is_empty() { String::new() } else { format!("; {listed}: {}", known.join(", ")) };
    meant(word, known).unwrap_or_else(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_letters_that_changed_places_are_understood_and_another_word_is_not() {
        assert_eq!(nearest("bnech", &["spectro", "bench"]), Some("bench"));
        assert_eq!(hint("bnech", &["spectro", "bench"], "there are"), "; did you mean \"bench\"?");
        assert_eq!(hint("zip", &["bench", "spectro"], "there are"), "; there are: bench, spectro");
        assert_eq!(hint("zip", &[], "there are"), "");
    }
}
