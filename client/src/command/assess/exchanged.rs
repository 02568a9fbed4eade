//! A record out of a set of the exchange text of CGATS.17: the fields that `settle log export` writes, or as many of them as tell a
//! time and a light.

use std::borrow::Cow;

use settled_protocol::quantity::{Photometric, Xyz};

use super::cautions::Cautions;
use super::mistake::Mistake;
use super::record::Record;
use crate::exchange::cgats::{Reader, Set};

/// The record that a line is, if it is a set and not a word about its table.
pub(super) fn record(reader: &mut Reader, line: &[u8]) -> Result<Option<Record<'static>>, Mistake> {
    let text = std::str::from_utf8(line).map_err(|_| Mistake::NotText)?;
    let set = reader.line(text).map_err(Mistake::Exchange)?;
    set.map(|set| taken(&set).map_err(Mistake::Exchange)).transpose()
}

fn taken(set: &Set<'_>) -> Result<Record<'static>, String> {
    let word =
        |name: &str| set.field(name).filter(|text| !text.is_empty()).map(|text| Cow::Owned(text.to_owned()));
    let [x, y, z] = ["XYZ_X", "XYZ_Y", "XYZ_Z"].map(|name| set.number(name));
    let (x, y, z) = (x?, y?, z?);
    let light = y.or(set.number("XYY_CAPY")?);
    let colour = match (x, y, z) {
        (Some(x), Some(y), Some(z)) if set.tells_colour() => {
            Xyz::new(x, y, z).ok().and_then(Xyz::chromaticity)
        }
        _ => None,
    };
    let time = set.number("T_S")?.ok_or("a reading needs a field T_S, its time in s")?;
    Ok(Record {
        id: word("SAMPLE_NAME").unwrap_or_default(),
        boot: word("BOOT"),
        correction: word("CORRECTION"),
        observer: set.keyword("OBSERVER").map(|name| Cow::Owned(name.to_owned())),
        t_s: Some(time),
        y: Some(light.ok_or("a reading needs a field XYZ_Y or XYY_CAPY, its light")?),
        photometric: match set.keyword("LIGHT_UNIT") {
            Some("cd/m2") => Some(Photometric::Luminance),
            Some("lx") => Some(Photometric::Illuminance),
            _ => None,
        },
        uv: colour.map(|colour| [colour.u_prime(), colour.v_prime()]),
        integration_s: set.number("INTEGRATION_S")?,
        cautions: Cautions::of(set.field("FLAGS").unwrap_or_default().split_ascii_whitespace()),
        ..Record::default()
    })
}
