//! What clients ask about corrections, with what the daemon knows of its meters.

use settled_protocol::correction::{
    CorrectParams, Corrected, CorrectionChanged, NewCorrection, RemoveCorrection,
};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::text::Text;

use super::Daemon;
use crate::meter_task::fit::{Fit, fit, uncorrectable};

impl Daemon {
    /// Puts a correction in force on a meter, or takes it out of force.
    ///
    /// # Errors
    /// `no_such_meter`; `leased` and `lease_lost`; and as [`Corrections::force`](crate::corrections::Corrections::force).
    pub async fn correct(&self, params: CorrectParams) -> Result<Corrected, RpcError> {
        let meter = self.meter(&params.meter)?;
        if let Some(error) = meter.leased(params.lease.as_deref()) {
            return Err(error);
        }
        self.corrections.force(meter, params).await
    }

    /// Makes a correction and keeps it.
    ///
    /// # Errors
    /// `unsupported` for an attached meter that has nothing to correct, and as [`Corrections::add`](crate::corrections::Corrections::add).
    pub async fn add_correction(&self, mut new: NewCorrection) -> Result<CorrectionChanged, RpcError> {
        self.check_correctable(&new)?;
        let mut simulated = new.simulated;
        for subject in std::iter::once(&mut new.meter).chain(&mut new.reference) {
            let Some((handle, config)) =
                self.meters.iter().find(|(handle, _)| handle.id() == subject.id.as_str())
            else {
                continue;
            };
            let Ok(instrument) = handle.instrument() else { continue };
            simulated |=
                config.driver.source().is_simulated() && fit(subject, handle.id(), &instrument) != Fit::Other;
            if !subject.is_bare() {
                continue;
            }
            subject.model = Text::try_from(instrument.model).ok();
            subject.serial = instrument.serial.and_then(|serial| Text::try_from(serial).ok());
        }
        new.simulated = simulated;
        self.corrections.add(new).await
    }

    /// Whether the meter that a correction is for has something to correct, as far as it is attached.
    fn check_correctable(&self, new: &NewCorrection) -> Result<(), RpcError> {
        let id = new.meter.id.as_str();
        let Some((handle, _)) = self.meters.iter().find(|(handle, _)| handle.id() == id) else {
            return Ok(());
        };
        let Ok(instrument) = handle.instrument() else { return Ok(()) };
        match uncorrectable(&instrument) {
            Some(why) if fit(&new.meter, id, &instrument) != Fit::Other => {
                let message = format!("{id} can't be corrected: {why}");
                Err(RpcError::new(ErrorKind::Unsupported, message).about(id))
            }
            _ => Ok(()),
        }
    }

    /// Removes a correction that is not in force.
    ///
    /// # Errors
    /// As [`Corrections::remove`](crate::corrections::Corrections::remove).
    pub async fn remove_correction(&self, params: &RemoveCorrection) -> Result<CorrectionChanged, RpcError> {
        let meters: Vec<&str> = self.meters.iter().map(|(handle, _)| handle.id()).collect();
        self.corrections.remove(&params.correction, &meters).await
    }
}
