//! The driver over exchanges: the recorded profile runs again, over a link that answers as the instrument did.

use std::ops::Range;
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use super::exchanges::Exchanges;
use super::link::Replayed;
use super::play::Play;
use super::{Manner, NAME};
use crate::clock::{Boxed, Clock};
use crate::driver::{Driver, Source};
use crate::fault::{Fault, FaultKind};
use crate::link::Link;
use crate::meter::Meter;
use crate::profile::Profiled;
use crate::profile::format::Profile;
use crate::recording::Tap;
use crate::recording::line::ProfileText;

/// An instrument that is played back.
#[derive(Debug)]
pub(crate) struct Lines {
    profiled: Profiled,
    source: Source,
    play: Arc<Play>,
    /// The file, if it is in one.
    file: Option<PathBuf>,
    /// The clock that recorded times are played on: known from the first opening on.
    clock: Arc<OnceLock<Arc<dyn Clock>>>,
}

impl Lines {
    pub(crate) fn new(profile: Profile, exchanges: Exchanges, source: Source, manner: Manner) -> Self {
        let play = Arc::new(Play::new(exchanges, manner.at_end));
        let clock: Arc<OnceLock<Arc<dyn Clock>>> = Arc::default();
        let (known, played) = (Arc::clone(&clock), Arc::clone(&play));
        let profiled = Profiled::new(profile, NAME.to_owned(), move || {
            let unknown = || Fault::new(FaultKind::Gone, "nobody has said what time it is");
            let clock = known.get().ok_or_else(unknown)?;
            let link: Box<dyn Link> =
                Box::new(Replayed::open(Arc::clone(&played), Arc::clone(clock), manner.speed)?);
            Ok(link)
        });
        Self { profiled, source, play, file: None, clock }
    }

    /// The same, from this file.
    pub(crate) fn out_of(self, file: PathBuf) -> Self {
        Self { file: Some(file), ..self }
    }

    /// Whatever is asked from here on is answered as it was after the exchanges of `done`.
    pub(crate) fn go_on_after(&self, done: &Range<usize>) {
        self.play.go_on_after(done);
    }
}

impl Driver for Lines {
    fn name(&self) -> &'static str {
        NAME
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn address(&self) -> Option<String> {
        self.file.as_ref().map(|file| file.display().to_string())
    }

    fn open<'a>(&'a self, clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        self.clock.get_or_init(|| Arc::clone(clock));
        self.profiled.open(clock)
    }

    fn opening(&self) -> Duration {
        self.profiled.opening()
    }

    fn still_due(&self) -> Duration {
        self.profiled.still_due()
    }

    fn source(&self) -> Source {
        self.source
    }

    fn rounds(&self) -> u64 {
        self.play.rounds()
    }

    fn tap(&self, tap: &Tap) {
        self.profiled.tap(tap);
    }

    fn profile_text(&self) -> Option<ProfileText> {
        self.profiled.profile_text()
    }
}
