//! How a standing is told: by its word, a sign and a colour, so that it is understood without any one of them.

use anstyle::Style;

use super::layout;
use crate::command::assess::explained::in_ascii;
use crate::output::{BAD, CAUTION, FAINT, GOOD, is_ascii_locale, styled};
use crate::review::figures::Standing;

/// Which signs the terminal has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Signs {
    ascii: bool,
}

impl Signs {
    #[cfg(test)]
    pub(super) const UNICODE: Self = Self { ascii: false };
    #[cfg(test)]
    pub(super) const ASCII: Self = Self { ascii: true };

    /// Those of the locale.
    pub(super) fn of_locale() -> Self {
        Self { ascii: is_ascii_locale() }
    }

    fn sign(self, standing: Standing) -> char {
        match (standing, self.ascii) {
            (Standing::Within, false) => '✓',
            (Standing::Within, true) => '+',
            (Standing::Beyond, false) => '✗',
            (Standing::Beyond, true) => 'x',
            (Standing::Undecided, _) => '?',
            (Standing::Told, false) => '·',
            (Standing::Told, true) => '.',
        }
    }

    /// A verdict as lines, the sign and the word before it.
    pub(super) fn verdict(self, standing: Standing, words: &str) -> Vec<String> {
        let plain = format!("{} {:<9}", self.sign(standing), standing.word());
        let lead = format!("    {plain}  ");
        let mut lines = layout::wrapped(&lead, words);
        if let Some(first) = lines.first_mut() {
            let rest = first.chars().skip(lead.chars().count()).collect::<String>();
            *first = format!("    {}  {rest}", styled(style(standing), &plain));
        }
        lines
    }

    /// Lines as the terminal can show them.
    pub(super) fn told(self, lines: Vec<String>) -> Vec<String> {
        if self.ascii { lines.iter().map(|line| in_ascii(&plainer(line))).collect() } else { lines }
    }
}

/// Signs of colour science as they are written where there are no others.
fn plainer(line: &str) -> String {
    let signs = [
        ("Δ", "d"),
        ("γ", "gamma"),
        ("τ", "tau"),
        ("°", " deg"),
        ("−", "-"),
        ("–", "-"),
        ("×", "x"),
        ("≤", "<="),
        ("≥", ">="),
    ];
    signs.iter().fold(line.to_owned(), |line, (sign, plain)| line.replace(sign, plain))
}

fn style(standing: Standing) -> Style {
    match standing {
        Standing::Within => GOOD,
        Standing::Beyond => BAD,
        Standing::Undecided => CAUTION,
        Standing::Told => FAINT,
    }
}
