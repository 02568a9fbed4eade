//! One stimulus read: until it has settled, or watched for a time.

use std::collections::BTreeSet;

use settled_protocol::error::ErrorKind;
use settled_protocol::method::{
    MeterRead, MeterSettle, ObserveParams, ReadParams, SettleParams, ShowParams, StageShow,
};
use settled_protocol::notification::SettleProgress;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Readings, Settled};
use settled_protocol::stage::Stimulus;
use settled_protocol::time::Timestamp;

use super::super::{Failure, wall_clock};
use super::journey::Ended;
use crate::connection::{CallError, Connection};
use crate::review::criteria::criteria;
use crate::review::itinerary::Stop;
use crate::review::record::{Course, Measurement, Point};
use crate::subscription::Event;

/// The points that a long course has, about: a reading each time that so many of them take.
const POINTS: f64 = 2000.0;

/// Who looks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Looker<'a> {
    pub(super) connection: &'a Connection,
    pub(super) meter: &'a str,
    /// The lease.
    pub(super) token: Option<&'a str>,
}

impl Looker<'_> {
    /// Waits until the light has settled, or as long as is worth it. A meter that is away is waited for.
    pub(super) async fn settle(
        &self,
        stop: &Stop<'_>,
        mut report: impl FnMut(&SettleProgress),
    ) -> Result<Measurement, Ended> {
        let params = SettleParams {
            meter: self.meter.to_owned(),
            criteria: criteria(stop),
            progress: true,
            lease: self.token.map(str::to_owned),
            ..SettleParams::default()
        };
        let settled = loop {
            let call =
                self.connection.call_with_progress::<MeterSettle>(&params, |progress| report(&progress));
            match call.await {
                // Nothing was seen: the meter was away all the time.
                Ok(Settled { readings: None, .. }) => {}
                Err(CallError::Refused(error)) if error.kind() == ErrorKind::MeterAbsent => {
                    // The daemon said so at once: give it a moment.
                    tokio::time::sleep(std::time::Duration::from_millis(200)).await;
                }
                settled => break settled?,
            }
        };
        if settled.quantity != Photometric::Luminance {
            let words =
                format!("{} measures {}, and a review is of luminance", self.meter, settled.quantity.unit());
            return Err(Failure::Usage(words).into());
        }
        let Settled { verdict, value, waited_s, readings, flags, .. } = settled;
        Ok(Measurement {
            place: stop.place(),
            patch: stop.step.patch.clone(),
            position: stop.step.position,
            at: wall_clock(),
            waited_s,
            verdict,
            value,
            readings,
            flags,
        })
    }

    /// Switches a simulated display off; the next stimulus switches it on.
    pub(super) async fn switch_off(&self) -> Result<(), Ended> {
        let (meter, lease) = (Some(self.meter.to_owned()), self.token.map(str::to_owned));
        let params = ShowParams { meter, stimulus: Stimulus::off(), position: None, lease };
        self.connection.call::<StageShow>(&params).await?;
        Ok(())
    }

    /// Watches for so many s of the daemon's clock, from the beginning of the first exposure: it begins as the stimulus is shown.
    pub(super) async fn watch(
        &self,
        stop: &Stop<'_>,
        for_s: f64,
        mut report: impl FnMut(f64),
    ) -> Result<Course, Ended> {
        let (meter, lease) = (self.meter.to_owned(), self.token.map(str::to_owned));
        // Begun after the request for it, which came after the stimulus; what is observed may have been begun before.
        let read = ReadParams { meter: meter.clone(), lease: lease.clone(), ..ReadParams::default() };
        let first = self.connection.call::<MeterRead>(&read).await?;
        let mut course = Watched::begin(&first);
        let interval_s = Some(if for_s > POINTS { for_s / POINTS } else { 0.0 });
        let params = ObserveParams { meter, interval_s, lease, ..ObserveParams::default() };
        let mut readings = self.connection.observe(&params).await?;
        while course.t_s < for_s {
            match readings.next().await {
                Some(Event::Reading(reading)) => course.take(&reading),
                Some(Event::Missed(_) | Event::Meter(_) | Event::Run(..)) => {}
                None => return Err(CallError::Closed.into()),
            }
            report(course.t_s);
        }
        Ok(course.written(stop))
    }
}

/// A course as it grows.
struct Watched {
    at: Timestamp,
    /// Boot clock of its beginning, in s.
    from_s: f64,
    /// How far it has come, in s.
    t_s: f64,
    points: Vec<Point>,
    flags: BTreeSet<Flag>,
    readings: Readings,
}

impl Watched {
    fn begin(first: &Reading) -> Self {
        let readings = Readings { count: 0, first: first.sequence, last: first.sequence };
        let (at, from_s) = (first.at, first.began_s);
        let mut course = Self { at, from_s, t_s: 0.0, points: Vec::new(), flags: BTreeSet::new(), readings };
        course.take(first);
        course
    }

    /// One more, unless its exposure had begun before the last one ended.
    fn take(&mut self, reading: &Reading) {
        if reading.began_s < self.from_s + self.t_s {
            return;
        }
        self.t_s = reading.t_s - self.from_s;
        self.points.push(Point {
            t_s: 0.5 * (reading.began_s + reading.t_s) - self.from_s,
            luminance_cd_m2: reading.light.value(),
            chromaticity: reading.light.chromaticity(),
        });
        self.flags.extend(reading.flags.iter().copied());
        self.readings.count += 1;
        self.readings.last = reading.sequence;
    }

    fn written(self, stop: &Stop<'_>) -> Course {
        let Self { at, points, flags, readings, .. } = self;
        let (place, patch, readings) = (stop.place(), stop.step.patch.clone(), Some(readings));
        Course { place, patch, at, points, readings, flags: flags.into_iter().collect() }
    }
}
