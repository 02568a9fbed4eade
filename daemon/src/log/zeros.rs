//! When instruments were zeroed: kept beyond the daemon's life, as one that kept its power kept its zero too.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rusqlite::{Connection, Transaction, params};
use settled_protocol::meter::Instrument;
use settled_protocol::time::Timestamp;

use super::query::unsigned;
use super::writer::{Names, name_id, signed};

/// Rows that are read at a start: far more instruments than anybody puts before a display. Older ones are forgotten.
const MOST: i64 = 4096;

/// An instrument in the place of one meter of the config, by what it says of itself.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Which {
    meter: String,
    model: String,
    /// Empty where it tells none.
    serial: String,
}

impl Which {
    /// The instrument that `meter` is now.
    #[must_use]
    pub fn new(meter: &str, instrument: &Instrument) -> Self {
        let serial = instrument.serial.clone().unwrap_or_default();
        Self { meter: meter.to_owned(), model: instrument.model.clone(), serial }
    }
}

/// When an instrument was last zeroed.
#[derive(Clone, Debug, PartialEq)]
pub struct Zero {
    /// UTC at the end of zeroing.
    pub at: Timestamp,
    /// Boot clock at the end of zeroing, in s.
    pub t_s: f64,
    /// The boot that `t_s` belongs to.
    pub boot: String,
    /// The instrument's temperature then, in °C, where a reading told.
    pub temperature_c: Option<f64>,
}

/// The last zero of every instrument, in memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Zeros(Arc<Mutex<HashMap<Which, Zero>>>);

impl Zeros {
    fn all(&self) -> MutexGuard<'_, HashMap<Which, Zero>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The last zero of an instrument, as far as it is known.
    pub(super) fn of(&self, which: &Which) -> Option<Zero> {
        self.all().get(which).cloned()
    }

    /// Takes over what others know, where nothing is known yet.
    pub(super) fn add(&self, others: &Self) {
        let others = others.all().clone();
        let mut all = self.all();
        for (which, zero) in others {
            all.entry(which).or_insert(zero);
        }
    }

    /// Takes note of one, or forgets what there was.
    pub(super) fn set(&self, which: &Which, zero: Option<Zero>) {
        let mut all = self.all();
        match zero {
            Some(zero) => drop(all.insert(which.clone(), zero)),
            None => drop(all.remove(which)),
        }
    }
}

/// Everything that the log knows.
pub(super) fn read(connection: &Connection) -> rusqlite::Result<Zeros> {
    let mut statement = connection.prepare(
        "SELECT m.name, z.model, z.serial, z.at_ns, z.t_s, b.name, z.temperature_c FROM zeros z
         JOIN meters m ON m.id = z.meter JOIN boots b ON b.id = z.boot ORDER BY z.at_ns DESC LIMIT ?1",
    )?;
    let rows = statement.query_map([MOST], |row| {
        let which = Which { meter: row.get(0)?, model: row.get(1)?, serial: row.get(2)? };
        let at = Timestamp::from_unix_ns(unsigned(row.get(3)?));
        Ok((which, Zero { at, t_s: row.get(4)?, boot: row.get(5)?, temperature_c: row.get(6)? }))
    })?;
    let all = rows.collect::<rusqlite::Result<HashMap<Which, Zero>>>()?;
    Ok(Zeros(Arc::new(Mutex::new(all))))
}

/// Writes one in place of the one before, or takes that away.
pub(super) fn write(
    transaction: &Transaction<'_>,
    which: &Which,
    zero: Option<&Zero>,
) -> rusqlite::Result<()> {
    let meter = name_id(transaction, Names::Meters, &which.meter)?;
    let Some(zero) = zero else {
        return transaction
            .prepare_cached("DELETE FROM zeros WHERE meter = ?1 AND model = ?2 AND serial = ?3")?
            .execute(params![meter, which.model, which.serial])
            .map(drop);
    };
    let boot = name_id(transaction, Names::Boots, &zero.boot)?;
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO zeros (meter, model, serial, boot, at_ns, t_s, temperature_c)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            meter,
            which.model,
            which.serial,
            boot,
            signed(zero.at.unix_ns()),
            zero.t_s,
            zero.temperature_c
        ])?;
    Ok(())
}

#[cfg(test)]
pub(super) mod tests {
    use settled_protocol::meter::Kind;

    use crate::config::Survives;
    use crate::log::Log;

    use super::*;

    pub(in crate::log) fn which(model: &str, serial: Option<&str>) -> Which {
        let instrument = Instrument {
            model: model.to_owned(),
            serial: serial.map(str::to_owned),
            kind: Kind::Photometer,
            quantities: Vec::new(),
            integration_s: None,
            range: None,
            resolution: None,
        };
        Which::new("bench", &instrument)
    }

    fn zero(t_s: f64, temperature_c: Option<f64>) -> Zero {
        let at = Timestamp::from_unix_ns(1_795_629_600_123_456_789);
        Zero { at, t_s, boot: "boot".to_owned(), temperature_c }
    }

    #[tokio::test]
    async fn the_last_zero_of_each_instrument_is_known_after_reopening() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        let (log, written) = Log::open(path.clone(), Survives::Crash).unwrap();
        let (own, other, bare) = (which("m", Some("1")), which("m", Some("2")), which("m", None));
        log.keep_zero(own.clone(), Some(zero(1.0, None))).await.await.unwrap();
        log.keep_zero(own.clone(), Some(zero(2.0, Some(31.5)))).await.await.unwrap();
        log.keep_zero(bare.clone(), Some(zero(3.0, None))).await.await.unwrap();
        assert_eq!((log.zero(&own), log.zero(&other)), (Some(zero(2.0, Some(31.5))), None));
        drop(log);
        written.wait();
        let (log, written) = Log::open(path.clone(), Survives::Crash).unwrap();
        assert_eq!((log.zero(&own), log.zero(&other)), (Some(zero(2.0, Some(31.5))), None));
        assert_eq!(log.zero(&bare), Some(zero(3.0, None)));
        log.keep_zero(own.clone(), None).await.await.unwrap();
        assert_eq!(log.zero(&own), None);
        drop(log);
        written.wait();
        let (log, _written) = Log::open(path, Survives::Crash).unwrap();
        assert_eq!((log.zero(&own), log.zero(&bare)), (None, Some(zero(3.0, None))));
    }

    #[tokio::test]
    async fn without_a_log_a_zero_is_known_as_long_as_the_daemon_lives() {
        let log = Log::off();
        // There is nothing to wait for.
        assert!(log.keep_zero(which("m", None), Some(zero(1.0, None))).await.await.is_err());
        assert_eq!(log.clone().zero(&which("m", None)), Some(zero(1.0, None)));
    }
}
