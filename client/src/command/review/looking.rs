//! One stimulus read: until it has settled, or watched for a time.

use std::collections::BTreeSet;

use settled_protocol::error::ErrorKind;
use settled_protocol::method::{MeterSettle, ObserveParams, SettleParams};
use settled_protocol::notification::SettleProgress;
use settled_protocol::quantity::Photometric;
use settled_protocol::settling::{Readings, Settled};

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

    /// Watches for so many s of the daemon's clock, from the beginning of the first exposure: it begins as the stimulus is shown.
    pub(super) async fn watch(
        &self,
        stop: &Stop<'_>,
        for_s: f64,
        mut report: impl FnMut(f64),
    ) -> Result<Course, Ended> {
        let params = ObserveParams {
            meter: self.meter.to_owned(),
            interval_s: Some(if for_s > POINTS { for_s / POINTS } else { 0.0 }),
            lease: self.token.map(str::to_owned),
            ..ObserveParams::default()
        };
        let mut readings = self.connection.observe(&params).await?;
        let mut points = Vec::new();
        let mut flags = BTreeSet::new();
        let mut stretch: Option<Readings> = None;
        let (mut from_s, mut at) = (None, wall_clock());
        loop {
            let reading = match readings.next().await {
                Some(Event::Reading(reading)) => reading,
                Some(Event::Missed(_) | Event::Meter(_) | Event::Run(..)) => continue,
                None => return Err(CallError::Closed.into()),
            };
            if from_s.is_none() {
                at = reading.at;
            }
            let from_s = *from_s.get_or_insert(reading.began_s);
            let t_s = 0.5 * (reading.began_s + reading.t_s) - from_s;
            let (luminance_cd_m2, chromaticity) = (reading.light.value(), reading.light.chromaticity());
            points.push(Point { t_s, luminance_cd_m2, chromaticity });
            flags.extend(reading.flags.iter().copied());
            let sequence = reading.sequence;
            let first = stretch.map_or(sequence, |stretch| stretch.first);
            let count = stretch.map_or(0, |stretch| stretch.count) + 1;
            stretch = Some(Readings { count, first, last: sequence });
            report(t_s);
            if reading.t_s - from_s >= for_s {
                break;
            }
        }
        let (place, patch) = (stop.place(), stop.step.patch.clone());
        Ok(Course { place, patch, at, points, readings: stretch, flags: flags.into_iter().collect() })
    }
}
