//! One stimulus read: until it has settled, or watched for a time.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::time::Duration;

use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::error::ErrorKind;
use settled_protocol::log::Selection;
use settled_protocol::meter::{Meter, Quantity};
use settled_protocol::method::{
    LogReadings, MeterRead, MeterSettle, ObserveParams, ReadParams, SettleParams, ShowParams, StageShow,
};
use settled_protocol::notification::SettleProgress;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Readings, Settled};
use settled_protocol::stage::Stimulus;
use settled_protocol::time::Timestamp;
use tokio::time::{Instant, sleep_until, timeout};

use super::super::{Failure, wall_clock};
use super::ended::Ended;
use crate::connection::{CallError, Connection};
use crate::review::criteria::{criteria, is_bright};
use crate::review::itinerary::Stop;
use crate::review::record::{Clock, Course, Measurement, Point};
use crate::subscription::{Event, Subscription};

/// The points that a long course has, about: a reading each time that so many of them take.
const POINTS: f64 = 2000.0;

/// For so long no reading may come while light is watched, in s of the daemon's clock, beside what exposures take.
const SILENT_S: f64 = 30.0;
/// For so long a bright stimulus stays on the screen though nothing is read from it, in s of the daemon's clock, beside two of the longest
/// exposures that were seen: a third of what it is waited for at most. What is dark may stand.
const UNREAD_S: f64 = 10.0;
/// However fast the daemon's clock runs, a busy machine gets so long.
const GRACE: Duration = Duration::from_secs(5);
/// For so long the log is asked when a reading was taken: a record does without it.
const ASKED: Duration = Duration::from_secs(1);

/// Who looks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Looker<'a> {
    pub(super) connection: &'a Connection,
    pub(super) meter: &'a str,
    /// The lease.
    pub(super) token: Option<&'a str>,
    /// How many s of the daemon's clock pass in one.
    pub(super) speed: f64,
    /// The longest exposure that was asked for by itself, in s.
    pub(super) longest_s: &'a Cell<f64>,
}

impl Looker<'_> {
    /// Waits until the light has settled, or as long as is worth it; [`Ended::Blind`] where the meter gives no readings.
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
        // How many readings there were, and when the last came.
        let last = Cell::new((0, Instant::now()));
        let call = self.connection.call_with_progress::<MeterSettle>(&params, |progress| {
            if progress.count > last.get().0 {
                last.set((progress.count, Instant::now()));
            }
            report(&progress);
        });
        let settled = tokio::select! {
            outcome = call => seen(outcome)?,
            () = silence(&last, self.silent(UNREAD_S, 0.0, self.longest_s.get())), if is_bright(stop) => {
                return Err(Ended::Blind);
            }
        };
        if settled.readings.is_none() {
            // Nothing was seen: the meter was away all the time.
            return Err(Ended::Blind);
        }
        must_be_meant(self.meter, settled.quantity, settled.observer)?;
        // A bright stimulus stands until it is written down: the log is asked only after that the wall's clock was looked at, and not for long.
        let at = wall_clock();
        let Settled { verdict, value, waited_s, readings, correction, flags, .. } = settled;
        let clock = match readings {
            Some(readings) => self.clock(readings.last).await,
            None => None,
        };
        Ok(Measurement {
            place: stop.place(),
            patch: stop.step.patch.clone(),
            position: stop.step.position,
            at,
            clock,
            waited_s,
            verdict,
            value,
            readings,
            correction,
            flags,
        })
    }

    /// When a reading had been taken on the daemon's clock; nothing where the log doesn't have it.
    async fn clock(&self, sequence: u64) -> Option<Clock> {
        let one = Selection {
            meter: Some(self.meter.to_owned()),
            after: sequence.checked_sub(1),
            limit: Some(1),
            ..Selection::default()
        };
        let page = timeout(ASKED, self.connection.call::<LogReadings>(&one)).await.ok()?.ok()?;
        let reading = page.readings.into_iter().find(|reading| reading.sequence == sequence)?;
        Some(Clock { t_s: reading.t_s, boot: reading.boot })
    }

    /// Whether the meter gives no readings now.
    pub(super) async fn is_blind(&self) -> Result<bool, Ended> {
        let read = ReadParams {
            meter: self.meter.to_owned(),
            lease: self.token.map(str::to_owned),
            ..ReadParams::default()
        };
        match seen(self.connection.call::<MeterRead>(&read).await) {
            Ok(reading) => {
                self.took(&reading);
                Ok(false)
            }
            Err(Ended::Blind) => Ok(true),
            Err(ended) => Err(ended),
        }
    }

    /// An exposure that was asked for took so long.
    fn took(&self, reading: &Reading) {
        self.longest_s.set(self.longest_s.get().max(reading.t_s - reading.began_s));
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
        let first = seen(self.connection.call::<MeterRead>(&read).await)?;
        must_be_meant(&meter, first.light.photometric(), first.observer)?;
        let mut course = Watched::begin(&first);
        let interval_s = for_s / POINTS;
        self.took(&first);
        let silent = self.silent(SILENT_S, interval_s, first.t_s - first.began_s);
        let params = ObserveParams { meter, interval_s: Some(interval_s), lease, ..ObserveParams::default() };
        let mut readings = self.connection.observe(&params).await?;
        while course.t_s < for_s {
            let next = timeout(silent, reading(&mut readings)).await.map_err(|_late| Ended::Blind)?;
            let reading = next.ok_or(CallError::Closed)?;
            must_be_meant(self.meter, reading.light.photometric(), reading.observer)?;
            if reading.correction != course.correction {
                let (name, set, sequence) = (&stop.step.patch.name, &stop.set.name, &stop.sequence.name);
                let words =
                    format!("{set}, {sequence}: the meter's correction was changed while {name} was watched");
                return Err(Ended::Broken(words));
            }
            course.take(&reading);
            report(course.t_s);
        }
        Ok(course.written(stop))
    }

    /// How long no reading may come before nothing is waited for any more: exposures and intervals take their time.
    fn silent(&self, least_s: f64, interval_s: f64, exposure_s: f64) -> Duration {
        let silent_s = least_s + 2.0 * (interval_s + exposure_s.max(0.0));
        Duration::try_from_secs_f64(silent_s / self.speed.max(f64::MIN_POSITIVE))
            .unwrap_or(Duration::MAX)
            .max(GRACE)
    }
}

/// Until no reading has come for so long.
async fn silence(last: &Cell<(u64, Instant)>, silent: Duration) {
    loop {
        let (_, at) = last.get();
        let until = at + silent;
        if Instant::now() >= until {
            return;
        }
        sleep_until(until).await;
    }
}

/// The next reading; nothing once the connection has ended.
async fn reading(readings: &mut Subscription) -> Option<Box<Reading>> {
    loop {
        match readings.next().await? {
            Event::Reading(reading) => return Some(reading),
            Event::Missed(_) | Event::Meter(_) | Event::Run(..) => {}
        }
    }
}

/// Refuses a meter whose light a review can't be of, as far as it is known before anything is shown.
pub(super) fn must_suit(meter: &Meter) -> Result<(), Failure> {
    let quantities = meter.instrument.as_ref().map_or(&[][..], |instrument| &instrument.quantities);
    let is_of_lux = quantities.contains(&Quantity::Illuminance) && !quantities.contains(&Quantity::Luminance);
    let quantity = if is_of_lux { Photometric::Illuminance } else { Photometric::Luminance };
    must_be_meant(&meter.id, quantity, meter.observer)
}

/// Refuses light that a review can't be of: what it is held against is luminance, and colour by the eye of CIE 1931, 2°.
fn must_be_meant(meter: &str, quantity: Photometric, observer: Option<Observer>) -> Result<(), Failure> {
    if quantity != Photometric::Luminance {
        let unit = quantity.unit();
        return Err(Failure::Usage(format!("{meter} measures {unit}, and a review is of luminance")));
    }
    let Some(observer) = observer.and_then(Observer::unusual) else { return Ok(()) };
    Err(Failure::Usage(format!(
        "{meter} gives light as the observer {} sees it, and all that a review is held against is by CIE 1931, 2°: take observer out of \
         the meter's table in the daemon's config",
        observer.name()
    )))
}

/// A meter that isn't there, or doesn't answer, sees nothing: it is waited for.
fn seen<T>(outcome: Result<T, CallError>) -> Result<T, Ended> {
    let unseen = [ErrorKind::MeterAbsent, ErrorKind::MeterSilent];
    match outcome {
        Err(CallError::Refused(error)) if unseen.contains(&error.kind()) => Err(Ended::Blind),
        outcome => Ok(outcome?),
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
    /// What all of it goes through.
    correction: Option<String>,
    flags: BTreeSet<Flag>,
    readings: Readings,
}

impl Watched {
    fn begin(first: &Reading) -> Self {
        let readings = Readings { count: 0, first: first.sequence, last: first.sequence };
        let (at, from_s, correction) = (first.at, first.began_s, first.correction.clone());
        let (points, flags) = (Vec::new(), BTreeSet::new());
        let mut course = Self { at, from_s, t_s: 0.0, points, correction, flags, readings };
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
        let Self { at, points, correction, flags, readings, .. } = self;
        let (place, patch, readings) = (stop.place(), stop.step.patch.clone(), Some(readings));
        Course { place, patch, at, points, readings, correction, flags: flags.into_iter().collect() }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};
    use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
    use tokio::net::UnixStream;

    use super::*;
    use crate::review::itinerary::stops;
    use crate::review::ready::Ready;

    /// The next request to a daemon that says what a test tells it.
    async fn hear(daemon: &mut BufReader<UnixStream>, method: &str) -> Value {
        let mut line = String::new();
        daemon.read_line(&mut line).await.unwrap();
        let request: Value = serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line:?}"));
        assert_eq!(request["method"], method);
        request["id"].clone()
    }

    #[tokio::test]
    async fn a_measurement_is_of_when_its_light_had_settled_and_is_kept_though_the_log_does_not_answer() {
        let (ours, theirs) = UnixStream::pair().unwrap();
        let (connection, mut daemon) = (Connection::over(ours), BufReader::new(theirs));
        let longest_s = Cell::new(0.0);
        let looker =
            Looker { connection: &connection, meter: "m", token: None, speed: 1.0, longest_s: &longest_s };
        let plan = Ready::named("sdr-quick").unwrap().plan().unwrap();
        let stop = stops(&plan, &[], None).remove(0);
        let told = async move {
            let id = hear(&mut daemon, "meter.settle").await;
            let settled = json!({
                "meter": "m", "quantity": "luminance", "verdict": "settled", "waited_s": 4.0, "flags": [], "message": "",
                "readings": {"count": 9, "first": 1, "last": 9}, "evidence": {"window_s": 1.0, "n": 9, "outliers": 0, "steps": 0, "failing": []},
            });
            let answer = json!({"jsonrpc": "2.0", "id": id, "result": settled});
            daemon.get_mut().write_all(format!("{answer}\n").as_bytes()).await.unwrap();
            hear(&mut daemon, "log.readings").await;
            // It goes instead, as the connection is dropped.
            wall_clock()
        };
        let (measured, asked) = tokio::join!(looker.settle(&stop, |_| {}), told);
        let measured = measured.unwrap();
        assert!(measured.at <= asked && measured.clock.is_none(), "{measured:?}, {asked}");
    }

    fn refused(more: &Value) -> Option<String> {
        let mut told =
            json!({ "id": "m", "driver": "profile", "simulated": false, "state": "ready", "faults": 0 });
        told.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let meter: Meter = serde_json::from_value(told).unwrap();
        must_suit(&meter).err().map(|failure| match failure {
            Failure::Usage(words) => words,
            other => panic!("{other:?}"),
        })
    }

    #[test]
    fn a_meter_of_illuminance_or_of_another_observer_is_refused_before_anything_is_shown() {
        let instrument = |quantities: &[&str]| json!({ "instrument": { "model": "x", "kind": "photometer", "quantities": quantities } });
        assert_eq!([refused(&json!({})), refused(&instrument(&["luminance", "xyz"]))], [None, None]);
        let words = refused(&instrument(&["illuminance"])).unwrap();
        assert!(words.contains("measures lx"), "{words}");
        assert_eq!(refused(&json!({ "observer": "1931-2" })), None);
        let words = refused(&json!({ "observer": "1964-10" })).unwrap();
        assert!(words.contains("1964-10") && words.contains("observer out of"), "{words}");
    }

    #[test]
    fn each_reading_is_looked_at_too() {
        assert!(must_be_meant("m", Photometric::Luminance, None).is_ok());
        assert!(must_be_meant("m", Photometric::Illuminance, None).is_err());
        assert!(must_be_meant("m", Photometric::Luminance, Some(Observer::Cie1964Deg10)).is_err());
    }
}
