//! Any executable that speaks the meter half of JSON-RPC on its standard input and output: see PLUGINS.md.
//!
//! A plugin is started when its meter is opened, in a process group of its own, and is killed with the whole group when the meter
//! is closed, however it behaves. Nothing that it does holds up or harms anybody else.
//!
//! | module | idea |
//! |---|---|
//! | [`process`] | a child process and its group: started, limited, watched, ended |
//! | [`conversation`] | one request at a time, and whatever is said unasked |
//! | [`stderr`] | its standard error, to the daemon's trace, rationed |
//! | [`answer`] | from what it says to a description and a sample |
//! | [`meter`] | the open instrument |

use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use serde_json::{Map, Value};

use crate::clock::{Boxed, Clock};
use crate::driver::{Context, Driver};
use crate::fault::Fault;
use crate::meter::Meter;
use crate::recording::tap::Tap;
use crate::settings::Table;

pub mod answer;
pub mod conversation;
pub mod meter;
pub mod process;
pub mod stderr;

use conversation::Conversation;
use process::Launch;
use stderr::Ration;

/// The longest that starting and opening may take: so much less than the daemon gives to any opening that the fault says what
/// was waited for, and the plugin has a moment to end.
const OPENING: Duration = Duration::from_secs(16);

/// The most bytes that `settings` may have as JSON: a request must fit into a pipe.
const MOST_SETTINGS: usize = 16 * 1024;

/// Writable memory of each process, in MiB, if the config doesn't say: an interpreter with a numerical library has room.
const MEMORY_MIB: u32 = 256;

/// An instrument behind a plugin.
#[derive(Clone, Debug)]
pub struct Plugin {
    /// What the config calls the meter.
    pub meter: String,
    /// How it is started.
    pub launch: Launch,
    /// What it is told in its first words.
    pub settings: Map<String, Value>,
    /// What it may still say on standard error.
    pub ration: Ration,
    /// Where what passes on its standard streams is recorded.
    pub tap: OnceLock<Tap>,
}

impl Driver for Plugin {
    fn name(&self) -> &'static str {
        "plugin"
    }

    fn claims(&self) -> Vec<String> {
        vec![format!("{:?} with the settings {}", self.launch.words, Value::Object(self.settings.clone()))]
    }

    fn address(&self) -> Option<String> {
        Some(self.launch.words.join(" "))
    }

    fn tap(&self, tap: &Tap) {
        // A second recording of the same driver would be one too many.
        let _first = self.tap.set(tap.clone()).is_ok();
    }

    fn open<'a>(&'a self, _clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let conversation = Conversation::start(self).await?;
            let open = meter::Open::introduced(conversation, self, OPENING).await?;
            let meter: Box<dyn Meter> = Box::new(open);
            Ok(meter)
        })
    }
}

/// Reads a meter's settings for this driver: `command`, and `settings`, `memory_mib` and `nice` if need be.
pub fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    let meter = settings.told("id").unwrap_or_default();
    let words = settings.words("command");
    let words = settings.required("command", words);
    let handed_on = settings.json("settings").unwrap_or_default();
    let memory_mib = settings.integer("memory_mib", 16, 1 << 20).and_then(|mib| u32::try_from(mib).ok());
    let nice = settings.integer("nice", 0, 19).and_then(|nice| u8::try_from(nice).ok());
    let size = Value::Object(handed_on.clone()).to_string().len();
    if size > MOST_SETTINGS {
        settings.complain("settings", format!("{size} bytes as JSON, which may be {MOST_SETTINGS} at most"));
    }
    let folder = absolute(&context.folder);
    let (memory_mib, nice) = (memory_mib.unwrap_or(MEMORY_MIB), nice.unwrap_or(0));
    let launch = Launch { words: words?, folder, memory_mib, nice };
    Some(Arc::new(Plugin {
        meter,
        launch,
        settings: handed_on,
        ration: Ration::default(),
        tap: OnceLock::new(),
    }))
}

/// A program's path must not depend on where the daemon was started.
fn absolute(folder: &Path) -> PathBuf {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned())
}

#[cfg(test)]
mod tests;
