//! What a stretch of the log comes to: one pass through its rows, in the order of their sequence, in bounded memory.
//!
//! What thinning has left of older readings goes in at its place. Two looks before it, at the first and the last rows, tell how far
//! readings usually are apart, and which quantity and observer the figures are of.

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row, Rows, ToSql};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::quantity::{Photometric, Xyz};
use settled_protocol::statistics::{StatisticsParams, Stretch};
use settled_protocol::time::Timestamp;

use super::Log;
use super::query::unsigned;
use super::sums::FlagReader;
use crate::drift::axis::Axis;
use crate::drift::bins;
use crate::drift::moments::Moments;
use crate::drift::night::{Left, Night, Taken};

mod summed;
mod whose;

use summed::Summed;
use whose::{meter, nothing, through};

/// Rows at either end that tell how far readings usually are apart.
const LOOKED_AT: usize = 2048;

/// The shortest and the longest bin of the Allan deviation, in s; and its length where a single reading doesn't tell.
const SHORTEST_S: f64 = 0.001;
const LONGEST_S: f64 = 31_557_600.0;
const USUAL_S: f64 = 1.0;

/// A silence so many times the usual time between two readings is a gap.
const SILENT: f64 = 5.0;

/// Columns of readings, and of what thinning has left of them, as far as both have them; then what only one has.
const SHARED: &str = "t.boot, t.t_s, t.at_ns, t.illuminance, t.observer, t.correction, t.flags, t.coloured, t.x, t.z, t.temperature_c";
const OF_READINGS: &str = "t.sequence, t.value";
const OF_BINS: &str =
    "t.first, t.mean, t.last, t.count, t.min, t.max, t.squares, t.y, t.temperatures, t.span_ns";

/// Where the columns that only one has begin.
const OWN: usize = 11;

/// Checked params.
#[derive(Clone, Debug)]
pub(super) struct Wanted {
    meter: Option<String>,
    run: Option<i64>,
    from_ns: i64,
    to_ns: i64,
    bin_s: Option<f64>,
    /// The last reading that a run has counted, once it is over: what was exposed for it as it ended is no part of it.
    through: i64,
}

/// What keeps a stretch from being looked at, or the log from being read.
#[derive(Debug)]
pub(super) enum Failure {
    Refused(RpcError),
    Read(rusqlite::Error),
}

impl From<rusqlite::Error> for Failure {
    fn from(error: rusqlite::Error) -> Self {
        Self::Read(error)
    }
}

fn wrong(message: impl Into<String>) -> RpcError {
    RpcError::new(ErrorKind::InvalidParams, message)
}

/// Refuses a stretch that makes no sense; `name` is where it stands in the params.
pub(super) fn check(stretch: Stretch, bin_s: Option<f64>, name: &str) -> Result<Wanted, RpcError> {
    let Stretch { meter, run, since, until } = stretch;
    if meter.is_none() && run.is_none() {
        return Err(wrong(format!(
            "one of {name}.meter and {name}.run must be there: figures are of one meter's light"
        )));
    }
    if since.zip(until).is_some_and(|(since, until)| since > until) {
        return Err(wrong(format!("{name}.since must not be after {name}.until")));
    }
    if let Some(bin_s) = bin_s.filter(|bin_s| !(SHORTEST_S..=LONGEST_S).contains(bin_s)) {
        return Err(wrong(format!("{name}.bin_s must be from {SHORTEST_S} to {LONGEST_S}, not {bin_s}")));
    }
    let ns = |at: Timestamp| i64::try_from(at.unix_ns()).unwrap_or(i64::MAX);
    Ok(Wanted {
        meter,
        run: run.map(|run| i64::try_from(run).unwrap_or(i64::MAX)),
        from_ns: since.map_or(0, ns),
        to_ns: until.map_or(i64::MAX, ns),
        bin_s,
        through: i64::MAX,
    })
}

/// The stretch of the params of `log.statistics`, and the bins it asks for.
pub(super) fn stretch(params: StatisticsParams) -> (Stretch, Option<f64>) {
    let StatisticsParams { meter, run, since, until, bin_s } = params;
    (Stretch { meter, run, since, until }, bin_s)
}

impl Wanted {
    fn values(&self) -> Vec<(&'static str, &dyn ToSql)> {
        let mut values: Vec<(&'static str, &dyn ToSql)> =
            vec![(":from", &self.from_ns), (":to", &self.to_ns), (":through", &self.through)];
        values.extend(self.meter.as_ref().map(|meter| (":meter", meter as &dyn ToSql)));
        values.extend(self.run.as_ref().map(|run| (":run", run as &dyn ToSql)));
        values
    }

    /// The query for rows of a table, in an order.
    fn rows(&self, columns: &str, table: &str, order: &str) -> String {
        let (of_run, key, first) = if table == "bins" {
            ("bin_runs", "bin", "first")
        } else {
            ("run_readings", "sequence", "sequence")
        };
        let from = match self.run {
            // Joined so that the run's rows are what SQLite starts from.
            Some(_) => format!("{of_run} r CROSS JOIN {table} t ON t.{key} = r.{key} WHERE r.run = :run"),
            None => format!("{table} t WHERE TRUE"),
        };
        let meter =
            self.meter.as_ref().map_or("", |_| " AND t.meter = (SELECT id FROM meters WHERE name = :meter)");
        format!(
            "SELECT {columns} FROM {from}{meter} AND +t.at_ns >= :from AND +t.at_ns < :to AND +t.{first} <= :through{} ORDER BY {order}",
            self.place(table)
        )
    }

    /// Where the readings of a span lie: UTC may be set, so sequences rise with it only by and large, and the index of times tells
    /// the first and the last.
    fn place(&self, table: &str) -> String {
        let spans = self.from_ns > 0 || self.to_ns < i64::MAX;
        if table == "bins" || !spans || self.meter.is_none() || self.run.is_some() {
            return String::new();
        }
        let of = "FROM readings WHERE meter = (SELECT id FROM meters WHERE name = :meter) AND at_ns >= :from AND at_ns < :to";
        format!(" AND t.sequence BETWEEN (SELECT min(+sequence) {of}) AND (SELECT max(+sequence) {of})")
    }
}

/// What the ends of a stretch tell of all of it.
struct Ends {
    usual_s: Option<f64>,
    illuminance: bool,
    observer: Option<String>,
}

/// Looks at the rows at both ends; nothing where there are none.
fn ends(connection: &Connection, wanted: &Wanted) -> rusqlite::Result<Option<Ends>> {
    let key = if wanted.run.is_some() { "r.sequence" } else { "t.sequence" };
    let mut between_s = Vec::new();
    let mut last = None;
    for order in ["", " DESC"] {
        let text = wanted.rows(
            "t.boot, t.t_s, t.flags, t.illuminance, t.observer",
            "readings",
            &format!("{key}{order}"),
        );
        let mut statement = connection.prepare(&text)?;
        let mut rows = statement.query(wanted.values().as_slice())?;
        let (mut flags, mut before) = (FlagReader::default(), None);
        let mut seen = 0;
        while let Some(row) = rows.next()?.filter(|_| seen < LOOKED_AT) {
            seen += 1;
            if flags.light(row.get_ref(2)?.as_str()?).is_none() {
                continue;
            }
            let (boot, t_s): (i64, f64) = (row.get(0)?, row.get(1)?);
            between_s.extend(
                before.filter(|(b, _)| *b == boot).map(|(_, before_s): (i64, f64)| (t_s - before_s).abs()),
            );
            before = Some((boot, t_s));
            if !order.is_empty() && last.is_none() {
                last = Some((row.get(3)?, row.get(4)?));
            }
        }
    }
    if last.is_none() {
        let text = wanted.rows("t.illuminance, t.observer", "bins", "t.first DESC LIMIT 1");
        last = connection
            .query_row(&text, wanted.values().as_slice(), |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
    }
    Ok(last.map(|(illuminance, observer)| Ends {
        usual_s: bins::usual_s(&mut between_s),
        illuminance,
        observer,
    }))
}

/// One row of either table.
struct Entry {
    boot: i64,
    t_s: f64,
    at_ns: i64,
    first: i64,
    last: i64,
    span_s: f64,
    temperature_c: Option<f64>,
    uv: Option<[f64; 2]>,
    what: What,
}

enum What {
    Reading(f64),
    Left { value: Moments, coloured: u64, temperatures: u64 },
}

/// The rows of a table and the next of them, by sequence.
struct Source<'a> {
    rows: Rows<'a>,
    bins: bool,
    flags: FlagReader,
    next: Option<Entry>,
}

impl Source<'_> {
    /// Goes on to the next row that is of the right light, and tells `summed` what there was of others.
    fn go_on(&mut self, ends: &Ends, summed: &mut Summed) -> rusqlite::Result<()> {
        self.next = None;
        while let Some(row) = self.rows.next()? {
            let Some(flags) = self.flags.light(row.get_ref(6)?.as_str()?) else { continue };
            let observer = text(row, 4)?;
            if row.get::<_, bool>(3)? != ends.illuminance {
                summed.left_out.quantity += 1;
            } else if observer != ends.observer.as_deref() {
                summed.left_out.observer += 1;
            } else {
                summed.is_of(flags, text(row, 5)?);
                self.next = Some(if self.bins { left(row)? } else { reading(row)? });
                return Ok(());
            }
        }
        Ok(())
    }
}

fn text<'a>(row: &'a Row<'_>, column: usize) -> rusqlite::Result<Option<&'a str>> {
    match row.get_ref(column)? {
        ValueRef::Null => Ok(None),
        value => Ok(Some(value.as_str()?)),
    }
}

/// u′ and v′, where a colour is told.
fn chromaticity(x: Option<f64>, y: f64, z: Option<f64>) -> Option<[f64; 2]> {
    let colour = Xyz::new(x?, y, z?).ok()?.chromaticity()?;
    Some([colour.u_prime(), colour.v_prime()])
}

fn reading(row: &Row<'_>) -> rusqlite::Result<Entry> {
    let (sequence, value) = (row.get(OWN)?, row.get(OWN + 1)?);
    let coloured: bool = row.get(7)?;
    Ok(Entry {
        boot: row.get(0)?,
        t_s: row.get(1)?,
        at_ns: row.get(2)?,
        first: sequence,
        last: sequence,
        span_s: 0.0,
        temperature_c: row.get(10)?,
        uv: if coloured { chromaticity(row.get(8)?, value, row.get(9)?) } else { None },
        what: What::Reading(value),
    })
}

fn left(row: &Row<'_>) -> rusqlite::Result<Entry> {
    let y: Option<f64> = row.get(OWN + 7)?;
    let span_ns: i64 = row.get(OWN + 9)?;
    let value = Moments {
        count: unsigned(row.get(OWN + 3)?),
        mean: row.get(OWN + 1)?,
        squares: row.get(OWN + 6)?,
        min: row.get(OWN + 4)?,
        max: row.get(OWN + 5)?,
    };
    let (x, z) = (row.get(8)?, row.get(9)?);
    let (coloured, temperatures) = (unsigned(row.get(7)?), unsigned(row.get(OWN + 8)?));
    Ok(Entry {
        boot: row.get(0)?,
        t_s: row.get(1)?,
        at_ns: row.get(2)?,
        first: row.get(OWN)?,
        last: row.get(OWN + 2)?,
        span_s: std::time::Duration::from_nanos(unsigned(span_ns)).as_secs_f64(),
        temperature_c: row.get(10)?,
        uv: y.and_then(|y| chromaticity(x, y, z)),
        what: What::Left { value, coloured, temperatures },
    })
}

/// Goes through a stretch.
pub(super) fn sum_up(connection: &Connection, wanted: &Wanted) -> Result<Summed, Failure> {
    let meter = meter(connection, wanted)?;
    let wanted = &Wanted { through: through(connection, wanted)?, ..wanted.clone() };
    let Some(ends) = ends(connection, wanted)? else { return Err(nothing(connection, wanted)?) };
    let usual_s = ends.usual_s.unwrap_or(0.0);
    let bin_s = wanted.bin_s.unwrap_or_else(|| ends.usual_s.map_or(USUAL_S, bins::length_s));
    let mut summed = Summed::new(meter, ends.illuminance, ends.observer.as_deref(), bin_s);
    let texts = [
        wanted.rows(&format!("{SHARED}, {OF_BINS}"), "bins", "t.first"),
        wanted.rows(
            &format!("{SHARED}, {OF_READINGS}"),
            "readings",
            if wanted.run.is_some() { "r.sequence" } else { "t.sequence" },
        ),
    ];
    let [mut of_bins, mut of_readings] = [connection.prepare(&texts[0])?, connection.prepare(&texts[1])?];
    let source = |rows, bins| Source { rows, bins, flags: FlagReader::default(), next: None };
    let mut older = source(of_bins.query(wanted.values().as_slice())?, true);
    let mut newer = source(of_readings.query(wanted.values().as_slice())?, false);
    older.go_on(&ends, &mut summed)?;
    newer.go_on(&ends, &mut summed)?;
    loop {
        let from = match (&older.next, &newer.next) {
            (Some(bin), Some(reading)) if bin.first < reading.first => &mut older,
            (Some(_), None) => &mut older,
            (_, Some(_)) => &mut newer,
            (None, None) => break,
        };
        if let Some(entry) = from.next.take() {
            take(&mut summed, &entry, SILENT * usual_s);
        }
        from.go_on(&ends, &mut summed)?;
    }
    Ok(summed)
}

/// One row's part.
fn take(summed: &mut Summed, entry: &Entry, silent_s: f64) {
    let elapsed_s = summed.axis.elapsed_s(entry.boot, entry.t_s, unsigned(entry.at_ns));
    summed.passed(elapsed_s, entry.span_s, silent_s);
    summed.saw(unsigned(entry.first), unsigned(entry.last), unsigned(entry.at_ns));
    let (uv, temperature_c) = (entry.uv, entry.temperature_c);
    match entry.what {
        What::Reading(value) => summed.night.push(&Taken { elapsed_s, value, uv, temperature_c }),
        What::Left { value, coloured, temperatures } => {
            summed.thinned += value.count;
            let uv = uv.map(|uv| (coloured, uv));
            let temperature_c = temperature_c.map(|mean| (temperatures, mean));
            summed.night.push_left(&Left { elapsed_s, value, uv, temperature_c });
        }
    }
}

/// The observer of a name that we wrote.
fn observer(name: Option<&str>) -> Option<Observer> {
    name.and_then(Observer::named)
}

fn quantity(illuminance: bool) -> Photometric {
    if illuminance { Photometric::Illuminance } else { Photometric::Luminance }
}

#[cfg(test)]
mod tests;
