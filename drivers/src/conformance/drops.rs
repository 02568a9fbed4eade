//! Calls that are dropped, and instruments that stay.

use std::time::Duration;

use tokio::time::{Instant, timeout};

use super::failure::Failure;
use super::samples::measures;
use super::{Suite, same, within, words};
use crate::meter::Meter;
use crate::sample::Exposure;

/// For how long nothing is asked, to see whether the instrument stays.
const IDLE: Duration = Duration::from_millis(300);

impl Suite<'_> {
    pub(super) async fn dropped(&mut self, meter: &mut dyn Meter) {
        let (name, count) = ("after a dropped exposure and recovery it measures again", self.times(1, 20));
        self.begins(name, 2 * count + 2);
        let outcome = self.drop_exposures(meter, count).await;
        self.ends(name, outcome);
        let (name, count) = ("a dropped recovery can be done again", self.times(1, 5));
        self.begins(name, 2 * count);
        let outcome = self.drop_recoveries(meter, count).await;
        self.ends(name, outcome);
        let name = "it stays while nobody asks, and waiting for its departure loses nothing";
        self.begins(name, self.times(1, 3));
        let outcome = self.stays(meter).await;
        self.ends(name, outcome);
    }

    /// Drops exposures before they begin, at once, and at moments until a little after their usual end.
    async fn drop_exposures(&mut self, meter: &mut dyn Meter, count: u32) -> Result<(), Failure> {
        let before = meter.describe().clone();
        let usual_end = self.pace.mul_f64(1.1);
        let chosen = [Duration::ZERO, Duration::from_millis(20)];
        let moments = (0..count).map(|_| self.random.moment(usual_end));
        let moments: Vec<Duration> = chosen.into_iter().chain(moments).collect();
        let start = Instant::now();
        for (done, moment) in moments.into_iter().enumerate() {
            if self.is_enough(done, start) {
                break;
            }
            // Whether it was done by then makes no difference.
            let _done = timeout(moment, meter.measure(Exposure::default())).await.is_ok();
            let again = async {
                within(meter.recovery(), meter.recover()).await?;
                measures(meter).await
            };
            again
                .await
                .map_err(|failure| failure.within(format!("dropped after {}", words::time(moment))))?;
        }
        same(&before, meter.describe())
    }

    async fn drop_recoveries(&mut self, meter: &mut dyn Meter, count: u32) -> Result<(), Failure> {
        let start = Instant::now();
        for done in 0..count {
            if self.is_enough(done as usize, start) {
                break;
            }
            let (exposing, recovering) = (self.random.moment(self.pace), self.random.moment(self.pace));
            let _done = timeout(exposing, meter.measure(Exposure::default())).await.is_ok();
            let _done = timeout(recovering, meter.recover()).await.is_ok();
            let again = async {
                within(meter.recovery(), meter.recover()).await?;
                measures(meter).await
            };
            let case = || format!("dropped after {}", words::time(recovering));
            again.await.map_err(|failure| failure.within(case()))?;
        }
        Ok(())
    }

    async fn stays(&mut self, meter: &mut dyn Meter) -> Result<(), Failure> {
        for idle in [Duration::ZERO, IDLE, self.random.moment(IDLE)] {
            if let Ok(fault) = timeout(idle, meter.departed()).await {
                return Err(format!("said that it has gone: {fault}").into());
            }
            measures(meter).await?;
        }
        Ok(())
    }
}
