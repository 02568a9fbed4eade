//! Any instrument that answers text lines, described in TOML: see PROFILES.md.
//!
//! | module | idea |
//! |---|---|
//! | [`mod@format`] | the profile file, strictly read |
//! | [`due`] | until when an answer may still come |
//! | [`answer`] | from the lines of an answer to a sample |
//! | [`meter`] | the open instrument |
//! | [`spectral`] | an answer that holds a spectrum |
//! | [`shipped`] | the profiles that come with this crate |

use std::path::Path;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use tokio::sync::Mutex;

use crate::clock::{Boxed, Clock};
use crate::driver::{Context, Driver};
use crate::fault::Fault;
use crate::link::Link;
use crate::link::address::{self, Address};
use crate::link::arrival::Arrival;
use crate::link::line::LineLink;
use crate::meter::Meter;
use crate::recording::Tap;
use crate::recording::line::ProfileText;
use crate::settings::{self, Problems, Table};

pub mod answer;
pub mod due;
pub mod format;
pub mod meter;
mod patterns;
pub mod shipped;
pub mod spectral;

use due::Due;
use format::Profile;

/// Reads a profile's text; `file` is its name, for messages.
///
/// # Errors
/// Every mistake in it.
pub fn load(file: &str, text: &str) -> Result<Profile, Problems> {
    let mut profile = settings::read(file, text, format::read)?;
    profile.written = ProfileText { file: file.to_owned(), text: text.to_owned() };
    Ok(profile)
}

/// An instrument that a profile describes.
#[derive(Debug)]
pub struct Profiled {
    profile: Arc<Profile>,
    address: Address,
    /// The serial number that the instrument must have.
    serial: Option<String>,
    due: Due,
    /// Since the last attempt to open it; nothing while it is open.
    arrival: Mutex<Option<Box<dyn Arrival>>>,
    /// Where what passes on the link is recorded, if it is.
    tap: OnceLock<Tap>,
}

impl Profiled {
    /// The instrument that `profile` describes behind the link that `open` makes; `claim` names what no other meter may use.
    #[must_use]
    pub fn new(
        profile: Profile,
        claim: String,
        open: impl Fn() -> Result<Box<dyn Link>, Fault> + Send + Sync + 'static,
    ) -> Self {
        Self::at(profile, Address::made(claim, open))
    }

    /// The instrument that `profile` describes at `address`.
    #[must_use]
    pub fn at(profile: Profile, address: Address) -> Self {
        let (due, arrival) = (Due::default(), Mutex::default());
        Self { profile: Arc::new(profile), address, serial: None, due, arrival, tap: OnceLock::new() }
    }

    /// The same; an instrument with another serial number than this, or none, is refused.
    #[must_use]
    pub fn with_serial(mut self, serial: Option<String>) -> Self {
        self.serial = serial;
        self
    }
}

impl Driver for Profiled {
    fn name(&self) -> &'static str {
        "profile"
    }

    fn claims(&self) -> Vec<String> {
        self.address.claims()
    }

    fn address(&self) -> Option<String> {
        Some(self.address.to_string())
    }

    fn open<'a>(&'a self, _clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            // Watched from before the attempt: whatever comes after it is too late for it, but not missed.
            *self.arrival.lock().await = self.address.arrival();
            let line = &self.profile.line;
            let link = self.address.open(&line.serial, &line.endings.answered).await?;
            let link = match self.tap.get() {
                Some(tap) => tap.link(link),
                None => link,
            };
            let line = LineLink::new(link, self.profile.line.endings.clone())
                .with_lines_up_to(self.profile.longest_line());
            let (profile, due) = (Arc::clone(&self.profile), self.due.clone());
            let meter: Box<dyn Meter> =
                Box::new(meter::Open::identified(profile, line, due, self.serial.as_deref()).await?);
            *self.arrival.lock().await = None;
            Ok(meter)
        })
    }

    fn opening(&self) -> Duration {
        address::OPENING + meter::identifying(&self.profile)
    }

    fn still_due(&self) -> Duration {
        self.due.remaining()
    }

    fn tap(&self, tap: &Tap) {
        // A second recording of the same driver would be one too many.
        let _first = self.tap.set(tap.clone()).is_ok();
    }

    fn profile_text(&self) -> Option<ProfileText> {
        Some(self.profile.written.clone())
    }

    fn arrival(&self) -> Boxed<'_, ()> {
        Box::pin(async move {
            let mut watched = self.arrival.lock().await;
            if watched.is_none() {
                *watched = self.address.arrival();
            }
            match watched.as_mut() {
                Some(arrival) => arrival.changed().await,
                None => std::future::pending().await,
            }
        })
    }
}

/// Reads a meter's settings for this driver: `profile`, where the instrument is ([`Address::read`]), and perhaps the `serial` number it
/// must have.
pub fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    let name = settings.text("profile");
    let name = settings.required("profile", name);
    let address = Address::read(settings, context);
    let serial = settings.text("serial").map(|serial| serial.trim().to_owned());
    if serial.as_ref().is_some_and(String::is_empty) {
        settings.complain("serial", "expected the serial number as the instrument tells it, or no such key");
    }
    let profile = find(settings, context, &name?)?;
    if serial.is_some() && !profile.tells_serial() {
        settings.complain(
            "serial",
            "the profile can't tell the serial number: its [identify] has no group (?<serial>…)",
        );
    }
    Some(Arc::new(Profiled::at(profile, address?).with_serial(serial)))
}

/// The profile of that name: a file beside the config, or one that ships.
fn find(settings: &Table<'_>, context: &Context, name: &str) -> Option<Profile> {
    let path = context.folder.join(name);
    let read = match std::fs::read_to_string(&path) {
        Ok(text) => load(&path.display().to_string(), &text),
        Err(error) => match shipped::text(Path::new(name)) {
            Some(text) => load(name, text),
            None => {
                let names: Vec<&str> = shipped::PROFILES.iter().map(|(name, _)| *name).collect();
                let message =
                    format!("reading {}: {error}; shipped profiles: {}", path.display(), names.join(", "));
                settings.complain("profile", message);
                return None;
            }
        },
    };
    read.map_err(|problems| settings.adopt("profile", problems)).ok()
}

#[cfg(test)]
mod tests;
