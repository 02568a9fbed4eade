//! A configured instrument that can be opened, and the registry of drivers.

use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::clock::{Boxed, Clock};
use crate::fault::Fault;
use crate::meter::Meter;
use crate::recording::Tap;
use crate::recording::line::ProfileText;
use crate::settings::Table;
use crate::simulated::Stage;

/// One configured instrument, attached or not. Touches no hardware until it is opened.
///
/// `open` may be called again and again, one call at a time, after the meter it gave has been closed or dropped: each
/// time it looks for the instrument anew, by its stable name. It fails with `Gone` where nothing is attached, `Busy`
/// where another program holds the port, `Denied` where permission is missing, and `Silent`, `Garbled` or `Refused`
/// where something is attached that isn't the instrument it should be.
pub trait Driver: Send + Sync + fmt::Debug {
    /// The driver's name in the config.
    fn name(&self) -> &'static str;

    /// What no two meters may share, such as a port's path. A clash is a mistake in the config.
    fn claims(&self) -> Vec<String>;

    /// Where it looks for the instrument, in words: a port's path, a network address, the file that is played back. Nothing where that isn't a place.
    fn address(&self) -> Option<String> {
        None
    }

    /// Opens the instrument: finds it, checks that it is what it should be, sends its start-up commands.
    fn open<'a>(&'a self, clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>>;

    /// The longest that an [`open`](Self::open) may take, in real time, beside what is still due.
    fn opening(&self) -> Duration {
        Duration::from_secs(20)
    }

    /// For how long an answer to what was asked before may still come: opening waits for that, beside what it takes itself.
    fn still_due(&self) -> Duration {
        Duration::ZERO
    }

    /// Waits until the instrument may have been attached since the beginning of the last attempt to open it, so that another is
    /// worth it; for ever where that can't be told. A change (an edge), not a state that lasts: after an attempt that was made because of
    /// it, only what has happened since counts. A hint: the caller tries now and then anyway, and makes no more than a few attempts a
    /// second however often it is told.
    fn arrival(&self) -> Boxed<'_, ()> {
        Box::pin(std::future::pending())
    }

    /// Where its light comes from: readings that come from no instrument say so.
    fn source(&self) -> Source {
        Source::Instrument
    }

    /// From now on whatever passes between driver and instrument is recorded: each link that is opened goes through `tap`
    /// ([`Tap::link`]). Nothing to do for a driver without links.
    fn tap(&self, tap: &Tap) {
        // There is no link to record.
        let _ = tap;
    }

    /// The profile that it follows, so that a recording stands alone; nothing for a driver without one.
    fn profile_text(&self) -> Option<ProfileText> {
        None
    }

    /// How often a recording that is played back has begun anew by now: light from before and from after doesn't compare. The last
    /// measurement that was asked for is counted already. Always 0 for what isn't played back.
    fn rounds(&self) -> u64 {
        0
    }

    /// Whether any of its light went through a correction before it came here: it must not go through another.
    fn is_corrected(&self) -> bool {
        false
    }

    /// The simulated display that the meter looks at; nothing for a real meter.
    fn stage(&self) -> Option<Arc<Stage>> {
        None
    }
}

/// Where a meter's light comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// An instrument that looks at light, now.
    Instrument,
    /// A simulation.
    Simulated,
    /// A recording of an instrument.
    Replayed,
    /// A recording of a simulation.
    ReplayedSimulation,
}

impl Source {
    /// Whether the light was made up by a model, now or when it was recorded.
    #[must_use]
    pub fn is_simulated(self) -> bool {
        matches!(self, Self::Simulated | Self::ReplayedSimulation)
    }

    /// Whether it is played back from a recording.
    #[must_use]
    pub fn is_replayed(self) -> bool {
        matches!(self, Self::Replayed | Self::ReplayedSimulation)
    }

    /// What a recording of it is a source of.
    #[must_use]
    pub fn once_recorded(self) -> Self {
        if self.is_simulated() { Self::ReplayedSimulation } else { Self::Replayed }
    }
}

/// What a driver may want to know beside its own settings.
#[derive(Clone, Debug)]
pub struct Context {
    /// The folder of the config file: relative paths start here.
    pub folder: PathBuf,
    /// The simulated displays so far, by the id of the meter that brought each: another may look at it too.
    pub stages: Vec<(String, Arc<Stage>)>,
}

impl Context {
    /// A config in this folder, nothing of which has been read yet.
    #[must_use]
    pub fn at(folder: impl Into<PathBuf>) -> Self {
        Self { folder: folder.into(), stages: Vec::new() }
    }
}

/// Reads one meter's settings. Mistakes go to the table; nothing is returned if there were any that matter.
pub type Configure = fn(&mut Table<'_>, &Context) -> Option<Arc<dyn Driver>>;

/// The drivers there are, by name.
#[derive(Clone, Debug)]
pub struct Registry {
    drivers: Vec<(&'static str, Configure)>,
}

impl Registry {
    /// No drivers.
    #[must_use]
    pub fn empty() -> Self {
        Self { drivers: Vec::new() }
    }

    /// The drivers of this crate.
    #[must_use]
    pub fn built_in() -> Self {
        Self::empty()
            .with("iio", crate::iio::configure)
            .with("profile", crate::profile::configure)
            .with("replay", crate::replay::configure)
            .with("simulated", crate::simulated::configure)
            .with("plugin", crate::plugin::configure)
    }

    /// The same and one more.
    #[must_use]
    pub fn with(mut self, name: &'static str, configure: Configure) -> Self {
        self.drivers.push((name, configure));
        self
    }

    /// The names, in order.
    #[must_use]
    pub fn names(&self) -> Vec<&'static str> {
        self.drivers.iter().map(|(name, _)| *name).collect()
    }

    /// The driver of that name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<Configure> {
        self.drivers.iter().find(|(known, _)| *known == name).map(|(_, configure)| *configure)
    }
}
