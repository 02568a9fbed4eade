//! How long readings are kept as they are.

use settled_drivers::settings::Table;

/// A day, in s.
const DAY_S: f64 = 86_400.0;

/// What a bin is long where the config doesn't say, in s.
const THIN_TO_S: f64 = 600.0;

/// How long readings are kept as they are, and what is left of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Retention {
    /// Readings older than this, in s, are thinned.
    pub keep_s: f64,
    /// To bins of this length, in s: whole milliseconds.
    pub thin_to_s: f64,
}

/// The keys of retention in the table `log`; nothing where everything is kept.
pub(super) fn read(table: &mut Table<'_>) -> Option<Retention> {
    let keep = table.duration_s("keep", DAY_S, 36_525.0 * DAY_S);
    let thin_to = table.duration_s("thin_to", 1.0, DAY_S);
    if keep.is_none() && thin_to.is_some() {
        table.complain(
            "thin_to",
            "means nothing without keep: say how old readings are when they are thinned",
        );
    }
    let thin_to_s = thin_to.map_or(THIN_TO_S, |thin_to_s| (thin_to_s * 1e3).round() / 1e3);
    keep.map(|keep_s| Retention { keep_s, thin_to_s })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::LogConfig;
    use crate::config::tests::{load, problems};

    fn retention(log: &str) -> Option<Retention> {
        match load(&format!("[log]\n{log}")).unwrap().log {
            LogConfig::File { retention, .. } => retention,
            LogConfig::Off => None,
        }
    }

    #[test]
    fn everything_is_kept_unless_it_is_said_how_long() {
        assert_eq!(retention(""), None);
        let usual = Retention { keep_s: 400.0 * DAY_S, thin_to_s: 600.0 };
        assert_eq!(retention("keep = \"400 days\"\n"), Some(usual));
        let coarse = Retention { thin_to_s: 3600.0, ..usual };
        assert_eq!(retention("keep = \"400 days\"\nthin_to = \"1h\"\n"), Some(coarse));
    }

    #[test]
    fn a_retention_that_makes_no_sense_is_a_mistake() {
        for (log, place) in [
            ("keep = \"1h\"\n", "2:8: log.keep"),
            ("keep = \"2 days\"\nthin_to = \"2 days\"\n", "3:11: log.thin_to"),
            ("thin_to = \"1h\"\n", "2:11: log.thin_to: means nothing without keep"),
        ] {
            let found = problems(&format!("[log]\n{log}"));
            assert!(found.len() == 1 && found[0].contains(place), "{found:?}");
        }
    }
}
