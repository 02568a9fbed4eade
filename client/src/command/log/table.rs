//! Readings as CSV: a header, then a row for each. For a spreadsheet, and `settle assess` reads it too.

use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Reading;

/// Columns carry their unit. X, Y and Z are in the unit of the column after them: Y is the luminance, or the illuminance.
const HEADER: [&str; 18] = [
    "sequence",
    "meter",
    "at",
    "t_s",
    "began_s",
    "boot",
    "integration_s",
    "X",
    "Y",
    "Z",
    "unit",
    "chromaticity_x",
    "chromaticity_y",
    "u_prime",
    "v_prime",
    "temperature_c",
    "correction",
    "flags",
];

/// The first line.
pub(super) fn header() -> std::io::Result<Vec<u8>> {
    lines([HEADER.map(str::to_owned)])
}

/// A line for each reading.
pub(super) fn rows(readings: &[Reading]) -> std::io::Result<Vec<u8>> {
    lines(readings.iter().map(row))
}

fn lines(rows: impl IntoIterator<Item = [String; HEADER.len()]>) -> std::io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.write_record(row)?;
    }
    writer.into_inner().map_err(csv::IntoInnerError::into_error)
}

/// What isn't known is an empty field.
fn row(reading: &Reading) -> [String; HEADER.len()] {
    let number = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
    let (xyz, colour) = (reading.light.xyz(), reading.light.chromaticity());
    let flags: Vec<&str> = reading.flags.iter().map(|flag| flag.name()).collect();
    [
        reading.sequence.to_string(),
        reading.meter.clone(),
        reading.at.to_string(),
        reading.t_s.to_string(),
        reading.began_s.to_string(),
        reading.boot.clone(),
        number(reading.integration_s),
        number(xyz.map(|xyz| xyz.x())),
        reading.light.value().to_string(),
        number(xyz.map(|xyz| xyz.z())),
        unit(reading.light.photometric()).to_owned(),
        number(colour.map(|colour| colour.x())),
        number(colour.map(|colour| colour.y())),
        number(colour.map(|colour| colour.u_prime())),
        number(colour.map(|colour| colour.v_prime())),
        number(reading.temperature_c),
        reading.correction.clone().unwrap_or_default(),
        flags.join(" "),
    ]
}

/// In letters that every spreadsheet reads.
fn unit(photometric: Photometric) -> &'static str {
    match photometric {
        Photometric::Luminance => "cd/m2",
        Photometric::Illuminance => "lx",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_known_is_an_empty_field() {
        let reading = r#"{"sequence":3,"meter":"m","at":"2026-11-25T18:00:00Z","t_s":1.5,"began_s":0.25,"boot":"b",
            "illuminance_lx":120.5,"flags":["simulated","shared"]}"#;
        let rows = rows(&[serde_json::from_str(reading).unwrap()]).unwrap();
        assert_eq!(
            String::from_utf8(rows).unwrap(),
            "3,m,2026-11-25T18:00:00.000000000Z,1.5,0.25,b,,,120.5,,lx,,,,,,simulated shared\n"
        );
    }
}
