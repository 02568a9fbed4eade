//! Regular expressions of a profile, and the places in them that are wrong.

use regex::Regex;

use crate::settings::{Table, quoted};

/// A regular expression, or the place in it that is wrong.
pub(super) fn pattern(table: &mut Table<'_>, key: &str) -> Option<Regex> {
    let text = table.text(key)?;
    compiled(&text).map_err(|message| table.complain(key, message)).ok()
}

/// Regular expressions, none if the key isn't there. What isn't one is told where it stands.
pub(super) fn patterns(table: &mut Table<'_>, key: &str) -> Option<Vec<Regex>> {
    if !table.has(key) {
        return Some(Vec::new());
    }
    let texts = table.texts(key)?;
    let compile = |(index, text): (usize, &String)| {
        compiled(text).map_err(|message| table.complain_of(key, index, message)).ok()
    };
    // All of them, so that each mistake is told.
    let patterns: Vec<Option<Regex>> = texts.iter().enumerate().map(compile).collect();
    patterns.into_iter().collect()
}

fn compiled(text: &str) -> Result<Regex, String> {
    Regex::new(text).map_err(|error| format!("expected a regular expression: {}", in_one_line(&error)))
}

/// The library draws the place of the mistake over several lines; a message has one.
fn in_one_line(error: &regex::Error) -> String {
    let text = error.to_string();
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    match lines.as_slice() {
        [_, expression, marker, reason] if marker.contains('^') => {
            let at = text.lines().nth(2).and_then(|line| line.find('^')).unwrap_or(4).saturating_sub(4);
            let (reason, expression) = (reason.trim_start_matches("error: "), quoted(expression));
            format!("{reason} at character {} of {expression}", at + 1)
        }
        _ => lines.join(" "),
    }
}

#[cfg(test)]
mod tests {
    use super::super::load;

    #[test]
    fn a_mistake_in_one_of_several_lines_is_told_where_it_stands_and_can_be_pasted_back() {
        let found = |measure: &str| {
            let text = format!("[instrument]\nmodel = \"m\"\nunit = \"lx\"\n[measure]\n{measure}");
            let problems = load("p.toml", &text).unwrap_err();
            problems.0.iter().map(ToString::to_string).collect::<Vec<_>>()
        };
        let send = "send = ['M',\n'M{what}']\n";
        assert_eq!(
            found(&format!("{send}answer = [\n  '^(?<Y>\\d+)$',\n  '^(\\d+$',\n]\n")),
            [
                r"p.toml:9:3: measure.answer[1]: expected a regular expression: unclosed group at character 2 of '^(\d+$'"
            ]
        );
        assert_eq!(
            found(&format!("{send}answer = [\n  '^(?<Y>\\d+)$',\n  '^(?<Y>.)(?<lux>.)$',\n]\n"))
                .iter()
                .map(|line| line.split(';').next().unwrap())
                .collect::<Vec<_>>(),
            [
                "p.toml:6:1: measure.send[1]: unknown placeholder {what}",
                "p.toml:9:3: measure.answer[1]: the group \"Y\" is there more than once",
                "p.toml:9:3: measure.answer[1]: unknown group \"lux\"",
            ]
        );
        assert_eq!(
            found("send = 'M'\nanswer = [5]\n[measure.spectrum]\nvalues = 3\n"),
            ["p.toml:6:11: measure.answer[0]: expected a string, found the number 5"]
        );
    }
}
