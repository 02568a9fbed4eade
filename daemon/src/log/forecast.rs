//! How large a log gets: what each kind of row takes of the file, its share of the indexes included.
//!
//! Measured on files of 100 000 rows, with pages of 4096 bytes; a test holds them. A file that has been thinned is larger than its rows:
//! its free pages are used again before it grows.

/// A reading of a meter that sees colour and tells its temperature, without its spectrum. One of an amount alone takes 92.
pub const READING_BYTES: u64 = 141;

/// A run that a reading was taken for.
pub const RUN_READING_BYTES: u64 = 51;

/// An event, besides its sentence.
pub const EVENT_BYTES: u64 = 96;

/// A bin of thinned readings.
pub const BIN_BYTES: u64 = 172;

/// Bytes of a page.
const PAGE: u64 = 4096;

/// What a page keeps for itself in its head, what a row takes besides its values and its blob's bytes, and each row's place in the page.
const PAGE_HEAD: u64 = 8;
const ROW_HEAD: u64 = 22;
const ROW_PLACE: u64 = 2;

/// A spectrum of so many values. A row that fits a page stays whole, so that of 401 values each takes a page of its own; the larger
/// have pages for what doesn't fit (sqlite.org/fileformat2.html, "B-tree Cell Format": U, P, X, M and K).
#[must_use]
pub const fn spectrum_bytes(values: u64) -> u64 {
    let payload = values * 8 + ROW_HEAD;
    let most = PAGE - 35;
    let (local, beside) = if payload <= most {
        (payload, 0)
    } else {
        let least = (PAGE - 12) * 32 / 255 - 23;
        let rest = least + (payload - least) % (PAGE - 4);
        let local = if rest <= most { rest } else { least };
        (local, (payload - local).div_ceil(PAGE - 4) * PAGE)
    };
    beside + PAGE / ((PAGE - PAGE_HEAD) / (local + ROW_PLACE))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Survives;
    use crate::log::schema;

    /// By how much a file grows with each row.
    fn grown(rows: u64, statement: &str) -> f64 {
        let folder = tempfile::tempdir().unwrap();
        let connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
        let pages = || -> i64 { connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap() };
        connection
            .execute_batch(
                "INSERT INTO meters (name) VALUES ('bench'); INSERT INTO boots (name) VALUES ('b');
                 INSERT INTO runs (meter, state, document) VALUES (1, 'done', '{}');",
            )
            .unwrap();
        let before = pages();
        let numbers =
            format!("WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {rows})");
        connection.execute_batch(&format!("PRAGMA foreign_keys = OFF; {numbers} {statement}")).unwrap();
        (pages() - before) as f64 * PAGE as f64 / rows as f64
    }

    #[test]
    fn the_file_grows_as_forecast() {
        let at = "1764000000000000000 + i * 1000000007";
        let rows = [
            (READING_BYTES, 50_000, format!(
                "INSERT INTO readings (meter, boot, at_ns, t_s, began_s, integration_s, illuminance, value, x, z, coloured, temperature_c, flags)
                 SELECT 1, 1, {at}, i + 0.3, i + 0.1, 0.2, 0, i * 0.1, i * 0.09, i * 0.11, 1, 30.1, 'simulated shared' FROM n"
            )),
            (RUN_READING_BYTES, 50_000, format!("INSERT INTO run_readings SELECT 1, i, {at} FROM n")),
            (EVENT_BYTES + 80, 20_000, format!(
                "INSERT INTO events (meter, boot, at_ns, t_s, kind, detail, run)
                 SELECT 1, 1, {at}, i + 0.3, 'exposure_failed', printf('%.80c', 'x'), 1 FROM n"
            )),
            (BIN_BYTES, 20_000, format!(
                "INSERT INTO bins (meter, illuminance, at_ns, span_ns, boot, t_s, count, first, last, mean, min, max, squares, coloured,
                    x, y, z, temperatures, temperature_c, flags)
                 SELECT 1, 0, {at}, 600000000000, 1, i + 0.3, 600, i * 600, i * 600 + 599, 1.1, 1.2, 1.3, 0.1, 600, 1.1, 1.2, 1.3, 600,
                    30.1, 'simulated shared' FROM n"
            )),
        ];
        let spectra = [36, 101, 401, 1024, 4096].map(|values: u64| {
            (
                spectrum_bytes(values),
                1000,
                format!("INSERT INTO spectra SELECT i, 380.0, 1.0, zeroblob({values} * 8) FROM n"),
            )
        });
        for (forecast, count, statement) in rows.into_iter().chain(spectra) {
            let ratio = grown(count, &statement) / forecast as f64;
            assert!((0.96..1.04).contains(&ratio), "{ratio:.3} times as much as forecast: {statement}");
        }
    }
}
