//! Where the metrics are to be had.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use settled_drivers::settings::Table;

/// Where the metrics are to be had.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MetricsConfig {
    /// On a Unix socket at this path.
    Unix(PathBuf),
    /// On this machine's loopback.
    Loopback(SocketAddr),
}

/// What `listen` may be.
const EXPECTED: &str = "expected \"unix:PATH\", or a loopback address with its port, such as \"127.0.0.1:9750\" or \"[::1]:9750\"";

pub(super) fn read(table: &mut Table<'_>, folder: &Path) -> Option<MetricsConfig> {
    let listen = table.text("listen");
    let listen = table.required("listen", listen)?;
    let place = match listen.strip_prefix("unix:") {
        Some("") => None,
        Some(path) => Some(MetricsConfig::Unix(folder.join(path))),
        None => listen.parse().ok().map(MetricsConfig::Loopback),
    };
    match place {
        Some(MetricsConfig::Loopback(address)) if !address.ip().is_loopback() => {
            let why = "who may see what a meter measures is this machine's business: other machines are let in by a tunnel, ssh -L say";
            table.complain("listen", format!("{EXPECTED}, found {listen:?}; {why}"));
            None
        }
        None => {
            table.complain("listen", format!("{EXPECTED}, found {listen:?}"));
            None
        }
        place => place,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::tests::{load, problems};

    #[test]
    fn metrics_are_off_unless_they_have_a_place_of_this_machines_own() {
        assert_eq!(load("").unwrap().metrics, None);
        for (listen, expected) in [
            ("unix:run/metrics", MetricsConfig::Unix("/etc/bench/run/metrics".into())),
            ("unix:/run/settled/metrics", MetricsConfig::Unix("/run/settled/metrics".into())),
            ("127.0.0.1:9750", MetricsConfig::Loopback(([127, 0, 0, 1], 9750).into())),
            ("[::1]:9750", MetricsConfig::Loopback("[::1]:9750".parse().unwrap())),
        ] {
            assert_eq!(load(&format!("[metrics]\nlisten = \"{listen}\"\n")).unwrap().metrics, Some(expected));
        }
        for listen in [
            "0.0.0.0:9750",
            "192.0.2.7:9750",
            "[::]:9750",
            "localhost:9750",
            "127.0.0.1",
            "unix:",
            "/run/metrics",
            "",
        ] {
            let found = problems(&format!("[metrics]\nlisten = \"{listen}\"\n"));
            assert!(
                found.len() == 1 && found[0].contains(":2:10: metrics.listen: expected \"unix:PATH\""),
                "{found:?}"
            );
        }
        assert!(problems("[metrics]\nlisten = \"0.0.0.0:9750\"\n")[0].contains("ssh -L"));
        assert!(problems("[metrics]\n")[0].contains("metrics.listen: is missing"));
    }
}
