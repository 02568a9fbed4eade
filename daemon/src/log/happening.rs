//! Something that happened, on its way into the log.

use settled_protocol::log::EventKind;

/// Something that happened, to be stamped and numbered.
#[derive(Clone, Debug)]
pub struct Happening {
    /// What kind of thing.
    pub kind: EventKind,
    /// The meter it is about.
    pub meter: Option<String>,
    /// The run it is about.
    pub run: Option<u64>,
    /// One plain sentence.
    pub detail: String,
}

impl Happening {
    /// Something about the daemon as a whole.
    #[must_use]
    pub fn new(kind: EventKind, detail: impl Into<String>) -> Self {
        Self { kind, meter: None, run: None, detail: detail.into() }
    }

    /// Something about a meter.
    #[must_use]
    pub fn about(kind: EventKind, meter: &str, detail: impl Into<String>) -> Self {
        Self { kind, meter: Some(meter.to_owned()), run: None, detail: detail.into() }
    }

    /// The same, about a run, too.
    #[must_use]
    pub fn of_run(self, run: u64) -> Self {
        Self { run: Some(run), ..self }
    }

    /// Tells the daemon's own trace.
    pub(crate) fn trace(&self) {
        let meter = self.meter.as_deref();
        let (event, run) = (self.kind.name(), self.run);
        match self.kind.is_trouble() {
            true => tracing::warn!(event, meter, run, "{}", self.detail),
            false => tracing::info!(event, meter, run, "{}", self.detail),
        }
    }
}
