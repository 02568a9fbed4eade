//! Recordings played back as meters, and readings from a log as well: see RECORDINGS.md.
//!
//! Where the bytes of a link were recorded, and the profile that made sense of them, the profile runs again, over a link that
//! answers each request as the instrument did. Else the meter gives what it gave, one exposure after another. Either way its
//! readings say that they are replayed.
//!
//! | module | idea |
//! |---|---|
//! | `exchanges` | what an instrument was asked over its link, and what it did then |
//! | `shape` | requests that are alike |
//! | `play` | for each request, what is answered now |
//! | `link` | the link to an instrument that is played back |
//! | `series` | what a meter gave, one exposure after another |
//! | `export` | readings as `settle log readings` writes them |
//! | `file` | what a file is, and what is in it |
//! | `lines` | the driver over exchanges |
//! | `readings` | the driver over a series |

use std::sync::Arc;

use crate::driver::{Context, Driver};
use crate::profile;
use crate::settings::Table;

pub(crate) mod exchanges;
mod export;
mod file;
pub(crate) mod lines;
mod link;
mod play;
mod readings;
mod series;
mod shape;

pub use play::AtEnd;

/// The driver's name in the config.
const NAME: &str = "replay";

/// The least that an exposure takes where nobody waits for its time to come, in s: no more than 100 readings a second come of it. Chosen
/// here; a log and everyone who follows the meter keep up with that.
const LEAST_S: f64 = 0.01;

/// How a recording is played.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Manner {
    /// Recorded time over played time; nothing if what is asked for comes at once.
    pub(crate) speed: Option<f64>,
    pub(crate) at_end: AtEnd,
}

/// Reads a meter's settings for this driver: `file`, and perhaps `meter`, `pace`, `speed` and `at_end`.
pub fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    let path = settings.text("file");
    let path = settings.required("file", path);
    let meter = settings.text("meter");
    let asked = settings.choice("pace", &[("recorded", false), ("asked", true)]).unwrap_or(false);
    let speed = settings.number("speed", 0.01, 1000.0);
    let at_end = settings.choice("at_end", &[("repeat", AtEnd::Repeat), ("leave", AtEnd::Leave)]);
    if asked && speed.is_some() {
        settings.complain(
            "speed",
            "is for the recorded pace: at the pace that is asked for, nothing is waited for",
        );
    }
    let speed = (!asked).then_some(speed.unwrap_or(1.0));
    let manner = Manner { speed, at_end: at_end.unwrap_or(AtEnd::Repeat) };
    let path = context.folder.join(path?);
    let loaded = file::load(&path, meter.as_deref());
    let loaded = loaded.map_err(|(key, message)| {
        settings.complain(key, format!("{}: {message}", path.display()));
    });
    match loaded.ok()? {
        file::Loaded::Exchanges { profile, exchanges, source } => {
            let profile = profile::load(&profile.file, &profile.text);
            let profile = profile.map_err(|problems| settings.adopt("file", problems)).ok()?;
            Some(Arc::new(lines::Lines::new(profile, exchanges, source, manner).out_of(path)))
        }
        file::Loaded::Series { series, source } => {
            Some(Arc::new(readings::Readings::new(series, source, manner, path)))
        }
    }
}

#[cfg(test)]
mod tests;
