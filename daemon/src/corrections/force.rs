//! Putting a correction in force on a meter, and taking it out of force.

use std::sync::Arc;

use settled_drivers::clock::Clock as _;
use settled_protocol::correction::{CorrectParams, Corrected};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use tokio::sync::OwnedMutexGuard;

use super::{Corrections, Known, correction_id, correction_number, lock, refuse};
use crate::log::{Change, Forced, Happening};
use crate::meter_task::{Changing, MeterHandle, Through, fit};

impl Corrections {
    /// Puts a correction in force on a meter, or takes the one that is out of force. Whatever exposure begins once this has answered
    /// is read with it; one that is going on keeps what it began with.
    ///
    /// # Errors
    /// `leased` and `lease_lost`; `no_such_correction`; `correction_refused` for one that was removed, or made for another meter; `unsupported` where the meter
    /// has nothing to correct; why the meter can't be used, where it isn't open; `log_unavailable`.
    pub async fn force(&self, meter: &MeterHandle, params: CorrectParams) -> Result<Corrected, RpcError> {
        let turn = Arc::clone(&self.changing).lock_owned().await;
        let changing = meter.change(params.lease.as_deref())?;
        let before = lock(&self.known).in_force.get(meter.id()).map(|forced| correction_id(forced.number));
        match &params.correction {
            Some(id) => self.put((turn, changing), meter, id, &params, before.as_deref()).await?,
            None => self.take_out((turn, changing), meter, before.as_deref()).await?,
        }
        let correction = meter.meter(self.clock.now_s()).correction;
        Ok(Corrected { meter: meter.id().to_owned(), correction, before, durable: self.are_durable() })
    }

    async fn put(
        &self,
        (turn, changing): (OwnedMutexGuard<()>, Changing),
        meter: &MeterHandle,
        id: &str,
        params: &CorrectParams,
        before: Option<&str>,
    ) -> Result<(), RpcError> {
        let correction = self.find(id)?;
        if correction.removed.is_some() {
            return refuse(format!("{id} was removed: make another"));
        }
        let instrument = meter.instrument()?;
        let corrected = "its light went through a correction already, before it was kept";
        let corrected = meter.is_corrected().then_some(corrected);
        if let Some(why) = corrected.or_else(|| fit::uncorrectable(&instrument)) {
            let message = format!("{} can't be corrected: {why}", meter.id());
            return Err(RpcError::new(ErrorKind::Unsupported, message).about(meter.id()));
        }
        let other = fit::fit(&correction.meter, meter.id(), &instrument) == fit::Fit::Other;
        if other && !params.force {
            let made_for = &correction.meter;
            return refuse(format!(
                "{id} was made for {made_for}, which is not the meter that is attached as {}",
                meter.id()
            ))
            .map_err(|error: RpcError| error.about(meter.id()));
        }
        let number = correction_number(id).unwrap_or_default();
        let now = self.clock.now();
        let forced =
            Forced { number, shown: params.display.clone(), since: now.at, forced: params.force && other };
        let instead = before
            .filter(|before| *before != id)
            .map_or_else(String::new, |before| format!(", instead of {before}"));
        let detail = format!("{id} \"{}\" is in force{instead}", correction.name.as_str());
        let happening = Happening::about(EventKind::CorrectionApplied, meter.id(), detail);
        let change = Change::Force(meter.id().to_owned(), Some((forced.clone(), Arc::clone(&correction))));
        let through = Arc::new(Through::new(correction, &forced, now, self.stale_after_s()));
        let (meter, clock) = (meter.clone(), Arc::clone(&self.clock));
        self.change(turn, change, Some(happening), move |known: &mut Known| {
            if let Some(entry) = known.corrections.get_mut(&number) {
                entry.used = true;
            }
            known.in_force.insert(meter.id().to_owned(), forced);
            meter.correct(Some(through), clock.now_s());
            drop(changing);
        })
        .await
    }

    async fn take_out(
        &self,
        (turn, changing): (OwnedMutexGuard<()>, Changing),
        meter: &MeterHandle,
        before: Option<&str>,
    ) -> Result<(), RpcError> {
        let Some(before) = before else { return Ok(()) };
        let happening = Happening::about(
            EventKind::CorrectionRemoved,
            meter.id(),
            format!("{before} is no longer in force"),
        );
        let change = Change::Force(meter.id().to_owned(), None);
        let (meter, clock) = (meter.clone(), Arc::clone(&self.clock));
        self.change(turn, change, Some(happening), move |known: &mut Known| {
            known.in_force.remove(meter.id());
            meter.correct(None, clock.now_s());
            drop(changing);
        })
        .await
    }
}
