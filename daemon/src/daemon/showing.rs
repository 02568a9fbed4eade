//! What simulated displays show, and who may tell them.

use std::sync::Arc;

use settled_drivers::simulated::{Showing, Stage};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::method::{ShowParams, Shown};
use settled_protocol::stage::Scene;

use super::Daemon;
use crate::config::MeterConfig;
use crate::log::Happening;
use crate::meter_task::MeterHandle;

impl Daemon {
    /// Tells a simulated display what to show from now on, and the meters that look at it where to look.
    ///
    /// # Errors
    /// `invalid_params` for a position that isn't on the screen; `no_such_meter`, or `unsupported` where the meter doesn't look at a simulated display, or where it isn't said
    /// which of several is meant; `leased` where somebody else has a meter that looks at it, and `lease_lost`.
    pub async fn show(&self, params: ShowParams) -> Result<Shown, RpcError> {
        let id = match params.meter {
            Some(id) => self.meter(&id)?.id().to_owned(),
            None => self.only_stage()?,
        };
        let driver =
            self.meters.iter().find(|(handle, _)| handle.id() == id).map(|(_, config)| &config.driver);
        let Some(stage) = driver.and_then(|driver| driver.stage()) else {
            let replayed = driver.is_some_and(|driver| driver.source().is_replayed());
            let message = if replayed {
                format!("{id} is played back from a recording: what it saw can't be changed any more")
            } else {
                format!("{id} looks at a real display: show the stimulus there")
            };
            return Err(RpcError::new(ErrorKind::Unsupported, message).about(&id));
        };
        if let Some(position) = params.position
            && !position.iter().all(|share| (0.0..=1.0).contains(share))
        {
            let [x, y] = position;
            let message = format!(
                "params.position must be shares of the screen's width and height from the top left, each from 0 to 1, not [{x}, {y}]"
            );
            return Err(RpcError::new(ErrorKind::InvalidParams, message));
        }
        if let Some(error) = self.stage_leased(&stage, params.lease.as_deref()) {
            return Err(error);
        }
        let now = self.clock.now();
        let before = stage.show_at(params.stimulus, params.position, now.t_s);
        let told = Scene { stimulus: params.stimulus, position: params.position };
        let detail = serde_json::to_string(&told).unwrap_or_default();
        self.log.event(&self.clock, Happening::about(EventKind::StageShown, &id, detail)).await;
        let Showing { stimulus, position: position_before } = before;
        Ok(Shown { meter: id, at: now.at, t_s: now.t_s, before: Some(stimulus), position_before })
    }

    /// Whether a meter looks at a simulated display.
    ///
    /// # Errors
    /// `unsupported` if it doesn't: nobody here can tell a real one what to show.
    pub(crate) fn has_stage(&self, id: &str) -> Result<(), RpcError> {
        let mut meters = self.meters.iter().filter(|(handle, _)| handle.id() == id);
        if meters.any(|(_, config)| config.driver.stage().is_some()) {
            return Ok(());
        }
        let message =
            format!("{id} looks at no simulated display: leave params.stimulus out, and show it before");
        Err(RpcError::new(ErrorKind::Unsupported, message).about(id))
    }

    fn only_stage(&self) -> Result<String, RpcError> {
        let mut stages: Vec<(&MeterHandle, Arc<Stage>)> = Vec::new();
        for (handle, config) in &self.meters {
            let Some(stage) = config.driver.stage() else { continue };
            // Several meters may look at one display.
            if !stages.iter().any(|(_, known)| Arc::ptr_eq(known, &stage)) {
                stages.push((handle, stage));
            }
        }
        let none = "no simulated display is configured: show the stimulus on the real one";
        let several = "several simulated displays are configured: say which with params.meter";
        match stages.as_slice() {
            [(handle, _)] => Ok(handle.id().to_owned()),
            [] => Err(RpcError::new(ErrorKind::Unsupported, none)),
            _ => Err(RpcError::new(ErrorKind::InvalidParams, several)),
        }
    }

    /// Why a simulated display may not be told what to show: several meters may look at it, and somebody else may have one of them for
    /// itself. Every one of `tokens`, which have commas between them, must be in force; a client that has leased several meters needs
    /// the token of one alone.
    fn stage_leased(&self, stage: &Arc<Stage>, tokens: Option<&str>) -> Option<RpcError> {
        let looks = |config: &MeterConfig| config.driver.stage().is_some_and(|own| Arc::ptr_eq(&own, stage));
        let meters = self.meters.iter().filter(|(_, config)| looks(config));
        let meters: Vec<&MeterHandle> = meters.map(|(handle, _)| handle).collect();
        let mut holders = Vec::new();
        for token in tokens.iter().flat_map(|tokens| tokens.split(',')) {
            match self.meters.iter().find_map(|(handle, _)| handle.holder_of(token)) {
                Some(holder) => holders.push(holder),
                None => return meters.first()?.leased(Some(token)),
            }
        }
        meters.iter().find(|meter| !meter.is_free_for(&holders))?.leased(None)
    }
}
