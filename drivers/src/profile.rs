//! Any instrument that answers text lines, described in TOML: see PROFILES.md.
//!
//! | module | idea |
//! |---|---|
//! | [`mod@format`] | the profile file, strictly read |
//! | [`due`] | until when an answer may still come |
//! | [`answer`] | from the lines of an answer to a sample |
//! | [`meter`] | the open instrument |
//! | [`shipped`] | the profiles that come with this crate |

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use crate::clock::{Boxed, Clock};
use crate::driver::{Context, Driver};
use crate::fault::Fault;
use crate::link::line::LineLink;
use crate::link::{Link, serial};
use crate::meter::Meter;
use crate::recording::Tap;
use crate::recording::line::ProfileText;
use crate::settings::{self, Problems, Table};

pub mod answer;
pub mod due;
pub mod format;
pub mod meter;
pub mod shipped;

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

/// Opens the link to an instrument, again and again.
type Opener = dyn Fn() -> Result<Box<dyn Link>, Fault> + Send + Sync;

/// An instrument that a profile describes.
pub struct Profiled {
    profile: Arc<Profile>,
    claim: String,
    open: Box<Opener>,
    due: Due,
    /// Where what passes on the link is recorded, if it is.
    tap: OnceLock<Tap>,
}

impl fmt::Debug for Profiled {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Profiled").field("claim", &self.claim).finish_non_exhaustive()
    }
}

impl Profiled {
    /// The instrument that `profile` describes behind the link that `open` opens; `claim` names what no other meter may use.
    #[must_use]
    pub fn new(
        profile: Profile,
        claim: String,
        open: impl Fn() -> Result<Box<dyn Link>, Fault> + Send + Sync + 'static,
    ) -> Self {
        Self { profile: Arc::new(profile), claim, open: Box::new(open), due: Due::default(), tap: OnceLock::new() }
    }

    /// The instrument that `profile` describes on the serial port at `path`.
    #[must_use]
    pub fn on_serial(profile: Profile, path: PathBuf) -> Self {
        let claim = path.display().to_string();
        let settings = profile.line.serial(path);
        Self::new(profile, claim, move || serial::open(&settings))
    }
}

impl Driver for Profiled {
    fn name(&self) -> &'static str {
        "profile"
    }

    fn claims(&self) -> Vec<String> {
        vec![self.claim.clone()]
    }

    fn open<'a>(&'a self, _clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let link = (self.open)()?;
            let link = match self.tap.get() {
                Some(tap) => tap.link(link),
                None => link,
            };
            let line = LineLink::new(link, self.profile.line.endings.clone());
            let (profile, due) = (Arc::clone(&self.profile), self.due.clone());
            let meter: Box<dyn Meter> = Box::new(meter::Open::identified(profile, line, due).await?);
            Ok(meter)
        })
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
}

/// Reads a meter's settings for this driver: `profile` and `port`, and `baud` if the port's differs from the profile's.
pub fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    let name = settings.text("profile");
    let name = settings.required("profile", name);
    let port = settings.text("port");
    let port = settings.required("port", port);
    let baud = settings.integer("baud", 50, 4_000_000);
    let mut profile = find(settings, context, &name?)?;
    if let Some(baud) = baud.and_then(|baud| u32::try_from(baud).ok()) {
        profile.line.baud = baud;
    }
    Some(Arc::new(Profiled::on_serial(profile, context.folder.join(port?))))
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
