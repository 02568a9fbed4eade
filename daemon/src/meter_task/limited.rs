//! A meter that is held to its own word: a recovery ends within what the meter says it may take.

use std::time::Duration;

use settled_drivers::clock::Boxed;
use settled_drivers::fault::{Fault, FaultKind};
use settled_drivers::meter::{Description, Meter};
use settled_drivers::sample::{Exposure, Sample};

use crate::stop::Stop;

/// A meter whose recoveries end in time, and at once when the daemon stops.
#[derive(Debug)]
pub(super) struct Limited<'a> {
    meter: &'a mut dyn Meter,
    stop: Stop,
}

impl<'a> Limited<'a> {
    pub(super) fn new(meter: &'a mut dyn Meter, stop: Stop) -> Self {
        Self { meter, stop }
    }
}

impl Meter for Limited<'_> {
    fn describe(&self) -> &Description {
        self.meter.describe()
    }

    fn deadline(&self, exposure: Exposure) -> Duration {
        self.meter.deadline(exposure)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        self.meter.measure(exposure)
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        self.meter.zero()
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        let limit = self.meter.recovery();
        let mut stop = self.stop.clone();
        Box::pin(async move {
            tokio::select! {
                outcome = tokio::time::timeout(limit, self.meter.recover()) => outcome.unwrap_or_else(|_| {
                    let detail = format!("bringing it back to order took longer than {limit:?}");
                    Err(Fault::new(FaultKind::Silent, detail))
                }),
                // Nothing is measured any more: what is left on the line is for the next opening to drain.
                () = stop.wait() => Ok(()),
            }
        })
    }

    fn recovery(&self) -> Duration {
        self.meter.recovery()
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::meter::{Instrument, Kind};

    use super::*;
    use crate::stop;

    /// Never comes back to order, and says how long that may take.
    #[derive(Debug)]
    struct Lost(Description, Duration);

    impl Lost {
        fn new(recovery: Duration) -> Self {
            let instrument = Instrument {
                model: "lost".to_owned(),
                serial: None,
                kind: Kind::Photometer,
                quantities: Vec::new(),
                integration_s: None,
                range: None,
                resolution: None,
            };
            Self(Description { instrument, warm_up_s: 0.0, zero: None }, recovery)
        }
    }

    impl Meter for Lost {
        fn describe(&self) -> &Description {
            &self.0
        }

        fn deadline(&self, _: Exposure) -> Duration {
            Duration::ZERO
        }

        fn measure(&mut self, _: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
            Box::pin(std::future::pending())
        }

        fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
            Box::pin(std::future::pending())
        }

        fn recovery(&self) -> Duration {
            self.1
        }
    }

    #[tokio::test]
    async fn a_recovery_ends_when_the_meter_said_it_would() {
        let (_stopper, stop) = stop::pair();
        let mut meter = Lost::new(Duration::from_millis(20));
        let fault = Limited::new(&mut meter, stop).recover().await.unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Silent);
        assert!(fault.to_string().contains("20ms"), "{fault}");
    }

    #[tokio::test]
    async fn a_recovery_does_not_hold_up_the_end_of_the_daemon() {
        let (stopper, stop) = stop::pair();
        let mut meter = Lost::new(Duration::from_secs(3600));
        stopper.stop();
        assert!(Limited::new(&mut meter, stop).recover().await.is_ok());
    }
}
