//! Text within XML and HTML.

/// Text as both can hold it: what would be markup is escaped, and control characters, which XML 1.0 has no way to write, are replaced.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            no_character if is_no_character(no_character) => safe.push('\u{fffd}'),
            plain => safe.push(plain),
        }
    }
    safe
}

/// Controls, and what Unicode keeps for no character at all: a strict reader takes either for a mistake.
fn is_no_character(character: char) -> bool {
    let code = u32::from(character);
    character.is_control() || code & 0xfffe == 0xfffe || (0xfdd0..=0xfdef).contains(&code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_a_label_holds_it_stays_text() {
        let hostile = "a<b> & \"c\" 'd'\u{1b}[m\u{0}\u{fffe}\u{1ffff}";
        assert_eq!(
            escaped(hostile),
            "a&lt;b&gt; &amp; &quot;c&quot; &#39;d&#39;\u{fffd}[m\u{fffd}\u{fffd}\u{fffd}"
        );
    }
}
