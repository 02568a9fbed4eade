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
    behind(indent, inner, columns).join("\n")
}

/// `text` as lines of so many columns, the first behind `lead`, the others as far in. A number stays with its sign, its unit and its interval, a chromaticity in one piece; styles take no room.
#[must_use]
pub fn behind(lead: &str, text: &str, columns: usize) -> Vec<String> {
    let text = bound(text);
    let begins = width(lead);
    let (mut lines, mut line, mut at) = (Vec::new(), lead.to_owned(), begins);
    for (index, word) in text.split(' ').enumerate() {
        let wide = width(word);
        if index > 0 && at + 1 + wide > columns {
            lines.push(std::mem::replace(&mut line, " ".repeat(begins)));
            at = begins;
        } else if index > 0 {
            line.push(' ');
            at += 1;
        }
        line.push_str(word);
        at += wide;
    }
    lines.push(line);
    lines.iter().map(|line| line.replace('\u{a0}', " ").trim_end().to_owned()).collect()
}

/// `text` in so many columns: where it has more, … stands for the rest. Styles take no room, and none is left open.
#[must_use]
pub fn cut(text: &str, columns: usize) -> String {
    if width(text) <= columns {
        return text.to_owned();
    }
    let (mut kept, mut count, mut is_style) = (String::new(), 0, false);
    for sign in text.chars() {
        is_style |= sign == '\x1b';
        if is_style {
            kept.push(sign);
            is_style = sign != 'm';
            continue;
        }
        count += 1;
        if count < columns {
            kept.push(sign);
        } else if count == columns {
            kept.push('…');
        }
    }
    kept
}

/// Binds what belongs together: a number and its sign, its unit and its interval; a coordinate and its name; both coordinates of a chromaticity.
fn bound(text: &str) -> String {
    let text = text.replace(" %", "\u{a0}%").replace(" ± ", "\u{a0}±\u{a0}").replace(" cd/m²", "\u{a0}cd/m²");
    let text = text.replace("x 0.", "x\u{a0}0.").replace("u′ ", "u′\u{a0}");
    let text = text.replace("  y 0.", "\u{a0}\u{a0}y\u{a0}0.");
    text.replace("  v′ ", "\u{a0}\u{a0}v′\u{a0}")
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
    fn what_stands_behind_a_word_goes_on_below_itself_and_numbers_stay_whole() {
        let lines = behind("  drift  ", "-0.105 ± 0.015 % an hour, or -0.210 ± 0.030 cd/m²", 36);
        assert_eq!(lines, ["  drift  -0.105 ± 0.015 % an hour,", "         or -0.210 ± 0.030 cd/m²"]);
        assert_eq!(behind("\x1b[2ma\x1b[0m ", "b  c dd", 6), ["\x1b[2ma\x1b[0m b  c", "  dd"]);
        assert_eq!(behind("", "", 80), [""]);
    }

    #[test]
    fn a_chromaticity_stays_in_one_piece() {
        let line = "primaries magenta  84.27 ± 0.15 cd/m²   x 0.3167  y 0.1529   u′ 0.3015  v′ 0.3276";
        let broken = |columns| broken(line, columns).split('\n').map(str::trim).collect::<Vec<_>>().join("|");
        assert_eq!(
            broken(72),
            "primaries magenta  84.27 ± 0.15 cd/m²   x 0.3167  y 0.1529|u′ 0.3015  v′ 0.3276"
        );
        assert_eq!(
            broken(48),
            "primaries magenta  84.27 ± 0.15 cd/m²|x 0.3167  y 0.1529   u′ 0.3015  v′ 0.3276"
        );
        assert_eq!(
            broken(30),
            "primaries magenta|84.27 ± 0.15 cd/m²|x 0.3167  y 0.1529|u′ 0.3015  v′ 0.3276"
        );
    }

    #[test]
    fn what_is_cut_ends_in_its_sign_and_keeps_its_styles() {
        assert_eq!([cut("one two", 7), cut("one two", 6)], ["one two", "one t…"]);
        assert_eq!(cut("\x1b[1mone\x1b[0m two", 3), "\x1b[1mon…\x1b[0m");
        assert_eq!([cut("one", 1), cut("one", 0)], ["…", ""]);
    }

    #[test]
    fn styles_take_no_room_and_a_word_that_is_too_long_stays_whole() {
        let styled = "\x1b[1mone\x1b[0m two";
        assert_eq!(broken(styled, 7), styled);
        assert_eq!(broken("http://127.0.0.1:1/page x", 10), "http://127.0.0.1:1/page\nx");
    }
}
