//! Lines on a terminal: those that are too wide for it are broken between words, and not wherever its edge happens to be. Pipes and files get them whole.

/// `text`, each of its lines broken to so many columns; what was one line goes on as far in as it began. Styles take no room.
#[must_use]
pub fn broken(text: &str, columns: usize) -> String {
    let lines: Vec<String> = text.split('\n').map(|line| broken_line(line, columns)).collect();
    lines.join("\n")
}

fn broken_line(line: &str, columns: usize) -> String {
    if width(line) <= columns {
        return line.to_owned();
    }
    let inner = line.trim_start_matches(' ');
    let indent = line.get(..line.len() - inner.len()).unwrap_or_default();
    let (mut out, mut at) = (indent.to_owned(), indent.len());
    let mut is_first = true;
    for word in inner.split(' ') {
        let wide = width(word);
        if !is_first && at + 1 + wide > columns {
            out = format!("{}\n{indent}", out.trim_end_matches(' '));
            at = indent.len();
        } else if !is_first {
            out.push(' ');
            at += 1;
        }
        out.push_str(word);
        at += wide;
        is_first = false;
    }
    out
}

/// How many columns a text takes, without what only styles it.
fn width(text: &str) -> usize {
    let (mut count, mut is_style) = (0, false);
    for sign in text.chars() {
        match sign {
            '\x1b' => is_style = true,
            'm' if is_style => is_style = false,
            _ if is_style => {}
            _ => count += 1,
        }
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_is_too_wide_is_broken_between_words_and_goes_on_as_far_in() {
        assert_eq!(broken("  one two three", 9), "  one two\n  three");
        assert_eq!(broken("one two\n  three  four", 8), "one two\n  three\n  four");
        assert_eq!(broken("short", 80), "short");
    }

    #[test]
    fn styles_take_no_room_and_a_word_that_is_too_long_stays_whole() {
        let styled = "\x1b[1mone\x1b[0m two";
        assert_eq!(broken(styled, 7), styled);
        assert_eq!(broken("http://127.0.0.1:1/page x", 10), "http://127.0.0.1:1/page\nx");
    }
}
