//! Thinning: old readings give way to bins, a few rows a commit, between two groups of new ones.
//!
//! What a commit takes away it leaves in a bin, so whenever the daemon dies nothing is lost and nothing is counted twice: the
//! next one goes on where it ended. Bins hold what compares: one meter, quantity, observer, correction, boot, and the same runs.
//! A dark reading leaves nothing, as it is no light. Readings of a run that isn't over stay.

use rusqlite::{Connection, Row, Transaction, named_params, params};
use tokio::sync::oneshot;

use super::bins::{begin, sums};
use super::sums::{FlagReader, Flags, One, Sums};

/// Rows that one commit looks at: it takes some milliseconds, for which a new reading may have to wait.
const ROWS: i64 = 256;

/// What is to be thinned, and from where on.
#[derive(Clone, Copy, Debug)]
pub struct Order {
    /// Readings from before this moment, in ns since 1970.
    pub before_ns: i64,
    /// To bins of this length.
    pub span_ns: i64,
    /// None with a higher number than this.
    pub through: i64,
    /// Behind this place.
    pub place: Mark,
}

/// A place in the order in which readings are thinned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Mark {
    meter: i64,
    at_ns: i64,
    sequence: i64,
}

/// What a commit did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Thinned {
    /// Readings that are in bins now.
    pub readings: u64,
    /// Dark readings that are gone.
    pub dark: u64,
    /// Readings that stay, as a run that isn't over has them.
    pub held: u64,
    /// Bins that are new.
    pub bins: u64,
    /// Where to go on; nothing at the end.
    pub place: Option<Mark>,
}

/// Whoever waits for a commit.
pub(super) type Done = oneshot::Sender<Result<Thinned, String>>;

/// What readings must share to be in one bin.
#[derive(Clone, Debug, PartialEq)]
struct Lot {
    at_ns: i64,
    boot: i64,
    illuminance: bool,
    observer: Option<String>,
    correction: Option<String>,
    /// Their numbers in rising order, with commas between them.
    runs: Option<String>,
}

/// Readings that go into one bin.
struct Gathered {
    lot: Lot,
    sums: Sums,
    /// The mean of their times on the boot clock, and the last one.
    t_s: f64,
    last_s: f64,
}

/// A row, as far as thinning is concerned.
struct Old {
    place: Mark,
    lot: Lot,
    t_s: f64,
    /// Nothing if it is dark.
    one: Option<One>,
    held: bool,
}

/// One commit's worth.
pub(super) fn thin(connection: &mut Connection, order: &Order) -> rusqlite::Result<Thinned> {
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let mut thinned = Thinned::default();
    let rows = rows(&transaction, order)?;
    thinned.place = match rows.last() {
        Some(row) => Some(row.place),
        None => next_meter(&transaction, order.place.meter)?,
    };
    for gathered in gather(rows, order.span_ns, &transaction, &mut thinned)? {
        thinned.bins += u64::from(keep(&transaction, order, &gathered)?);
    }
    transaction.commit()?;
    Ok(thinned)
}

/// The next few rows of the order's meter, by time.
fn rows(transaction: &Transaction<'_>, order: &Order) -> rusqlite::Result<Vec<Old>> {
    let mut flags = FlagReader::default();
    transaction
        .prepare_cached(
            "SELECT t.meter, t.at_ns, t.sequence, t.t_s, t.boot, t.illuminance, t.observer, t.correction, t.flags, t.value, t.x, t.z,
                t.coloured, t.temperature_c,
                (SELECT group_concat(run) FROM (SELECT run FROM run_readings WHERE sequence = t.sequence ORDER BY run)),
                EXISTS (SELECT 1 FROM run_readings o JOIN runs u ON u.run = o.run
                    WHERE o.sequence = t.sequence AND u.state IN ('planned', 'running'))
             FROM readings t WHERE t.meter = :meter AND t.at_ns >= :at AND t.at_ns < :before AND (t.at_ns > :at OR t.sequence > :sequence)
                AND +t.sequence <= :through
             ORDER BY t.at_ns, t.sequence LIMIT :rows",
        )?
        .query_map(
            named_params! {
                ":meter": order.place.meter, ":at": order.place.at_ns, ":sequence": order.place.sequence,
                ":before": order.before_ns, ":through": order.through, ":rows": ROWS,
            },
            |row| old(row, order.span_ns, &mut flags),
        )?
        .collect()
}

fn old(row: &Row<'_>, span_ns: i64, flags: &mut FlagReader) -> rusqlite::Result<Old> {
    let place = Mark { meter: row.get(0)?, at_ns: row.get(1)?, sequence: row.get(2)? };
    let lot = Lot {
        at_ns: begin(place.at_ns, span_ns),
        boot: row.get(4)?,
        illuminance: row.get(5)?,
        observer: row.get(6)?,
        correction: row.get(7)?,
        runs: row.get(14)?,
    };
    let (x, z): (Option<f64>, Option<f64>) = (row.get(10)?, row.get(11)?);
    let coloured: bool = row.get(12)?;
    let (value, temperature_c) = (row.get(9)?, row.get(13)?);
    let flags = flags.light(row.get_ref(8)?.as_str()?);
    let xz = x.zip(z).filter(|_| coloured);
    let one = flags.map(|flags| One { sequence: place.sequence, value, xz, temperature_c, flags });
    Ok(Old { place, lot, t_s: row.get(3)?, one, held: row.get(15)? })
}

/// The place before the first row of the meter after this one.
fn next_meter(transaction: &Transaction<'_>, meter: i64) -> rusqlite::Result<Option<Mark>> {
    let next: Option<i64> =
        transaction.query_row("SELECT min(id) FROM meters WHERE id > ?1", [meter], |row| row.get(0))?;
    Ok(next.map(|meter| Mark { meter, ..Mark::default() }))
}

/// Takes the rows away that may go, and puts together what goes into one bin. They are taken by sequence: where UTC was set back,
/// rows of one span come from two stretches of the boot clock, which stay apart.
fn gather(
    mut rows: Vec<Old>,
    span_ns: i64,
    transaction: &Transaction<'_>,
    thinned: &mut Thinned,
) -> rusqlite::Result<Vec<Gathered>> {
    rows.sort_by_key(|row| row.place.sequence);
    let mut bins: Vec<Gathered> = Vec::new();
    for Old { place, lot, t_s, one, held } in rows {
        if held {
            thinned.held += 1;
            continue;
        }
        transaction
            .prepare_cached("DELETE FROM run_readings WHERE sequence = ?1")?
            .execute([place.sequence])?;
        // Its spectrum goes with it.
        transaction.prepare_cached("DELETE FROM readings WHERE sequence = ?1")?.execute([place.sequence])?;
        let Some(one) = one else {
            thinned.dark += 1;
            continue;
        };
        thinned.readings += 1;
        let near = |bin: &&mut Gathered| bin.lot == lot && near(bin.last_s, t_s, span_ns);
        match bins.iter_mut().find(near) {
            Some(bin) => {
                bin.sums.push(&one);
                bin.t_s += (t_s - bin.t_s) / count(bin.sums.count);
                bin.last_s = t_s;
            }
            None => bins.push(Gathered { lot, sums: one.into(), t_s, last_s: t_s }),
        }
    }
    Ok(bins)
}

/// Whether two times of one boot are no further apart than a bin is long.
fn near(a_s: f64, b_s: f64, span_ns: i64) -> bool {
    (a_s - b_s).abs() <= count(span_ns) / 1e9
}

#[expect(clippy::cast_precision_loss, reason = "counts and spans stay far below 2⁵³, or needn't be exact")]
fn count(number: i64) -> f64 {
    number as f64
}

/// Puts what was gathered into the bin that an earlier commit has left for the like, or into a new one. Whether it is new.
fn keep(transaction: &Transaction<'_>, order: &Order, gathered: &Gathered) -> rusqlite::Result<bool> {
    let found = transaction
        .prepare_cached(
            "SELECT t.bin, t.t_s, t.flags, t.count, t.first, t.last, t.mean, t.min, t.max, t.squares, t.coloured, t.x, t.y, t.z,
                t.temperatures, t.temperature_c
             FROM bins t WHERE t.meter = :meter AND t.at_ns = :at AND t.span_ns = :span AND t.boot = :boot
                AND t.illuminance = :illuminance AND t.observer IS :observer AND t.correction IS :correction
                AND (SELECT group_concat(run) FROM (SELECT run FROM bin_runs WHERE bin = t.bin ORDER BY run)) IS :runs",
        )?
        .query_map(
            named_params! {
                ":meter": order.place.meter, ":at": gathered.lot.at_ns, ":span": order.span_ns, ":boot": gathered.lot.boot,
                ":illuminance": gathered.lot.illuminance, ":observer": gathered.lot.observer,
                ":correction": gathered.lot.correction, ":runs": gathered.lot.runs,
            },
            |row| {
                let flags = Flags::read(row.get_ref(2)?.as_str()?);
                Ok((row.get::<_, i64>(0)?, row.get::<_, f64>(1)?, sums(row, 3, flags)?))
            },
        )?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let like = found.into_iter().find(|(_, t_s, _)| near(*t_s, gathered.t_s, order.span_ns));
    match like {
        Some((bin, t_s, mut sums)) => {
            let share = count(gathered.sums.count) / count(gathered.sums.count + sums.count);
            sums.add(&gathered.sums);
            update(transaction, bin, t_s + (gathered.t_s - t_s) * share, &sums)?;
        }
        None => insert(transaction, order, gathered)?,
    }
    Ok(like.is_none())
}

/// Means of nothing are absent.
fn means(sums: &Sums) -> ([Option<f64>; 3], Option<f64>) {
    let xyz = sums.xyz.map(|mean| (sums.coloured > 0).then_some(mean));
    (xyz, (sums.temperatures > 0).then_some(sums.temperature_c))
}

fn update(transaction: &Transaction<'_>, bin: i64, t_s: f64, sums: &Sums) -> rusqlite::Result<()> {
    let ([x, y, z], temperature_c) = means(sums);
    transaction
        .prepare_cached(
            "UPDATE bins SET t_s = ?2, count = ?3, first = ?4, last = ?5, mean = ?6, min = ?7, max = ?8, squares = ?9, coloured = ?10,
             x = ?11, y = ?12, z = ?13, temperatures = ?14, temperature_c = ?15, flags = ?16 WHERE bin = ?1",
        )?
        .execute(params![
            bin, t_s, sums.count, sums.first, sums.last, sums.mean, sums.min, sums.max, sums.squares, sums.coloured, x, y, z,
            sums.temperatures, temperature_c, sums.flags.write(),
        ])
        .map(drop)
}

fn insert(transaction: &Transaction<'_>, order: &Order, gathered: &Gathered) -> rusqlite::Result<()> {
    let Gathered { lot, sums, t_s, last_s: _ } = gathered;
    let ([x, y, z], temperature_c) = means(sums);
    transaction
        .prepare_cached(
            "INSERT INTO bins (meter, illuminance, at_ns, span_ns, boot, t_s, count, first, last, mean, min, max, squares, coloured,
             x, y, z, temperatures, temperature_c, flags, observer, correction)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22)",
        )?
        .execute(params![
            order.place.meter, lot.illuminance, lot.at_ns, order.span_ns, lot.boot, t_s, sums.count, sums.first, sums.last,
            sums.mean, sums.min, sums.max, sums.squares, sums.coloured, x, y, z, sums.temperatures, temperature_c,
            sums.flags.write(), lot.observer, lot.correction,
        ])?;
    let bin = transaction.last_insert_rowid();
    for run in lot.runs.iter().flat_map(|runs| runs.split(',')) {
        transaction
            .prepare_cached("INSERT INTO bin_runs (run, at_ns, bin) VALUES (CAST(?1 AS INTEGER), ?2, ?3)")?
            .execute(params![run, lot.at_ns, bin])?;
    }
    Ok(())
}

/// Readings that bins stand for, all together.
pub(super) fn total(connection: &Connection) -> rusqlite::Result<u64> {
    connection
        .query_row("SELECT coalesce(sum(count), 0) FROM bins", [], |row| row.get(0))
        .map(super::query::unsigned)
}

#[cfg(test)]
mod tests;
