//! Pages of bins: readings summed up as they come from the index of times, beside what thinning has left of older ones.
//!
//! A page ends at the edge of a bin, after so many bins or so many rows: the first one comes soon however long the stretch is.

use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row, ToSql};
use settled_protocol::bins::{Bin, BinsPage, BinsParams, MOST_BINS};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::quantity::{Photometric, Xyz};
use settled_protocol::time::Timestamp;

use super::query::unsigned;
use super::sums::{FlagReader, Flags, One, Sums};

/// Rows that the first page looks at before it ends, so that it is there within some hundredths of a second.
const FIRST_ROWS: u64 = 8_000;

/// Rows that a later page looks at: enough that opening the log anew doesn't count.
const LATER_ROWS: u64 = 64_000;

/// The length of a bin where none is asked for, and the shortest and the longest, in s.
const USUAL_S: f64 = 60.0;
const SHORTEST_S: f64 = 0.001;
const LONGEST_S: f64 = 31_557_600.0;

/// Columns of readings, and of what thinning has left of them.
const READINGS: &str = "t.at_ns, t.illuminance, t.observer, t.correction, t.flags, t.sequence, t.value, t.x, t.z, t.coloured, t.temperature_c";
const BINS: &str = "t.at_ns, t.illuminance, t.observer, t.correction, t.flags, t.span_ns, t.count, t.first, t.last, t.mean, t.min, t.max,
    t.squares, t.coloured, t.x, t.y, t.z, t.temperatures, t.temperature_c";

/// The columns that [`sums`] reads begin with the count.
const COUNT: usize = 6;

/// Checked params.
#[derive(Clone, Debug)]
pub(super) struct Wanted {
    meter: Option<String>,
    run: Option<i64>,
    /// From when on, and until when, in ns since 1970.
    from_ns: i64,
    to_ns: i64,
    every_ns: i64,
    limit: usize,
    /// Rows to look at.
    rows: u64,
}

#[expect(clippy::cast_possible_truncation, reason = "a year in ns is far below the largest number")]
pub(super) fn check(params: BinsParams) -> Result<Wanted, RpcError> {
    let wrong = |message: String| Err(RpcError::new(ErrorKind::InvalidParams, message));
    let BinsParams { meter, run, since, until, every_s, after, limit } = params;
    let every_s = every_s.unwrap_or(USUAL_S);
    let limit = limit.unwrap_or(MOST_BINS);
    if meter.is_none() && run.is_none() {
        return wrong(
            "one of params.meter and params.run must be there: bins are of one meter's light".to_owned(),
        );
    }
    if !(SHORTEST_S..=LONGEST_S).contains(&every_s) {
        return wrong(format!("params.every_s must be from {SHORTEST_S} to {LONGEST_S}, not {every_s}"));
    }
    if !(1..=MOST_BINS).contains(&limit) {
        return wrong(format!("params.limit must be from 1 to {MOST_BINS}, not {limit}"));
    }
    if since.zip(until).is_some_and(|(since, until)| since > until) {
        return wrong("params.since must not be after params.until".to_owned());
    }
    let ns = |at: Timestamp| i64::try_from(at.unix_ns()).unwrap_or(i64::MAX);
    let every_ns = (every_s * 1e9).round() as i64;
    let next = after.map(|after| begin(ns(after), every_ns).saturating_add(every_ns));
    Ok(Wanted {
        meter,
        run: run.map(|run| i64::try_from(run).unwrap_or(i64::MAX)),
        from_ns: since.map_or(0, ns).max(next.unwrap_or(0)),
        to_ns: until.map_or(i64::MAX, ns),
        every_ns,
        limit: limit as usize,
        rows: if after.is_some() { LATER_ROWS } else { FIRST_ROWS },
    })
}

/// The beginning of the bin that a moment lies in.
pub(super) fn begin(at_ns: i64, every_ns: i64) -> i64 {
    at_ns - at_ns.rem_euclid(every_ns)
}

/// The query for the rows of a stretch in order of time, of readings or of what is left of them.
fn statement(columns: &str, table: &str, wanted: &Wanted) -> String {
    let meter =
        if wanted.meter.is_some() { "t.meter = (SELECT id FROM meters WHERE name = :meter)" } else { "TRUE" };
    match wanted.run {
        None => format!(
            "SELECT {columns} FROM {table} t WHERE {meter} AND t.at_ns >= :from AND t.at_ns < :to ORDER BY t.at_ns"
        ),
        Some(_) => {
            let (of_run, key) =
                if table == "bins" { ("bin_runs", "bin") } else { ("run_readings", "sequence") };
            // Joined so that the run's rows are what SQLite starts from.
            format!(
                "SELECT {columns} FROM {of_run} r CROSS JOIN {table} t ON t.{key} = r.{key}
                 WHERE r.run = :run AND {meter} AND r.at_ns >= :from AND r.at_ns < :to ORDER BY r.at_ns"
            )
        }
    }
}

fn values(wanted: &Wanted) -> Vec<(&'static str, &dyn ToSql)> {
    let mut values: Vec<(&'static str, &dyn ToSql)> =
        vec![(":from", &wanted.from_ns), (":to", &wanted.to_ns)];
    values.extend(wanted.meter.as_ref().map(|meter| (":meter", meter as &dyn ToSql)));
    values.extend(wanted.run.as_ref().map(|run| (":run", run as &dyn ToSql)));
    values
}

/// What readings must share to be summed up together.
#[derive(Clone, Copy)]
struct Lot<'a> {
    at_ns: i64,
    illuminance: bool,
    observer: Option<&'a str>,
    correction: Option<&'a str>,
    /// The length of what thinning has left of them.
    left_ns: Option<i64>,
}

/// What a row adds.
enum Part {
    One(One),
    Many(Sums),
}

/// A page of bins.
pub(super) fn page(connection: &Connection, wanted: &Wanted) -> rusqlite::Result<BinsPage> {
    // Both queries see one state of the log: what is being thinned is neither missed nor counted twice.
    let transaction = connection.unchecked_transaction()?;
    let mut of_readings = transaction.prepare(&statement(READINGS, "readings", wanted))?;
    let mut of_bins = transaction.prepare(&statement(BINS, "bins", wanted))?;
    let values = values(wanted);
    let (mut readings, mut bins) = (of_readings.query(values.as_slice())?, of_bins.query(values.as_slice())?);
    let (mut flags, mut page) = (FlagReader::default(), Page::new(wanted));
    let (mut reading, mut bin) = (readings.next()?, bins.next()?);
    loop {
        let at = |row: Option<&Row<'_>>| row.map_or(Ok(i64::MAX), |row| row.get::<_, i64>(0));
        let (reading_ns, bin_ns) = (at(reading)?, at(bin)?);
        if reading.is_none() && bin.is_none() {
            return Ok(page.end());
        }
        if !page.goes_on(reading_ns.min(bin_ns)) {
            return Ok(page.cut());
        }
        let (row, is_bin) =
            if bin_ns <= reading_ns && bin.is_some() { (bin, true) } else { (reading, false) };
        if let Some(row) = row
            && let Some(flags) = flags.light(text(row, 4)?.unwrap_or_default())
        {
            let left_ns = if is_bin { Some(row.get(5)?) } else { None };
            let part =
                if is_bin { Part::Many(sums(row, COUNT, flags)?) } else { Part::One(one(row, flags)?) };
            let at_ns = reading_ns.min(bin_ns);
            let lot = Lot {
                at_ns,
                illuminance: row.get(1)?,
                observer: text(row, 2)?,
                correction: text(row, 3)?,
                left_ns,
            };
            page.add(lot, part);
        }
        if is_bin {
            bin = bins.next()?;
        } else {
            reading = readings.next()?;
        }
    }
}

fn text<'row>(row: &'row Row<'_>, column: usize) -> rusqlite::Result<Option<&'row str>> {
    Ok(row.get_ref(column)?.as_str_or_null()?)
}

fn one(row: &Row<'_>, flags: Flags) -> rusqlite::Result<One> {
    let xz = match (row.get_ref(7)?, row.get_ref(8)?) {
        (ValueRef::Real(x), ValueRef::Real(z)) if row.get(9)? => Some((x, z)),
        _ => None,
    };
    Ok(One { sequence: row.get(5)?, value: row.get(6)?, xz, temperature_c: row.get(10)?, flags })
}

/// The sums in a row of the table `bins`, whose columns from `first` on are the count and those that follow it in [`BINS`].
pub(super) fn sums(row: &Row<'_>, first: usize, flags: Flags) -> rusqlite::Result<Sums> {
    let mean = |column| Ok::<f64, rusqlite::Error>(row.get::<_, Option<f64>>(first + column)?.unwrap_or(0.0));
    Ok(Sums {
        count: row.get(first)?,
        first: row.get(first + 1)?,
        last: row.get(first + 2)?,
        mean: row.get(first + 3)?,
        min: row.get(first + 4)?,
        max: row.get(first + 5)?,
        squares: row.get(first + 6)?,
        coloured: row.get(first + 7)?,
        xyz: [mean(8)?, mean(9)?, mean(10)?],
        temperatures: row.get(first + 11)?,
        temperature_c: mean(12)?,
        flags,
    })
}

/// A bin that may still get more.
struct Open {
    at_ns: i64,
    span_ns: i64,
    illuminance: bool,
    observer: Option<String>,
    correction: Option<String>,
    thinned: bool,
    sums: Sums,
}

impl Open {
    fn is_for(&self, at_ns: i64, span_ns: i64, lot: Lot<'_>) -> bool {
        (self.at_ns, self.span_ns, self.illuminance) == (at_ns, span_ns, lot.illuminance)
            && (self.observer.as_deref(), self.correction.as_deref()) == (lot.observer, lot.correction)
    }
}

/// The page that is being made.
struct Page<'a> {
    wanted: &'a Wanted,
    looked_at: u64,
    /// The beginning of the span that rows come from at present.
    begin_ns: Option<i64>,
    open: Vec<Open>,
    done: Vec<Bin>,
    /// The beginning of the last span that is on the page.
    told_ns: Option<i64>,
}

impl<'a> Page<'a> {
    fn new(wanted: &'a Wanted) -> Self {
        Self { wanted, looked_at: 0, begin_ns: None, open: Vec::new(), done: Vec::new(), told_ns: None }
    }

    /// Whether a row of this time has room.
    fn goes_on(&mut self, at_ns: i64) -> bool {
        let begin_ns = begin(at_ns, self.wanted.every_ns);
        if self.begin_ns != Some(begin_ns) {
            if !self.close() || self.done.len() >= self.wanted.limit || self.looked_at >= self.wanted.rows {
                return false;
            }
            self.begin_ns = Some(begin_ns);
        }
        self.looked_at += 1;
        true
    }

    fn add(&mut self, lot: Lot<'_>, part: Part) {
        // What thinning has left may be longer than what is wanted: it stays as it is.
        let longer = lot.left_ns.filter(|left_ns| *left_ns > self.wanted.every_ns);
        let span_ns = longer.unwrap_or(self.wanted.every_ns);
        let at_ns = if longer.is_some() { lot.at_ns } else { begin(lot.at_ns, span_ns) };
        match (self.open.iter_mut().find(|open| open.is_for(at_ns, span_ns, lot)), part) {
            (Some(open), Part::One(one)) => open.sums.push(&one),
            (Some(open), Part::Many(sums)) => {
                open.thinned = true;
                open.sums.add(&sums);
            }
            (None, part) => {
                let (thinned, sums) = match part {
                    Part::One(one) => (false, one.into()),
                    Part::Many(sums) => (true, sums),
                };
                let (observer, correction) =
                    (lot.observer.map(str::to_owned), lot.correction.map(str::to_owned));
                let illuminance = lot.illuminance;
                self.open.push(Open { at_ns, span_ns, illuminance, observer, correction, thinned, sums });
            }
        }
    }

    /// Puts what is open on the page, if it has room for it: the first always has.
    fn close(&mut self) -> bool {
        if !self.done.is_empty() && self.done.len() + self.open.len() > self.wanted.limit {
            return false;
        }
        self.open.sort_by_key(|open| (open.at_ns, open.sums.first));
        self.done.extend(self.open.drain(..).map(told));
        self.told_ns = self.begin_ns;
        true
    }

    /// The page, and that there is more.
    fn cut(self) -> BinsPage {
        let next = self.told_ns.map(|ns| Timestamp::from_unix_ns(unsigned(ns)));
        BinsPage { bins: self.done, next }
    }

    /// The page where there are no more rows.
    fn end(mut self) -> BinsPage {
        if self.close() { BinsPage { bins: self.done, next: None } } else { self.cut() }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a span is told to the ns up to a hundred days")]
fn told(open: Open) -> Bin {
    let Open { at_ns, span_ns, illuminance, observer, correction, thinned, sums } = open;
    let [x, y, z] = sums.xyz;
    let chromaticity = Xyz::new(x, y, z).ok().filter(|_| sums.coloured > 0).and_then(Xyz::chromaticity);
    Bin {
        at: Timestamp::from_unix_ns(unsigned(at_ns)),
        span_s: span_ns as f64 / 1e9,
        quantity: if illuminance { Photometric::Illuminance } else { Photometric::Luminance },
        observer: observer.as_deref().and_then(Observer::named),
        correction,
        count: unsigned(sums.count),
        first: unsigned(sums.first),
        last: unsigned(sums.last),
        mean: sums.mean,
        min: sums.min,
        max: sums.max,
        sd: sums.sd(),
        chromaticity,
        temperature_c: (sums.temperatures > 0).then_some(sums.temperature_c),
        flags: sums.flags.list(),
        thinned,
    }
}

#[cfg(test)]
mod tests;
