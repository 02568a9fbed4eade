//! What one settling asks its meter for: an exposure after the other, longer ones where it helps, and back where it doesn't.

use settled_drivers::sample::Exposure;
use settled_protocol::error::RpcError;

use crate::client::By;
use crate::meter_task::{Demanded, MeterHandle, Purpose, Wanted};

/// Exposures that are asked for without pause.
#[derive(Debug)]
pub(super) struct Asked {
    pub(super) exposure: Exposure,
    by: By,
    demanded: Demanded,
    /// What was asked for before it was lengthened.
    shorter: Option<Exposure>,
    /// Longer ones may be tried: the client left it to the meter, and none was refused.
    free: bool,
}

/// One exposure after the other.
fn wanted(exposure: Exposure) -> Wanted {
    Wanted { exposure, interval_s: 0.0, purpose: Purpose::Settling }
}

impl Asked {
    /// Asks for exposures as the client wants them.
    pub(super) async fn new(meter: &MeterHandle, by: &By, exposure: Exposure) -> Result<Self, RpcError> {
        let demanded = meter.demand(by, wanted(exposure)).await?;
        Ok(Self { exposure, by: by.clone(), demanded, shorter: None, free: exposure.integration_s.is_none() })
    }

    /// Asks for the same once more: the meter's task may have forgotten.
    pub(super) async fn again(&self, meter: &MeterHandle) -> Result<(), RpcError> {
        meter.press(&self.demanded, &self.by, wanted(self.exposure)).await
    }

    /// Whether longer exposures may be tried.
    pub(super) fn may_lengthen(&self) -> bool {
        self.free
    }

    /// Goes on with longer exposures. Where there is no room for another demand, it stays as it is.
    pub(super) async fn lengthen(&mut self, meter: &MeterHandle, integration_s: f64) {
        let longer = Exposure { integration_s: Some(integration_s) };
        match meter.demand(&self.by, wanted(longer)).await {
            Ok(demanded) => {
                self.shorter = Some(std::mem::replace(&mut self.exposure, longer));
                self.demanded = demanded;
            }
            Err(_) => self.free = false,
        }
    }

    /// Goes back to what was asked for before, for good, if exposures were lengthened: such a long one saturates, say. Whether it did.
    pub(super) async fn shorten(&mut self, meter: &MeterHandle) -> Result<bool, RpcError> {
        let Some(shorter) = self.shorter.take() else { return Ok(false) };
        self.demanded = meter.demand(&self.by, wanted(shorter)).await?;
        self.exposure = shorter;
        self.free = false;
        Ok(true)
    }
}
