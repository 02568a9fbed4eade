//! The settings of a sensor: which one, and how its channels make light.

use std::path::PathBuf;

use settled_protocol::meter::Span;
use settled_protocol::quantity::{Chromaticity, Light, Photometric, Unphysical, Xyz};

use super::channel::Channel;
use crate::settings::Table;

/// The longest integration time and latency, in s.
const LONGEST_S: f64 = 600.0;
/// Rows that span a smaller squared volume than this, of unit length each, are one too few: rounding makes some 1e-16.
const SINGULAR: f64 = 1e-12;
/// Most channels that a matrix takes.
const MOST_CHANNELS: usize = 16;

/// What one sensor's table says.
#[derive(Clone, Debug)]
pub(super) struct Options {
    /// Name, label, serial number, or path.
    pub(super) device: String,
    /// `/sys`, but for tests.
    pub(super) sysfs: PathBuf,
    /// `/dev`, but for tests.
    pub(super) dev: PathBuf,
    pub(super) mapping: Mapping,
    pub(super) photometric: Photometric,
    pub(super) range: Option<Span>,
    pub(super) warm_up_s: f64,
    /// The integration time to set, or to take for granted.
    pub(super) integration_s: Option<f64>,
    /// How old the light in a value may be, in s; twice the integration time if absent.
    pub(super) latency_s: Option<f64>,
    /// Frames from the kernel's buffer, and by which trigger.
    pub(super) buffer: Option<Option<String>>,
}

/// How values of channels make light.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Mapping {
    /// One channel is the amount, times a factor.
    Amount(Channel, f64),
    /// The same, with channels for the chromaticity x, y.
    Coloured(Channel, f64, [Channel; 2]),
    /// X, Y, Z are sums of the channels: a row of weights each.
    Matrix(Vec<Channel>, [Vec<f64>; 3]),
}

impl Mapping {
    /// The channels, in the order in which their values are expected.
    pub(super) fn channels(&self) -> Vec<Channel> {
        match self {
            Self::Amount(amount, _) => vec![amount.clone()],
            Self::Coloured(amount, _, [x, y]) => vec![amount.clone(), x.clone(), y.clone()],
            Self::Matrix(channels, _) => channels.clone(),
        }
    }

    /// Whether it makes a colour.
    pub(super) fn has_colour(&self) -> bool {
        !matches!(self, Self::Amount(..))
    }

    /// The light that the channels' values make. A chromaticity that makes no sense (0, 0 where it is too dark) leaves the amount alone.
    pub(super) fn light(&self, photometric: Photometric, values: &[f64]) -> Result<Light, Unphysical> {
        match (self, values) {
            (Self::Coloured(_, factor, _), &[amount, x, y]) => {
                let colour = Chromaticity::from_xy(x, y);
                match colour.and_then(|colour| Xyz::from_chromaticity(colour, amount * factor)) {
                    Ok(xyz) => Ok(Light::colour(photometric, xyz)),
                    Err(_) => Light::amount(photometric, amount * factor),
                }
            }
            (Self::Matrix(_, rows), values) => {
                let [x, y, z] = rows.each_ref().map(|row| row.iter().zip(values).map(|(a, b)| a * b).sum());
                Xyz::new(x, y, z).map(|xyz| Light::colour(photometric, xyz))
            }
            (Self::Amount(_, factor) | Self::Coloured(_, factor, _), values) => {
                Light::amount(photometric, values.first().copied().unwrap_or(f64::NAN) * factor)
            }
        }
    }
}

/// Reads all of it.
pub(super) fn read(table: &mut Table<'_>) -> Option<Options> {
    let device = table.text("device");
    let device = table.required("device", device);
    let mapping = mapping(table);
    let units = [("lx", Photometric::Illuminance), ("cd/m2", Photometric::Luminance)];
    let photometric = table.choice("unit", &units).unwrap_or(Photometric::Illuminance);
    let range = table.numbers::<2>("range", 0.0, 1e9).map(|[min, max]| Span { min, max });
    let path = |text: Option<String>, usual: &str| PathBuf::from(text.unwrap_or_else(|| usual.to_owned()));
    let (buffer, trigger) = (table.flag("buffer").unwrap_or(false), table.text("trigger"));
    if trigger.is_some() && !buffer {
        table.complain("trigger", "only goes with buffer = true");
    }
    let options = Options {
        device: device.unwrap_or_default(),
        sysfs: path(table.text("sysfs"), "/sys"),
        dev: path(table.text("dev"), "/dev"),
        mapping: mapping?,
        photometric,
        range,
        warm_up_s: table.duration_s("warm_up", 0.0, 86_400.0).unwrap_or(0.0),
        integration_s: table.duration_s("integration", 1e-6, LONGEST_S),
        latency_s: table.duration_s("latency", 0.0, LONGEST_S),
        buffer: buffer.then_some(trigger),
    };
    if options.range.is_some_and(|Span { min, max }| min >= max) {
        table.complain("range", "must be two numbers, the smaller one first");
        return None;
    }
    (!options.device.is_empty()).then_some(options)
}

fn mapping(table: &mut Table<'_>) -> Option<Mapping> {
    let (amount, factor) = (channels(table, "illuminance", 1..=1), table.number("factor", 1e-9, 1e9));
    let colour = channels(table, "chromaticity", 2..=2);
    let from = channels(table, "xyz_from", 1..=MOST_CHANNELS);
    let columns = from.as_ref().map_or(3, Vec::len);
    let rows = table.rows::<3>("matrix", columns, -1e9, 1e9);
    // The rest of the settings' mistakes are to be reported too, so keys are looked at whatever else there is.
    let told = ["illuminance", "factor", "chromaticity", "xyz_from", "matrix"].map(|key| table.has(key));
    match told {
        [true, _, has_colour, false, false] => {
            let amount = amount?.pop()?;
            let factor = factor.unwrap_or(1.0);
            if !has_colour {
                return Some(Mapping::Amount(amount, factor));
            }
            let colour = <[Channel; 2]>::try_from(colour?).ok()?;
            Some(Mapping::Coloured(amount, factor, colour))
        }
        [false, false, false, true, true] => {
            let (from, rows) = (from?, rows?);
            if is_singular(&rows) {
                table.complain(
                    "matrix",
                    "is singular: one of its rows follows from the others, so no colours could be told apart",
                );
                return None;
            }
            Some(Mapping::Matrix(from, rows))
        }
        [false, _, _, false, _] => {
            table.complain(
                "illuminance",
                "is missing: name a channel, such as \"in_illuminance\", or give xyz_from and matrix",
            );
            None
        }
        [false, false, false, true, false] => {
            table.complain(
                "matrix",
                format!("is missing: three rows of {columns} numbers, from xyz_from to X, Y and Z"),
            );
            None
        }
        _ => {
            table.complain("xyz_from", "goes with matrix, and with no illuminance, factor or chromaticity");
            None
        }
    }
}

/// Whether one of X, Y and Z follows from the others, whatever the channels say: the determinant of the rows' products, each row scaled to a
/// length of 1, is that of the squared volume that they span. With fewer than three channels there is never more than that to be had.
fn is_singular(rows: &[Vec<f64>; 3]) -> bool {
    if rows[0].len() < 3 {
        return rows.iter().flatten().all(|weight| *weight == 0.0);
    }
    let unit = rows.each_ref().map(|row| {
        let length = row.iter().map(|weight| weight * weight).sum::<f64>().sqrt();
        row.iter().map(|weight| weight / length).collect::<Vec<f64>>()
    });
    let product = |a: usize, b: usize| unit[a].iter().zip(&unit[b]).map(|(a, b)| a * b).sum::<f64>();
    let (xy, yz, zx) = (product(0, 1), product(1, 2), product(2, 0));
    // NaN where a row is all zeros.
    let squared = 1.0 + 2.0 * xy * yz * zx - xy * xy - yz * yz - zx * zx;
    squared.is_nan() || squared < SINGULAR
}

/// So many channels, by their names.
fn channels(
    table: &mut Table<'_>,
    key: &str,
    count: std::ops::RangeInclusive<usize>,
) -> Option<Vec<Channel>> {
    let names = table.texts(key)?;
    if !count.contains(&names.len()) {
        let expected = if count.start() == count.end() {
            count.start().to_string()
        } else {
            format!("{} to {}", count.start(), count.end())
        };
        table.complain(key, format!("expected {expected} names of channels, found {}", names.len()));
        return None;
    }
    let mut channels = Vec::with_capacity(names.len());
    for name in &names {
        match Channel::new(name) {
            Some(channel) => channels.push(channel),
            None => {
                table.complain(key, format!("expected a channel such as \"in_illuminance\", found {name:?}"))
            }
        }
    }
    (channels.len() == names.len()).then_some(channels)
}
