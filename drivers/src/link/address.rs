//! Where an instrument is: what a meter's settings say of the way to it. One profile speaks over any of them.

use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use super::arrival::{self, Arrival};
use super::tcp::{self, Endpoint};
use super::usb::{self, Usb};
use super::{Link, serial};
use crate::clock::Boxed;
use crate::driver::Context;
use crate::fault::Fault;
use crate::settings::Table;

/// The keys that say where an instrument is. A meter has exactly one of them.
const WAYS: &[&str] = &["port", "tcp", "usb"];

/// The longest that opening a link may take, in real time: a name is found and connected to in five seconds, and an adapter that
/// hangs while it is set is given up by the system after about as long (common practice, no source).
pub const OPENING: Duration = Duration::from_secs(15);

/// Makes the link to an instrument in this process, again and again.
type Opener = dyn Fn() -> Result<Box<dyn Link>, Fault> + Send + Sync;

/// The way to an instrument.
#[derive(Clone)]
pub enum Address {
    /// On a serial port.
    Serial {
        /// The port's path.
        path: PathBuf,
        /// Bits a second, where they are not those of the profile.
        baud: Option<u32>,
    },
    /// Behind a network address: plain bytes over TCP.
    Tcp(Endpoint),
    /// On USB, in USBTMC messages or over two endpoints.
    Usb(Usb),
    /// In this process, such as an instrument that follows a script. No settings lead to it.
    Made {
        /// What no other meter may use.
        claim: String,
        /// Makes the link.
        open: Arc<Opener>,
    },
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Address").field(&self.to_string()).finish()
    }
}

/// The address in words, as messages name it: a port's path, `host:port` of a network address.
impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Serial { path, .. } => write!(f, "{}", path.display()),
            Self::Tcp(endpoint) => endpoint.fmt(f),
            Self::Usb(usb) => usb.settings().fmt(f),
            Self::Made { claim, .. } => f.write_str(claim),
        }
    }
}

impl Address {
    /// Reads where a meter is from its settings: exactly one of `port`, `tcp` and `usb`; with `port`, `baud` too. Mistakes go to the table.
    pub fn read(settings: &mut Table<'_>, context: &Context) -> Option<Self> {
        let given: Vec<&str> = WAYS.iter().copied().filter(|way| settings.has(way)).collect();
        let baud = settings.integer("baud", 50, 4_000_000).and_then(|baud| u32::try_from(baud).ok());
        match given.as_slice() {
            [] => settings.complain("port", format!("is missing: a meter is at one of {}", listed())),
            [_] => {}
            [first, others @ ..] => others.iter().for_each(|other| {
                settings
                    .complain(other, format!("is too much beside {first:?}: an instrument is in one place"));
            }),
        }
        if settings.has("baud") && !given.is_empty() && !given.contains(&"port") {
            settings
                .complain("baud", "is for a serial port: take it out, or say where that is with \"port\"");
        }
        match given.as_slice() {
            ["port"] => {
                let path = context.folder.join(settings.text("port")?);
                // In its one usual form, so that a clash is seen.
                Some(Self::Serial { path: path.components().collect(), baud })
            }
            ["tcp"] => {
                let text = settings.text("tcp")?;
                let endpoint = text.parse().map_err(|error: tcp::BadEndpoint| {
                    settings.complain("tcp", error.to_string());
                });
                endpoint.ok().map(Self::Tcp)
            }
            ["usb"] => {
                let usb = usb::Settings::read(&mut settings.table("usb")?)?;
                Some(Self::Usb(Usb::new(usb)))
            }
            _ => None,
        }
    }

    /// An instrument in this process, behind the link that `open` makes; `claim` names what no other meter may use.
    #[must_use]
    pub fn made(
        claim: String,
        open: impl Fn() -> Result<Box<dyn Link>, Fault> + Send + Sync + 'static,
    ) -> Self {
        Self::Made { claim, open: Arc::new(open) }
    }

    /// What no two meters may share. A clash is a mistake in the config.
    #[must_use]
    pub fn claims(&self) -> Vec<String> {
        match self {
            Self::Usb(usb) => vec![usb.settings().claim()],
            Self::Serial { .. } | Self::Tcp(_) | Self::Made { .. } => vec![self.to_string()],
        }
    }

    /// Opens the link anew; `line` is how a serial port is set, and `end` what ends a line of an answer where answers are messages.
    /// Both mean nothing elsewhere.
    ///
    /// # Errors
    /// `Gone` if nothing is there, `Busy` if another program holds it, `Denied` without permission, `Refused` if it can't be
    /// set like that.
    pub fn open<'a>(
        &'a self,
        line: &'a serial::Settings,
        end: &'a [u8],
    ) -> Boxed<'a, Result<Box<dyn Link>, Fault>> {
        Box::pin(async move {
            match self {
                Self::Serial { path, baud } => {
                    let settings = serial::Settings { baud: baud.unwrap_or(line.baud), ..*line };
                    serial::open(path.clone(), settings).await
                }
                Self::Tcp(endpoint) => tcp::open(endpoint).await,
                Self::Usb(usb) => usb.open(end).await,
                Self::Made { open, .. } => open(),
            }
        })
    }

    /// Watches, from this call on, for whatever may mean that the instrument has been attached; nothing where that can't be
    /// told.
    #[must_use]
    pub fn arrival(&self) -> Option<Box<dyn Arrival>> {
        match self {
            Self::Serial { path, .. } => arrival::of_file(path),
            Self::Usb(usb) => Some(usb.arrival()),
            Self::Tcp(_) | Self::Made { .. } => None,
        }
    }
}

/// The ways, as a message lists them.
fn listed() -> String {
    let quoted: Vec<String> = WAYS.iter().map(|way| format!("{way:?}")).collect();
    quoted.join(", ")
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use proptest::prelude::*;

    use super::*;
    use crate::settings;

    fn read(text: &str) -> Result<Address, String> {
        let context = Context { folder: PathBuf::from("/etc/bench") };
        let read = settings::read("t.toml", text, |table| Address::read(table, &context));
        read.map_err(|problems| problems.to_string())
    }

    #[test]
    fn a_meter_is_in_exactly_one_place() {
        let Ok(Address::Serial { path, baud: None }) = read("port = \"tty\"") else { panic!() };
        assert_eq!(path, Path::new("/etc/bench/tty"));
        let Ok(Address::Serial { baud: Some(19200), .. }) = read("port = \"tty\"\nbaud = 19200") else {
            panic!()
        };
        assert_eq!(read("tcp = \"Meter.Example:5025\"").unwrap().to_string(), "meter.example:5025");
        let usb = "usb = { vendor = 0x1234, product = 0x5678, serial = \"0042\" }";
        assert_eq!(read(usb).unwrap().to_string(), "the USB device 1234:5678 with the serial number 0042");
        assert_eq!(
            read("").unwrap_err(),
            "t.toml:1:1: port: is missing: a meter is at one of \"port\", \"tcp\", \"usb\""
        );
        assert_eq!(
            read("port = \"tty\"\ntcp = \"meter:1\"").unwrap_err(),
            "t.toml:2:7: tcp: is too much beside \"port\": an instrument is in one place"
        );
    }

    #[test]
    fn bits_a_second_are_for_a_serial_port() {
        assert_eq!(
            read("tcp = \"meter:5025\"\nbaud = 9600").unwrap_err(),
            "t.toml:2:8: baud: is for a serial port: take it out, or say where that is with \"port\""
        );
    }

    #[test]
    fn two_meters_at_one_place_clash_however_it_is_written() {
        let claims = |text: &str| read(text).unwrap().claims();
        assert_eq!(claims("tcp = \"[2001:DB8:0::7]:5025\""), claims("tcp = \"[2001:db8::7]:5025\""));
        assert_eq!(claims("tcp = \"METER:05025\""), claims("tcp = \"meter:5025\""));
        assert_ne!(claims("tcp = \"meter:5025\""), claims("tcp = \"meter:5026\""));
        assert_eq!(claims("port = \"/dev/./tty\""), claims("port = \"/dev/tty\""));
    }

    proptest! {
        #[test]
        fn whatever_stands_in_the_settings_is_an_address_or_a_mistake(text in "\\PC{0,40}") {
            for key in WAYS {
                let quoted = text.replace('\\', "\\\\").replace('"', "\\\"");
                let _either = read(&format!("{key} = \"{quoted}\"")).is_ok();
            }
        }
    }
}
