//! What runs do beside measuring.

use std::path::PathBuf;

use settled_drivers::settings::Table;

use crate::runs::Command;

pub(super) fn read(table: &mut Table<'_>) -> Option<Command> {
    let words = table.words("alert_command")?;
    let mut words = words.into_iter();
    let program = words.next().map(PathBuf::from);
    match program {
        Some(program) if program.is_absolute() => Some(Command { program, arguments: words.collect() }),
        _ => {
            let expected = "expected a program's path from / on, and its arguments, each a text of its own";
            table.complain("alert_command", expected);
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::config::tests::{load, problems};

    use super::*;

    #[test]
    fn the_program_that_is_told_of_alerts_has_a_path_and_arguments() {
        assert_eq!(load("").unwrap().alert_command, None);
        let config = load("[runs]\nalert_command = [\"/usr/bin/mail\", \"-s\", \"a light\"]\n").unwrap();
        let arguments = vec!["-s".to_owned(), "a light".to_owned()];
        assert_eq!(config.alert_command, Some(Command { program: "/usr/bin/mail".into(), arguments }));
        for (wrong, why) in
            [("[]", "expected a program and its arguments"), ("[\"mail\"]", "expected a program's path")]
        {
            let found = problems(&format!("[runs]\nalert_command = {wrong}\n"));
            assert!(found[0].contains(&format!("2:17: runs.alert_command: {why}")), "{found:?}");
        }
    }
}
