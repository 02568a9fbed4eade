//! The open sensor: one reading of its channels is one exposure.
//!
//! A sensor exposes all the time, whether anybody reads it or not: what the kernel gives may have begun up to two integration
//! times ago. So that no light from before the call counts, that long is waited before anything is read (see `latency` in IIO.md).

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::meter::{Instrument, Kind, Quantity};
use settled_protocol::quantity::Photometric;

use super::attribute::Folder;
use super::available::Available;
use super::buffer::Buffer;
use super::channel::Channel;
use super::device::{self, Device};
use super::options::{Mapping, Options};
use super::worker::Worker;
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample, Seen};

/// What a busy machine, or a slow bus, may add to each thing that is asked of the kernel.
const SLACK: Duration = Duration::from_secs(2);
/// The longest that reading one value may take where nobody knows how long it exposes, in s.
const UNKNOWN_S: f64 = 1.0;
/// Between two looks whether the device is still there. One look costs a few microseconds.
pub(super) const LOOK: Duration = Duration::from_secs(1);
/// Integration times that differ by less than this share are the same.
const SAME: f64 = 1e-3;

/// The integration time, where the kernel tells it.
#[derive(Clone, Debug)]
struct Timing {
    /// The attributes that hold it: one for all channels, or one each.
    attributes: Vec<String>,
    /// That of the exposure that goes on; until the first with another time has been read, the longer of the two.
    now_s: f64,
    /// What it was before it was opened.
    found_s: f64,
    /// What it is unless somebody asks for another.
    usual_s: f64,
    /// What it can be set to, where we may.
    available: Option<Available>,
}

/// An open sensor.
#[derive(Debug)]
pub(super) struct Open {
    options: Arc<Options>,
    worker: Arc<Worker>,
    device: Device,
    channels: Vec<Channel>,
    timing: Option<Timing>,
    buffer: Option<Buffer>,
    description: Description,
}

impl Open {
    /// Finds the sensor and makes sure that it has what it should have.
    ///
    /// # Errors
    /// `Gone`, `Busy`, `Denied`, `Refused`, or `Silent`.
    pub(super) async fn new(options: Arc<Options>, worker: Arc<Worker>) -> Result<Self, Fault> {
        let wanted = Arc::clone(&options);
        let found = worker.run(move || look(&wanted)).await;
        let (device, timing, buffer) =
            found.map_err(|fault| device::or_missing(fault, &options.sysfs, &options.device))?;
        let channels = options.mapping.channels();
        let description = describe(&options, &device, timing.as_ref());
        Ok(Self { options, worker, device, channels, timing, buffer, description })
    }

    /// The integration time for an exposure, in s, where there is one.
    fn integration_s(&self, exposure: Exposure) -> Result<Option<f64>, Fault> {
        let unsupported = |detail: String| Err(Fault::new(FaultKind::Unsupported, detail));
        let available = self.timing.as_ref().and_then(|timing| timing.available.as_ref());
        match (exposure.integration_s, available) {
            (None, _) => {
                let told = self.timing.as_ref().map(|timing| timing.usual_s);
                Ok(told.or(self.options.integration_s))
            }
            (Some(asked), Some(available)) => match available.nearest(asked) {
                Some(nearest) => Ok(Some(nearest)),
                None => {
                    let span = available.span();
                    unsupported(format!(
                        "an integration time of {asked} s is outside {} to {} s",
                        span.min, span.max
                    ))
                }
            },
            (Some(_), None) => unsupported("the sensor's integration time can't be set".to_owned()),
        }
    }

    /// How long to wait, in s, before what is read is of light from after now, at exposures of `integration_s`.
    fn wait_s(&self, integration_s: Option<f64>) -> f64 {
        let usual = || 2.0 * integration_s.unwrap_or(UNKNOWN_S);
        let latency_s = self.options.latency_s.unwrap_or_else(usual);
        // An exposure that goes on as another time is set may still be of the old length.
        let changed =
            self.timing.as_ref().filter(|timing| integration_s.is_some_and(|asked| !timing.is(asked)));
        latency_s + changed.map_or(0.0, |timing| timing.now_s)
    }

    /// The longest that reading the channels may take.
    fn reading(&self, integration_s: Option<f64>) -> Duration {
        let each = Duration::from_secs_f64(integration_s.unwrap_or(UNKNOWN_S)) + SLACK;
        each.saturating_mul(u32::try_from(self.channels.len()).unwrap_or(u32::MAX))
    }

    async fn expose(&mut self, exposure: Exposure) -> Result<Sample, Fault> {
        let integration_s = self.integration_s(exposure)?;
        let wait_s = self.wait_s(integration_s);
        let (others_s, used_s) = self.set(integration_s).await?;
        tokio::time::sleep(Duration::from_secs_f64(wait_s + others_s)).await;
        let (folder, channels, buffer) =
            (self.device.folder.clone(), self.channels.clone(), self.buffer.clone());
        let patience = self.reading(used_s);
        let values = self.worker.run(move || values(&folder, &channels, buffer.as_ref(), patience)).await?;
        let light = self.options.mapping.light(self.options.photometric, &values).map_err(|error| {
            Fault::new(FaultKind::Garbled, format!("the channels' values {values:?} are no light"))
                .because(error)
        })?;
        if let Some((timing, used_s)) = self.timing.as_mut().zip(used_s) {
            timing.now_s = used_s;
        }
        Ok(Sample { seen: Seen::Light(light), integration_s: used_s, temperature_c: None })
    }

    /// Sets the integration time, unless the kernel tells that it is so already; gives the one that the kernel then tells. Before
    /// that, the one that somebody else had set meanwhile: 0 if nobody had.
    async fn set(&mut self, integration_s: Option<f64>) -> Result<(f64, Option<f64>), Fault> {
        let (Some(timing), Some(asked_s)) = (&mut self.timing, integration_s) else {
            return Ok((0.0, integration_s));
        };
        let known = timing.is(asked_s);
        // Whoever drops this may have set it.
        timing.now_s = timing.now_s.max(asked_s);
        let (folder, attributes, sets) =
            (self.device.folder.clone(), timing.attributes.clone(), timing.available.is_some());
        let told = self.worker.run(move || {
            let found_s = longest(&folder, &attributes)?;
            let is_so = same(asked_s, found_s) || !sets;
            Ok((found_s, if is_so { found_s } else { set(&folder, &attributes, asked_s)? }))
        });
        let (found_s, used_s) = told.await?;
        Ok((if known && !same(asked_s, found_s) { found_s } else { 0.0 }, Some(used_s)))
    }
}

impl Timing {
    fn is(&self, asked_s: f64) -> bool {
        same(asked_s, self.now_s)
    }
}

/// Whether two integration times are the same.
fn same(one_s: f64, other_s: f64) -> bool {
    (one_s / other_s - 1.0).abs() < SAME
}

/// The longest integration time that the attributes hold, in s.
fn longest(folder: &Folder, attributes: &[String]) -> Result<f64, Fault> {
    let mut longest_s = 0.0;
    for name in attributes {
        longest_s = folder.number(name)?.max(longest_s);
    }
    if longest_s > 0.0 {
        return Ok(longest_s);
    }
    Err(Fault::new(FaultKind::Garbled, format!("the integration time is said to be {longest_s} s")))
}

/// Finds the device, and looks at all that it should have.
fn look(options: &Options) -> Result<(Device, Option<Timing>, Option<Buffer>), Fault> {
    let device = device::find(&options.sysfs, &options.device)?;
    let folder = &device.folder;
    let channels = options.mapping.channels();
    if let Some(missing) = channels.iter().find(|channel| !channel.is_in(folder)) {
        let name = device.name.as_deref().unwrap_or("the sensor");
        let detail = format!("{name} has no channel {}; it has {}", missing.name(), there(folder));
        return Err(Fault::new(FaultKind::Refused, detail));
    }
    let timing = timing(folder, &channels, options.integration_s)?;
    if timing.is_none() && options.integration_s.is_none() && options.latency_s.is_none() {
        let detail = "the sensor tells no integration time: say it in the config, with `integration = …`";
        return Err(Fault::new(FaultKind::Refused, detail));
    }
    let buffer = match &options.buffer {
        Some(trigger) => {
            let (node, triggers) = (options.dev.join(&device.node), device::triggers(&options.sysfs));
            Some(Buffer::new(folder, node, &channels, trigger.as_deref(), &triggers)?)
        }
        // What can't be read at all, or is used by somebody else, is told now and not at the first exposure.
        None => values(folder, &channels, None, Duration::ZERO).map(|_| None).or_else(too_much)?,
    };
    Ok((device, timing, buffer))
}

/// Light that is too bright just now is no reason not to open.
fn too_much<T>(fault: Fault) -> Result<Option<T>, Fault> {
    if fault.kind() == FaultKind::AboveRange { Ok(None) } else { Err(fault) }
}

/// The channels that a device has, in words.
fn there(folder: &Folder) -> String {
    let entries = std::fs::read_dir(&folder.0).into_iter().flatten().take(4096).filter_map(Result::ok);
    let names = entries.filter_map(|entry| entry.file_name().into_string().ok());
    let is_value =
        |name: &String| name.starts_with("in_") && (name.ends_with("_raw") || name.ends_with("_input"));
    let mut names: Vec<String> =
        names.filter(is_value).filter_map(|name| Some(Channel::new(&name)?.name().to_owned())).collect();
    names.sort();
    names.dedup();
    if names.is_empty() { "none".to_owned() } else { names.join(", ") }
}

/// The integration time and what it can be, where the kernel tells. `wanted_s` is set, if it can be.
fn timing(folder: &Folder, channels: &[Channel], wanted_s: Option<f64>) -> Result<Option<Timing>, Fault> {
    let places = channels.iter().filter_map(|channel| channel.place(folder, "integration_time"));
    let mut attributes: Vec<String> = places.collect();
    attributes.sort();
    attributes.dedup();
    let Some(first) = attributes.first() else { return Ok(None) };
    let now_s = folder.number(first)?;
    if now_s <= 0.0 {
        return Ok(None);
    }
    let listed = channels.iter().find_map(|channel| channel.place(folder, "integration_time_available"));
    let listed = listed.and_then(|name| folder.optional_text(&name)).and_then(|text| Available::parse(&text));
    let available = listed.filter(|_| attributes.iter().all(|name| folder.is_writable(name)));
    let mut timing = Timing { attributes, now_s, found_s: now_s, usual_s: now_s, available };
    if let Some(wanted_s) = wanted_s {
        let nearest = timing.available.as_ref().and_then(|available| available.nearest(wanted_s));
        let Some(nearest_s) = nearest.filter(|nearest| (nearest / wanted_s - 1.0).abs() < 0.5) else {
            let detail = format!("the sensor's integration time is {now_s} s, and {wanted_s} s can't be set");
            return if timing.is(wanted_s) {
                Ok(Some(timing))
            } else {
                Err(Fault::new(FaultKind::Refused, detail))
            };
        };
        timing.now_s = set(folder, &timing.attributes, nearest_s)?;
        timing.usual_s = timing.now_s;
    }
    Ok(Some(timing))
}

/// Sets the integration time, and reads back what it came to, in s.
fn set(folder: &Folder, attributes: &[String], asked_s: f64) -> Result<f64, Fault> {
    let mut used_s = asked_s;
    for name in attributes {
        // The kernel writes and reads millionths.
        folder.write(name, &format!("{asked_s:.6}"))?;
        used_s = folder.number(name)?;
    }
    if used_s > 0.0 {
        return Ok(used_s);
    }
    Err(Fault::new(FaultKind::Garbled, format!("the integration time came to {used_s} s")))
}

/// The channels' values: from one frame of the buffer, or one after the other.
fn values(
    folder: &Folder,
    channels: &[Channel],
    buffer: Option<&Buffer>,
    patience: Duration,
) -> Result<Vec<f64>, Fault> {
    match buffer {
        Some(buffer) => {
            let raw = buffer.frame(patience)?;
            channels.iter().zip(raw).map(|(channel, raw)| channel.scaled(folder, raw)).collect()
        }
        None => channels.iter().map(|channel| channel.value(folder)).collect(),
    }
}

fn describe(options: &Options, device: &Device, timing: Option<&Timing>) -> Description {
    let amount = match options.photometric {
        Photometric::Illuminance => Quantity::Illuminance,
        Photometric::Luminance => Quantity::Luminance,
    };
    let colour = options.mapping.has_colour();
    let kind = match (colour, options.photometric) {
        (true, _) => Kind::Colorimeter,
        (false, Photometric::Illuminance) => Kind::IlluminanceMeter,
        (false, Photometric::Luminance) => Kind::Photometer,
    };
    let settable = timing.and_then(|timing| timing.available.as_ref()).map(Available::span);
    let instrument = Instrument {
        model: device.name.clone().unwrap_or_else(|| "light sensor without a name".to_owned()),
        serial: device.serial.clone(),
        kind,
        quantities: [Some(amount), colour.then_some(Quantity::Xyz)].into_iter().flatten().collect(),
        integration_s: settable,
        range: options.range,
        resolution: settable.is_none().then(|| resolution(options, &device.folder)).flatten(),
    };
    Description { instrument, warm_up_s: options.warm_up_s, zero: None }
}

/// The smallest step of the amount, where it stays the same: that of one count.
fn resolution(options: &Options, folder: &Folder) -> Option<f64> {
    let (Mapping::Amount(channel, factor) | Mapping::Coloured(channel, factor, _)) = &options.mapping else {
        return None;
    };
    if folder.has(&format!("{}_input", channel.name())) {
        return None;
    }
    let step = folder.number(&channel.place(folder, "scale")?).ok()? * factor;
    (step > 0.0).then_some(step)
}

/// Waits until the folder is gone.
async fn gone(folder: &Path) -> Fault {
    while folder.is_dir() {
        tokio::time::sleep(LOOK).await;
    }
    unplugged()
}

impl Meter for Open {
    fn describe(&self) -> &Description {
        &self.description
    }

    fn deadline(&self, exposure: Exposure) -> Duration {
        let integration_s = self.integration_s(exposure).ok().flatten();
        Duration::from_secs_f64(self.wait_s(integration_s)) + self.reading(integration_s) + 2 * SLACK
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            let outcome = self.expose(exposure).await;
            outcome.map_err(|fault| match fault.kind() {
                // What was asked for couldn't have been done anyhow.
                FaultKind::Unsupported => fault,
                _ if !self.device.folder.exists() => unplugged(),
                // An attribute that is missing is an answer of a device that is there.
                FaultKind::Gone | FaultKind::Busy | FaultKind::Denied => while_open(fault),
                _ => fault,
            })
        })
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async { gone(&self.device.folder.0).await })
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        let (folder, buffered) = (self.device.folder.clone(), self.buffer.is_some());
        let look = move || {
            if !folder.exists() {
                return Err(unplugged());
            }
            if buffered { folder.write("buffer/enable", "0") } else { Ok(()) }
        };
        // It comes after whatever is still being asked.
        let there = self.device.folder.clone();
        Box::pin(async move {
            let looked = self.worker.run(look).await;
            looked.map_err(|fault| if there.exists() { fault } else { unplugged() })
        })
    }

    fn recovery(&self) -> Duration {
        let longest_s = self.description.instrument.integration_s.map(|span| span.max);
        let now_s = self.timing.as_ref().map(|timing| timing.now_s).or(self.options.integration_s);
        self.reading(longest_s.or(now_s)) + 2 * SLACK
    }

    fn close(self: Box<Self>) -> Boxed<'static, ()> {
        Box::pin(async move {
            let Some(timing) = self.timing.filter(|timing| timing.available.is_some()) else { return };
            // As it was found, for whoever comes next.
            let folder = self.device.folder;
            let restore = move || set(&folder, &timing.attributes, timing.found_s).map(drop);
            let _restored = self.worker.run(restore).await.is_ok();
        })
    }
}

/// That the sensor's folder went.
fn unplugged() -> Fault {
    Fault::new(
        FaultKind::Gone,
        "the sensor was unplugged, or its driver taken out of the kernel: it is no longer there",
    )
}

/// What keeps an open sensor from being read, where the device itself is there.
fn while_open(fault: Fault) -> Fault {
    Fault::new(FaultKind::Refused, "the kernel refuses").because(fault)
}
