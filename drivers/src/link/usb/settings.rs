//! Which device, and how it is spoken to, from a meter's settings.

use std::fmt;

use crate::settings::Table;

/// Which device, and how it is spoken to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// The maker's number.
    pub vendor: u16,
    /// The product's number.
    pub product: u16,
    /// The device's serial number, where two alike may be attached.
    pub serial: Option<String>,
    /// Where it is plugged in: the bus and the ports on the way, such as `1-2.3`.
    pub path: Option<String>,
    /// The interface's number, where several would do.
    pub interface: Option<u8>,
    /// How it is spoken to.
    pub way: Way,
}

/// How a device is spoken to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// In USBTMC messages.
    Usbtmc,
    /// In bytes over two endpoints, bulk or interrupt.
    Endpoints {
        /// The address of the one that is read, 0x81 to 0x8F.
        input: u8,
        /// The address of the one that is written, 0x01 to 0x0F.
        output: u8,
    },
}

impl fmt::Display for Settings {
    /// The device in words, such as `the USB device 1234:5678 with the serial number 0042`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the USB device {}", self.id())?;
        if let Some(serial) = &self.serial {
            write!(f, " with the serial number {serial}")?;
        }
        match &self.path {
            Some(path) => write!(f, " at {path}"),
            None => Ok(()),
        }
    }
}

impl Settings {
    /// Reads the table `usb` of a meter's settings. Mistakes go to the table.
    pub fn read(table: &mut Table<'_>) -> Option<Self> {
        let number = |table: &mut Table<'_>, key: &str| {
            let number = table.hexadecimal(key, 0, 0xFFFF, 4);
            table.required(key, number).and_then(|number| u16::try_from(number).ok())
        };
        let (vendor, product) = (number(table, "vendor"), number(table, "product"));
        let serial = table.text("serial");
        let path = table.text("path").filter(|path| {
            let right = is_path(path);
            if !right {
                table
                    .complain("path", format!("expected a bus and ports, such as \"1-2.3\", found {path:?}"));
            }
            right
        });
        let interface = table.integer("interface", 0, 255).and_then(|number| u8::try_from(number).ok());
        let endpoint = |table: &mut Table<'_>, key: &str, min, max| {
            table.hexadecimal(key, min, max, 2).and_then(|number| u8::try_from(number).ok())
        };
        let input = endpoint(table, "in", 0x81, 0x8F);
        let output = endpoint(table, "out", 0x01, 0x0F);
        let way = match (table.has("in"), table.has("out")) {
            (false, false) => Some(Way::Usbtmc),
            (true, true) => input.zip(output).map(|(input, output)| Way::Endpoints { input, output }),
            _ => {
                table.complain("in", "in and out belong together: the endpoints that are read and written; without them it is USBTMC");
                None
            }
        };
        Some(Self { vendor: vendor?, product: product?, serial, path, interface, way: way? })
    }

    /// Its numbers, in hexadecimal as everyone writes them: `1234:5678`.
    #[must_use]
    pub fn id(&self) -> String {
        format!("{:04x}:{:04x}", self.vendor, self.product)
    }

    /// What no two meters may share.
    #[must_use]
    pub fn claim(&self) -> String {
        match self.interface {
            Some(interface) => format!("{self}, interface {interface}"),
            None => self.to_string(),
        }
    }
}

/// Whether a text is a bus and ports, such as `1-2.3`.
fn is_path(text: &str) -> bool {
    let number = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    text.split_once('-').is_some_and(|(bus, ports)| number(bus) && ports.split('.').all(number))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings;

    fn read(text: &str) -> Result<Settings, String> {
        settings::read("t.toml", text, Settings::read).map_err(|problems| problems.to_string())
    }

    #[test]
    fn a_device_is_described_by_its_numbers_and_what_tells_it_from_its_like() {
        let settings = read("vendor = 0x1234\nproduct = 0x5678\nserial = \"0042\"\n").unwrap();
        assert_eq!(settings.to_string(), "the USB device 1234:5678 with the serial number 0042");
        assert_eq!(settings.way, Way::Usbtmc);
        let settings =
            read("vendor = 1\nproduct = 2\npath = \"1-2.3\"\ninterface = 0\nin = 0x81\nout = 0x02\n")
                .unwrap();
        assert_eq!(settings.claim(), "the USB device 0001:0002 at 1-2.3, interface 0");
        assert_eq!(settings.way, Way::Endpoints { input: 0x81, output: 0x02 });
    }

    #[test]
    fn each_mistake_is_named() {
        let mistakes =
            read("vendor = 0x12345\npath = \"2.3\"\nin = 0x01\nout = 130\nports = 1\n").unwrap_err();
        for expected in [
            "1:10: vendor: expected a whole number from 0x0000 to 0xffff, found the number 0x12345",
            "product: is missing",
            "path: expected a bus and ports, such as \"1-2.3\", found \"2.3\"",
            "in: expected a whole number from 0x81 to 0x8f, found the number 0x01",
            "out: expected a whole number from 0x01 to 0x0f, found the number 130",
            "ports: unknown key",
        ] {
            assert!(mistakes.contains(expected), "{expected}: {mistakes}");
        }
        let mistakes = read("vendor = 1\nproduct = 2\nin = 0x81\n").unwrap_err();
        assert!(mistakes.contains("in and out belong together"), "{mistakes}");
    }
}
