//! What everybody in a crowd was given, to be held against the log once they have gone.

use std::collections::{BTreeMap, HashMap};

use serde_json::Value;

/// What came over one subscription to a meter's readings.
#[derive(Debug, Default)]
pub(crate) struct Followed {
    pub(crate) who: String,
    pub(crate) meter: String,
    /// Readings are left out so that there is one in so many seconds.
    pub(crate) every_s: Option<f64>,
    /// It was asked for what came after this.
    pub(crate) after: Option<u64>,
    pub(crate) seen: Vec<u64>,
    /// Stretches that the subscriber was told it missed: first, last, how many.
    pub(crate) missed: Vec<(u64, u64, u64)>,
}

/// The stretch of readings that an answer to `meter.settle` rests on.
#[derive(Debug)]
pub(crate) struct Rested {
    #[expect(dead_code, reason = "for whoever looks into a failure")]
    pub(crate) who: String,
    pub(crate) meter: String,
    pub(crate) integration_s: Option<f64>,
    pub(crate) asked_s: f64,
    pub(crate) count: u64,
    pub(crate) first: u64,
    pub(crate) last: u64,
}

/// A lease, from when its holder knew of it until it gave it back, and the readings that the holder was given meanwhile.
#[derive(Debug, Default)]
pub(crate) struct Held {
    #[expect(dead_code, reason = "for whoever looks into a failure")]
    pub(crate) who: String,
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    pub(crate) given: Vec<u64>,
}

/// What was given, to whomever.
#[derive(Debug, Default)]
pub(crate) struct Ledger {
    readings: HashMap<u64, Value>,
    pub(crate) followed: Vec<Followed>,
    pub(crate) rested: Vec<Rested>,
    pub(crate) held: Vec<Held>,
    /// Lines that came, by what they were.
    tally: BTreeMap<String, u64>,
}

impl Ledger {
    pub(crate) fn count(&mut self, what: &str) {
        match self.tally.get_mut(what) {
            Some(count) => *count += 1,
            None => drop(self.tally.insert(what.to_owned(), 1)),
        }
    }

    /// A reading that somebody was given: everybody is given the same under its number.
    pub(crate) fn given(&mut self, who: &str, reading: &Value) {
        let sequence =
            reading["sequence"].as_u64().unwrap_or_else(|| panic!("{who}: no sequence: {reading}"));
        match self.readings.get(&sequence) {
            Some(before) => {
                assert!(before == reading, "{who}: two of number {sequence}: {before} and {reading}")
            }
            None => drop(self.readings.insert(sequence, reading.clone())),
        }
    }

    /// How many readings of a meter by this integration time there are, and when the latest was taken, in s.
    pub(crate) fn taken(&self, meter: &str, integration_s: f64) -> (usize, f64) {
        let fits = |reading: &&Value| reading["meter"] == meter && reading["integration_s"] == integration_s;
        let times: Vec<f64> =
            self.readings.values().filter(fits).map(|it| it["t_s"].as_f64().unwrap()).collect();
        (times.len(), times.into_iter().fold(0.0, f64::max))
    }

    /// Holds everything against the log.
    pub(crate) fn check(&self, log: &[Value]) {
        let log: BTreeMap<u64, &Value> =
            log.iter().map(|reading| (reading["sequence"].as_u64().unwrap(), reading)).collect();
        for (sequence, reading) in &self.readings {
            let logged = log.get(sequence).unwrap_or_else(|| panic!("not in the log: {reading}"));
            assert!(*logged == reading, "given: {reading}\nlogged: {logged}");
        }
        for followed in &self.followed {
            followed.check(&log);
        }
        for rested in &self.rested {
            rested.check(&log);
        }
        for held in &self.held {
            held.check(&log);
        }
    }

    /// What came, in words.
    pub(crate) fn summary(&self) -> String {
        let tally: Vec<String> = self.tally.iter().map(|(what, count)| format!("{what} {count}")).collect();
        let missed: u64 = self.followed.iter().flat_map(|it| &it.missed).map(|(_, _, count)| count).sum();
        format!(
            "{} readings to {} subscriptions and {} settlings, {} leases given back, missed {missed}; {}",
            self.readings.len(),
            self.followed.len(),
            self.rested.len(),
            self.held.len(),
            tally.join(", ")
        )
    }
}

impl Followed {
    /// The last that it knows of, seen or missed.
    pub(crate) fn last(&self) -> Option<u64> {
        let missed = self.missed.last().map(|(_, last, _)| *last);
        self.seen.last().copied().max(missed).max(self.after)
    }

    /// Whatever the meter's log has of the stretch was seen once, or is known to be missing.
    fn check(&self, log: &BTreeMap<u64, &Value>) {
        let Self { who, meter, .. } = self;
        let of_meter = |from: u64, to: u64| {
            log.range(from..=to).filter(|(_, reading)| reading["meter"] == **meter).map(|(number, _)| *number)
        };
        for &(first, last, count) in &self.missed {
            let there = of_meter(first, last).count() as u64;
            assert_eq!(there, count, "{who}: missed {first} to {last} of {meter}");
        }
        let first_missed = self.missed.first().map(|(first, _, _)| *first);
        let first = self
            .after
            .map(|after| after + 1)
            .or_else(|| self.seen.first().copied().min(first_missed).or(first_missed));
        let (Some(first), Some(last)) = (first, self.last()) else { return };
        if last < first {
            return;
        }
        if let Some(every_s) = self.every_s {
            return self.check_thinned(log, every_s);
        }
        let is_missed = |number: u64| self.missed.iter().any(|(from, to, _)| (*from..=*to).contains(&number));
        let expected: Vec<u64> = of_meter(first, last).filter(|number| !is_missed(*number)).collect();
        assert!(
            self.seen == expected,
            "{who}: {meter} from {first} to {last}: {:?}, not {expected:?}",
            self.seen
        );
    }

    /// What was seen is of the meter, and not more often than was asked for.
    fn check_thinned(&self, log: &BTreeMap<u64, &Value>, every_s: f64) {
        let times: Vec<f64> = self.seen.iter().map(|number| log[number]["t_s"].as_f64().unwrap()).collect();
        let (Some(first), Some(last)) = (times.first(), times.last()) else { return };
        let most = (last - first) / every_s + 2.0;
        assert!(times.len() as f64 <= most, "{}: {} readings in {} s", self.who, times.len(), last - first);
    }
}

impl Held {
    /// While somebody had the meter, nobody else's exposure began.
    fn check(&self, log: &BTreeMap<u64, &Value>) {
        for (number, reading) in log.iter().filter(|(_, reading)| reading["meter"] == "spare") {
            let began_s = reading["began_s"].as_f64().unwrap();
            let foreign = (self.from_s..self.to_s).contains(&began_s) && !self.given.contains(number);
            assert!(!foreign, "{self:?}: not for its holder: {reading}");
        }
    }
}

impl Rested {
    fn check(&self, log: &BTreeMap<u64, &Value>) {
        let of_meter: Vec<_> = log
            .range(self.first..=self.last)
            .filter(|(_, reading)| reading["meter"] == *self.meter)
            .collect();
        let first = of_meter.first().unwrap_or_else(|| panic!("not in the log: {self:?}"));
        let last = of_meter.last().unwrap();
        assert!((*first.0, *last.0) == (self.first, self.last), "{self:?}: of {first:?} to {last:?}");
        assert!(
            first.1["began_s"].as_f64().unwrap() >= self.asked_s,
            "light from before: {self:?}: {first:?}"
        );
        let fits = |reading: &Value| self.integration_s.is_none_or(|asked| reading["integration_s"] == asked);
        let fitting = of_meter.iter().filter(|(_, reading)| fits(reading)).count() as u64;
        assert!(fitting >= self.count, "{self:?}: {fitting} fit");
        assert!(fits(first.1) && fits(last.1), "{self:?}");
    }
}
