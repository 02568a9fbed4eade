//! One recorded reading, or one word about its series: from a line of JSON or a row of CSV.

use std::io::BufRead;

use serde::Deserialize;
use settled_protocol::settling::Criteria;

/// Longest line of JSON, in bytes.
const LONGEST_LINE: u64 = 1 << 20;

/// A line of input.
#[derive(Debug, Deserialize)]
pub(super) struct Record {
    /// The series; one without a name is as good as any.
    #[serde(default, alias = "meter")]
    pub(super) id: String,
    pub(super) t_s: Option<f64>,
    #[serde(rename = "Y", alias = "luminance_cd_m2", alias = "illuminance_lx")]
    pub(super) y: Option<f64>,
    pub(super) u_prime: Option<f64>,
    pub(super) v_prime: Option<f64>,
    pub(super) integration_s: Option<f64>,
    pub(super) chromaticity: Option<Colour>,
    pub(super) criteria: Option<Criteria>,
    pub(super) resolution_cd_m2: Option<f64>,
    #[serde(default)]
    pub(super) end: bool,
}

/// A chromaticity as readings of the daemon carry it.
#[derive(Debug, Deserialize)]
pub(super) struct Colour {
    u_prime: f64,
    v_prime: f64,
}

impl Record {
    /// Time and luminance, if it is a reading.
    pub(super) fn point(&self) -> Option<(f64, f64)> {
        self.t_s.zip(self.y)
    }

    /// u′ and v′, where known.
    pub(super) fn uv(&self) -> Option<[f64; 2]> {
        let nested = self.chromaticity.as_ref().map(|colour| [colour.u_prime, colour.v_prime]);
        nested.or_else(|| self.u_prime.zip(self.v_prime).map(|(u, v)| [u, v]))
    }
}

/// The records of `input`; an error names the file, the line and what was wrong with it.
pub(super) fn records<'a>(
    input: impl BufRead + 'a,
    file: &'a str,
    is_json: bool,
) -> Box<dyn Iterator<Item = Result<Record, String>> + 'a> {
    if is_json {
        Box::new(JsonLines { input, file, line: 0 })
    } else {
        let reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(false).from_reader(input);
        Box::new(reader.into_deserialize().map(move |row| row.map_err(|error| format!("{file}: {error}"))))
    }
}

struct JsonLines<'a, R> {
    input: R,
    file: &'a str,
    line: u64,
}

impl<R: BufRead> Iterator for JsonLines<'_, R> {
    type Item = Result<Record, String>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut bytes = Vec::new();
        loop {
            bytes.clear();
            self.line += 1;
            let read = std::io::Read::take(&mut self.input, LONGEST_LINE).read_until(b'\n', &mut bytes);
            let place = || format!("{}:{}", self.file, self.line);
            match read {
                Ok(0) => return None,
                Ok(_) if bytes.iter().all(u8::is_ascii_whitespace) => {}
                Ok(_) => {
                    return Some(
                        serde_json::from_slice(&bytes).map_err(|error| format!("{}: {error}", place())),
                    );
                }
                Err(error) => return Some(Err(format!("{}: {error}", place()))),
            }
        }
    }
}
