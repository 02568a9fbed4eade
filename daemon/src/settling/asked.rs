//! What one settling asks its meter for: an exposure after the other, longer ones where it helps, and back where it doesn't.

use settled_drivers::sample::Exposure;
use settled_protocol::error::RpcError;

use super::longer;
use crate::client::By;
use crate::meter_task::{Demanded, Exposed, Lengths, MeterHandle, Purpose, Wanted};

/// Exposures that are asked for without pause.
#[derive(Debug)]
pub(super) struct Asked {
    exposure: Exposure,
    by: By,
    demanded: Demanded,
    lengths: Lengths,
    /// What exposures were lengthened to before that, in s.
    shorter_s: Option<f64>,
    /// Longer ones may be tried: the client left it to the meter, and none was refused.
    free: bool,
}

impl Asked {
    /// Asks for exposures as the client wants them, to be settled for `hold_s`.
    pub(super) async fn new(
        meter: &MeterHandle,
        by: &By,
        exposure: Exposure,
        hold_s: f64,
    ) -> Result<Self, RpcError> {
        let demanded = meter.reserve(by)?;
        let lengths = Lengths { longer_s: None, longest_s: longer::longest_s(hold_s) };
        let free = exposure.integration_s.is_none();
        let asked = Self { exposure, by: by.clone(), demanded, lengths, shorter_s: None, free };
        asked.again(meter).await?;
        Ok(asked)
    }

    /// Asks for the same once more: the meter's task may have forgotten.
    pub(super) async fn again(&self, meter: &MeterHandle) -> Result<(), RpcError> {
        let purpose = Purpose::Settling(self.lengths);
        let wanted = Wanted { exposure: self.exposure, interval_s: 0.0, purpose };
        meter.press(&self.demanded, &self.by, wanted).await
    }

    /// Whether what was exposed like this is what it asks for.
    pub(super) fn is_served(&self, exposed: Exposed) -> bool {
        exposed.serves(self.exposure)
    }

    /// What exposures were lengthened to, in s, by this settling or by another that left it to the meter, too.
    pub(super) fn lengthened_s(&self, exposed: Exposed) -> Option<f64> {
        exposed.lengthened_s().filter(|_| self.exposure.integration_s.is_none())
    }

    /// Whether longer exposures may be tried.
    pub(super) fn may_lengthen(&self) -> bool {
        self.free
    }

    /// Goes on with longer exposures.
    pub(super) async fn lengthen(&mut self, meter: &MeterHandle, integration_s: f64) -> Result<(), RpcError> {
        self.shorter_s = self.lengths.longer_s.replace(integration_s);
        self.again(meter).await
    }

    /// An exposure failed. If it was lengthened, none is any more, for good: such a long one saturates, say. Goes back to what was
    /// asked for before. Whether it was.
    pub(super) async fn shorten(&mut self, meter: &MeterHandle, exposed: Exposed) -> Result<bool, RpcError> {
        let Some(refused_s) = self.lengthened_s(exposed) else { return Ok(false) };
        self.free = false;
        if self.lengths.longer_s.is_some_and(|longer_s| longer_s >= refused_s) {
            self.lengths.longer_s = self.shorter_s.take().filter(|shorter_s| *shorter_s < refused_s);
            self.again(meter).await?;
        }
        Ok(true)
    }
}
