//! A simulated display, told by the daemon what to show.

use std::time::Duration;

use settled_protocol::method::{ShowParams, StageShow};
use settled_protocol::stage::Stimulus;
use tokio::time::timeout;

use super::{NotShown, Screen};
use crate::connection::Connection;
use crate::output::Output;
use crate::review::patch::{Coding, Patch};

/// A simulated display shows something else at once, or something is wrong.
const PUT_BACK: Duration = Duration::from_secs(1);

/// The simulated display that a meter looks at.
#[derive(Debug)]
pub struct Stage<'a> {
    connection: &'a Connection,
    meter: String,
    /// The tokens of the leases on the meters that look at the display, with commas between several.
    lease: Option<String>,
    /// Where the meter looks, as shares of the screen's width and height from its top left; the middle if absent.
    position: Option<[f64; 2]>,
    /// What it showed before the first of our stimuli.
    before: Option<Stimulus>,
}

impl<'a> Stage<'a> {
    /// The display in front of a simulated `meter`, under these leases: the tokens of all meters that look at it, with commas between
    /// several, such as [`inherited_of`](crate::lease::inherited_of) gives.
    #[must_use]
    pub fn new(connection: &'a Connection, meter: impl Into<String>, lease: Option<String>) -> Self {
        Self { connection, meter: meter.into(), lease, position: None, before: None }
    }

    /// Has the meter look there from the next stimulus on: shares of the screen's width and height from its top left; the middle if absent.
    pub fn look_at(&mut self, position: Option<[f64; 2]>) {
        self.position = position;
    }

    /// Lets it show again what it showed before, if that can be done at once.
    async fn put_back(&mut self) -> bool {
        let Some(stimulus) = self.before.take() else { return true };
        let params = self.params(stimulus, None);
        matches!(timeout(PUT_BACK, self.connection.call::<StageShow>(&params)).await, Ok(Ok(_)))
    }

    pub(super) async fn end_aloud(&mut self, output: Output) {
        if !self.put_back().await {
            output.aside(&format!("the simulated display of {} still shows the last stimulus", self.meter));
        }
    }

    fn params(&self, stimulus: Stimulus, position: Option<[f64; 2]>) -> ShowParams {
        ShowParams { meter: Some(self.meter.clone()), stimulus, position, lease: self.lease.clone() }
    }
}

impl Screen for Stage<'_> {
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown> {
        let params = self.params(patch.stimulus(coding), self.position);
        let shown = self.connection.call::<StageShow>(&params).await;
        let shown = shown.map_err(|error| {
            let meter = &self.meter;
            let why = format!("the simulated display of {meter} does not show {}: {error}", patch.name);
            NotShown { why, call: Some(error) }
        })?;
        let black = Stimulus { colour: [0; 3], ..Stimulus::peak_white() };
        let _first = self.before.get_or_insert(shown.before.unwrap_or(black));
        Ok(())
    }

    async fn end(&mut self) {
        self.put_back().await;
    }
}
