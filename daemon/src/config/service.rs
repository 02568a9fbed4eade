//! What a run keeps the machine from: `[power]`.

use settled_drivers::settings::Table;

use crate::power::Inhibit;

/// Reads the table, where there is one.
pub(super) fn read(table: Option<Table<'_>>) -> Inhibit {
    let choices = [("sleep", Inhibit::Sleep), ("idle", Inhibit::Idle), ("nothing", Inhibit::Nothing)];
    table.and_then(|mut table| table.choice("inhibit", &choices)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::super::tests::{load, problems};
    use super::*;

    #[test]
    fn a_run_keeps_the_machine_awake_unless_the_config_says_otherwise() {
        assert_eq!(load("").unwrap().inhibit.what(), Some("sleep:idle"));
        let of = |what: &str| load(&format!("[power]\ninhibit = \"{what}\"\n")).unwrap().inhibit;
        assert_eq!(
            (of("sleep"), of("idle").what(), of("nothing").what()),
            (Inhibit::Sleep, Some("idle"), None)
        );
        let found = problems("[power]\ninhibit = \"slep\"\ninhibits = 1\n");
        assert!(
            found[0].contains("2:11: power.inhibit: expected one of \"sleep\", \"idle\", \"nothing\""),
            "{found:?}"
        );
        assert!(
            found[1].contains("3:1: power.inhibits: unknown key; did you mean \"inhibit\"?"),
            "{found:?}"
        );
    }
}
