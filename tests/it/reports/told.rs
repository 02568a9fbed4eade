//! Figures as a page tells them, read back by a rule of our own: a number says by its last digit how near it is to what it stands for.

/// A number, and what its last digit is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Number {
    pub(crate) value: f64,
    pub(crate) step: f64,
}

/// What is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Told {
    /// `12.3`
    Plain(Number),
    /// `12.3 ± 0.4`
    Around(Number, Number),
    /// `12.3 (11.0 to 14.1)`
    Between(Number, Number, Number),
    /// `11.0 to 14.1`
    Range(Number, Number),
    /// `at most 0.4`
    AtMost(Number),
    /// `< 0.4`
    LessThan(Number),
}

/// What it stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Meant {
    pub(crate) value: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// What the machine's rounding may make of a step.
const EXACT: f64 = 1.001;
/// An interval that reaches farther on one side by more than this share is told by both ends.
const SKEW: f64 = 0.26;

impl Told {
    /// A cell of a table, all of it.
    pub(crate) fn cell(text: &str) -> Option<Self> {
        let (told, rest) = Self::first(text.trim())?;
        matches!(rest.trim(), "" | "%" | "s").then_some(told)
    }

    /// Every number in a text, with its interval where it has one, and whether it is told in per cent: behind it, or behind a number of its own, stands the sign.
    pub(crate) fn all(text: &str) -> Vec<(Self, bool)> {
        let mut found = Vec::new();
        let mut rest = text;
        while !rest.is_empty() {
            let begins = rest.starts_with(|sign: char| sign.is_ascii_digit() || "+-−".contains(sign))
                || rest.starts_with("at most ");
            match Self::first(rest).filter(|_| begins) {
                Some((told, after)) => {
                    let own = &rest[..rest.len() - after.len()];
                    found.push((told, own.contains('%') || after.trim_start().starts_with('%')));
                    rest = after;
                }
                None => {
                    // The rest of a word that has a digit within it is no number.
                    let word =
                        rest.find(|sign: char| !sign.is_alphanumeric() && sign != '.').unwrap_or(rest.len());
                    let next = rest.chars().next().map_or(1, char::len_utf8).max(word);
                    rest = &rest[next..];
                }
            }
        }
        found
    }

    /// What a text begins with, and what follows it.
    fn first(text: &str) -> Option<(Self, &str)> {
        for (lead, bound) in [("at most ", Self::AtMost as fn(Number) -> Self), ("< ", Self::LessThan)] {
            if let Some(rest) = text.strip_prefix(lead) {
                let (number, rest) = number(rest)?;
                return Some((bound(number), rest));
            }
        }
        let (value, rest) = number(text)?;
        if let Some((half, rest)) = rest.strip_prefix(" ± ").and_then(number) {
            return Some((Self::Around(value, half), rest));
        }
        if let Some((high, rest)) = rest.strip_prefix(" to ").and_then(number) {
            return Some((Self::Range(value, high), rest));
        }
        let within = rest.strip_prefix(" %").unwrap_or(rest).strip_prefix(" (").and_then(number);
        let ends = within.and_then(|(low, rest)| Some((low, rest.strip_prefix(" to ").and_then(number)?)));
        if let Some((low, (high, rest))) = ends
            && let Some(rest) = rest.strip_prefix(" %").unwrap_or(rest).strip_prefix(')')
        {
            return Some((Self::Between(value, low, high), rest));
        }
        Some((Self::Plain(value), rest))
    }

    /// Whether it has an interval or a bound.
    pub(crate) fn is_sure(self) -> bool {
        !matches!(self, Self::Plain(_) | Self::Range(..))
    }

    /// Whether this is what `meant` has to be told as.
    pub(crate) fn is(self, meant: Meant) -> bool {
        let Meant { value, low, high } = meant;
        let rounded = |told: Number, meant: f64| (told.value - meant).abs() <= 0.5 * EXACT * told.step;
        // Zero is written without decimals, whatever the others have.
        let outwards = |told: Number, meant: f64, other: Number| {
            let step = told.step.min(other.step);
            (told.value - meant).abs() <= EXACT * step
        };
        let (below, above) = (value - low, high - value);
        let farther = below.max(above);
        match self {
            Self::Plain(told) => rounded(told, value) && farther <= told.step,
            Self::Around(told, half) => {
                rounded(told, value)
                    && (half.value - farther).abs() <= EXACT * half.step
                    && (below - above).abs() <= SKEW * farther
            }
            Self::Between(told, from, to) => {
                rounded(told, value)
                    && outwards(from, low, told)
                    && outwards(to, high, told)
                    && from.value <= low + 1e-6 * told.step
                    && to.value >= high - 1e-6 * told.step
            }
            Self::Range(from, to) => rounded(from, low) && rounded(to, high),
            Self::AtMost(told) => {
                low <= 1e-12
                    && told.value >= high - 1e-4 * told.step
                    && told.value <= high + EXACT * told.step
            }
            Self::LessThan(told) => rounded(told, value),
        }
    }
}

/// A number at the beginning of a text: thousands may stand in groups, and there may be a power of ten.
fn number(text: &str) -> Option<(Number, &str)> {
    let unsigned = text.strip_prefix(['+', '-', '−']).unwrap_or(text);
    let is_below = text.starts_with(['-', '−']);
    let (mut digits, mut rest) = leading(unsigned);
    if digits.is_empty() {
        return None;
    }
    let mut zeros = 0;
    if digits.len() <= 3 {
        while let Some((group, after)) =
            rest.strip_prefix(' ').map(leading).filter(|(group, _)| group.len() == 3)
        {
            digits += &group;
            rest = after;
        }
        if digits.len() > 3 {
            zeros = digits.len() - digits.trim_end_matches('0').len();
        }
    }
    let mut step = 10_f64.powi(i32::try_from(zeros).unwrap());
    if let Some((decimals, after)) =
        rest.strip_prefix('.').map(leading).filter(|(found, _)| !found.is_empty())
    {
        step = 10_f64.powi(-i32::try_from(decimals.len()).unwrap());
        digits = format!("{digits}.{decimals}");
        rest = after;
    }
    if let Some(power) = rest.strip_prefix('e') {
        let below = power.strip_prefix('-');
        let (power, after) = leading(below.unwrap_or(power));
        let power = power.parse::<i32>().ok()? * if below.is_some() { -1 } else { 1 };
        step *= 10_f64.powi(power);
        digits = format!("{digits}e{power}");
        rest = after;
    }
    let value: f64 = digits.parse().ok()?;
    Some((Number { value: if is_below { -value } else { value }, step }, rest))
}

fn leading(text: &str) -> (String, &str) {
    let end = text.find(|sign: char| !sign.is_ascii_digit()).unwrap_or(text.len());
    (text[..end].to_owned(), &text[end..])
}

#[test]
fn a_figure_that_is_told_is_read_back_and_held_against_what_it_stands_for() {
    let meant = |value: f64, low: f64, high: f64| Meant { value, low, high };
    let is = |text: &str, meant: Meant| Told::cell(text).unwrap_or_else(|| panic!("{text}")).is(meant);
    assert!(is("203.46 ± 0.43", meant(203.4567, 203.02, 203.89)));
    assert!(!is("203.46 ± 0.43", meant(203.4567, 201.0, 205.9)), "another interval");
    assert!(!is("203.46 ± 0.43", meant(203.51, 203.08, 203.94)), "another value");
    assert!(is("+0.50 (0 to +1.50) %", meant(0.5, 0.001, 1.499)));
    assert!(!is("0.50 ± 1.00", meant(0.5, 0.0, 1.5)), "a lopsided one has no ±");
    assert!(is("at most 0.39", meant(0.2, 0.0, 0.3849)) && !is("at most 0.38", meant(0.2, 0.0, 0.3849)));
    assert!(is("−1.2e-5", meant(-1.2e-5, -1.2e-5, -1.2e-5)) && is("< 0.013", meant(0.0131, 0.0, 0.0)));
    let all = Told::all("white is 1 712 000 ± 23 000 : 1 of BT.709, from 10 % up 98.1 % (97.0 to 99.2 %)");
    let sure: Vec<(Told, bool)> = all.into_iter().filter(|(told, _)| told.is_sure()).collect();
    assert!(sure.len() == 2 && sure[0].0.is(meant(1_712_345.0, 1_689_000.0, 1_735_700.0)), "{sure:?}");
    assert_eq!((sure[0].1, sure[1].1), (false, true), "which of them is in per cent");
}
