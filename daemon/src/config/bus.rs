//! The D-Bus to be on.

use std::str::FromStr;

use settled_drivers::settings::Table;

/// The D-Bus to be on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BusConfig {
    /// The machine's.
    System,
    /// That of the session that the daemon is started in.
    Session,
    /// The bus at this address, as D-Bus writes addresses.
    At(String),
}

impl std::fmt::Display for BusConfig {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::System => "system",
            Self::Session => "session",
            Self::At(address) => address,
        })
    }
}

pub(super) fn read(table: &mut Table<'_>) -> Option<BusConfig> {
    let bus = table.text("bus");
    match table.required("bus", bus)?.as_str() {
        "system" => Some(BusConfig::System),
        "session" => Some(BusConfig::Session),
        address => match zbus::Address::from_str(address) {
            Ok(_) => Some(BusConfig::At(address.to_owned())),
            Err(_) => {
                let expected =
                    "expected \"system\", \"session\" or a bus's address, such as \"unix:path=/run/bus\"";
                table.complain("bus", format!("{expected}, found {address:?}"));
                None
            }
        },
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use settled_drivers::driver::Registry;
    use settled_drivers::settings::Problems;

    use super::*;
    use crate::config::Config;

    fn load(text: &str) -> Result<Option<BusConfig>, Problems> {
        Config::load(Path::new("/etc/settled.toml"), text, &Registry::built_in()).map(|config| config.dbus)
    }

    #[test]
    fn a_bus_is_the_machines_the_sessions_or_one_at_an_address() {
        assert_eq!(load("").unwrap(), None);
        for (bus, expected) in [
            ("system", BusConfig::System),
            ("session", BusConfig::Session),
            ("unix:path=/run/bus", BusConfig::At("unix:path=/run/bus".to_owned())),
        ] {
            assert_eq!(load(&format!("[dbus]\nbus = \"{bus}\"\n")).unwrap(), Some(expected));
        }
        let found = load("[dbus]\nbus = \"sytem\"\n").unwrap_err().to_string();
        assert!(
            found.contains("2:7: dbus.bus: expected \"system\", \"session\" or a bus's address"),
            "{found}"
        );
        assert!(load("[dbus]\n").unwrap_err().to_string().contains("dbus.bus: is missing"));
    }
}
