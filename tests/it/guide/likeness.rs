//! Whether what a command said is what the guide says that it says.
//!
//! Each character counts, but for what can't be the same twice:
//!
//! - a date is like any date, a time of day like any time of day, and a stretch of blanks like any other (columns move with figures);
//! - `…` stands for anything within a line, and a line of nothing else for any number of lines;
//! - in a block that is marked `console about`, a number is like one within 10 % of it; a difference (it has a sign) and an uncertainty
//!   (behind ±) is like any other, as noise decides it. Numbers are as whole there as elsewhere: `8` is not like `81`.

/// By how much numbers may differ where they are told about, as a share of the larger one.
const ABOUT: f64 = 0.1;

/// A part of a line.
#[derive(Clone, Debug, PartialEq)]
enum Part {
    /// Any parts, or none.
    Anything,
    Blank,
    Date,
    TimeOfDay,
    /// As it is written, and what it means.
    Number(String, f64),
    /// A difference with its sign, or an uncertainty, as it is written.
    Noisy(String),
    Other(char),
}

/// How many characters of `text` have the shape of `pattern`, where 0 is any digit: all of the pattern's, or none.
fn shaped(text: &[char], pattern: &str) -> usize {
    let fits = |(c, shape): (&char, char)| if shape == '0' { c.is_ascii_digit() } else { *c == shape };
    let length = pattern.chars().count();
    if text.len() >= length && text.iter().zip(pattern.chars()).all(fits) { length } else { 0 }
}

/// How long the number is that `text` begins with.
fn number(text: &[char]) -> usize {
    let digits = |text: &[char]| text.iter().take_while(|c| c.is_ascii_digit()).count();
    let whole = digits(text);
    let fraction = match text.get(whole) {
        Some('.') if whole > 0 => digits(&text[whole + 1..]),
        _ => 0,
    };
    if fraction > 0 { whole + 1 + fraction } else { whole }
}

/// How long the difference or the uncertainty is that `text` begins with.
fn noisy(text: &[char]) -> usize {
    let lead = match text {
        ['±', ' ', ..] => 2,
        ['+' | '-', ..] => 1,
        _ => return 0,
    };
    match number(&text[lead..]) {
        0 => 0,
        figures => lead + figures,
    }
}

/// What a line is made of.
fn parts(line: &str) -> Vec<Part> {
    let text: Vec<char> = line.trim_end().chars().collect();
    let (mut parts, mut at) = (Vec::new(), 0);
    while let Some(rest) = text.get(at..).filter(|rest| !rest.is_empty()) {
        let blank = rest.iter().take_while(|c| c.is_whitespace()).count();
        let date = shaped(rest, "0000-00-00");
        let time = ["00:00:00", "00:00"].iter().map(|shape| shaped(rest, shape)).max().unwrap_or(0);
        let figures = number(rest);
        let noisy = noisy(rest);
        let (part, length) = if rest[0] == '…' {
            (Part::Anything, 1)
        } else if blank > 0 {
            (Part::Blank, blank)
        } else if date > 0 {
            (Part::Date, date)
        } else if time > 0 {
            let fraction = if rest.get(time) == Some(&'.') { 1 + number(&rest[time + 1..]) } else { 0 };
            (Part::TimeOfDay, time + if fraction > 1 { fraction } else { 0 })
        } else if noisy > 0 {
            (Part::Noisy(rest[..noisy].iter().collect()), noisy)
        } else if figures > 0 {
            let written: String = rest[..figures].iter().collect();
            let value = written.parse().unwrap();
            (Part::Number(written, value), figures)
        } else {
            (Part::Other(rest[0]), 1)
        };
        parts.push(part);
        at += length;
    }
    parts
}

fn is_like(expected: &Part, found: &Part, about: bool) -> bool {
    match (expected, found) {
        (Part::Number(_, a), Part::Number(_, b)) if about => (a - b).abs() <= ABOUT * a.abs().max(b.abs()),
        (Part::Noisy(_), Part::Noisy(_)) if about => true,
        _ => expected == found,
    }
}

fn all_alike(expected: &[Part], found: &[Part], about: bool) -> bool {
    match expected.split_first() {
        None => found.is_empty(),
        Some((Part::Anything, rest)) => {
            (0..=found.len()).any(|passed| all_alike(rest, &found[passed..], about))
        }
        Some((first, rest)) => found
            .split_first()
            .is_some_and(|(one, others)| is_like(first, one, about) && all_alike(rest, others, about)),
    }
}

/// Whether a line is as expected.
fn line(expected: &str, found: &str, about: bool) -> bool {
    all_alike(&parts(expected), &parts(found), about)
}

/// Whether all lines are as expected.
pub(super) fn lines(expected: &[String], found: &[String], about: bool) -> bool {
    match expected.split_first() {
        None => found.is_empty(),
        Some((any, rest)) if any.trim() == "…" => {
            (0..=found.len()).any(|passed| lines(rest, &found[passed..], about))
        }
        Some((first, rest)) => found
            .split_first()
            .is_some_and(|(one, others)| line(first, one, about) && lines(rest, others, about)),
    }
}

#[test]
fn what_is_not_as_the_guide_says_is_found_out() {
    for (expected, found) in [
        ("a  b", "a b"),
        ("2026-11-25T18:00:00.1Z", "2031-01-02T03:04:05.678Z"),
        ("number …, simulated", "number 12, simulated"),
        ("…", ""),
    ] {
        assert!(line(expected, found, false), "{expected} and {found}");
    }
    for (expected, found) in [
        ("a b", "ab"),
        ("81.2", "81.3"),
        ("8", "81"),
        ("8…1", "81"),
        ("…x", "xy"),
        ("2026-11-25", "2026-1-25"),
        ("a", ""),
    ] {
        assert!(!line(expected, found, false), "{expected} and {found}");
    }
    assert!(
        line("81.2 cd", "84.0 cd", true) && !line("81.2 cd", "94.0 cd", true) && !line("8 cd", "8 lx", true)
    );
    assert!(line("drift -0.4 ± 0.1 %", "drift +0.02 ± 3 %", true) && !line("±0.5 %", "±0.9 %", true));
    assert!(!line("drift -0.4", "drift +0.02", false) && !line("drift -0.4", "drift 0.4", true));
    let of = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    assert!(lines(&of("a\n…\nb"), &of("a\nx\ny\nb"), false) && lines(&of("a\n…\nb"), &of("a\nb"), false));
    assert!(!lines(&of("a\n…\nb"), &of("a\nx"), false) && !lines(&of("a"), &of("a\nb"), false));
}
