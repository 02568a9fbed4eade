//! Finding a device by a name that stays the same: the number in `iio:device0` is that of whoever came first.

use std::fs;
use std::path::{Path, PathBuf};

use super::attribute::{Folder, fault, is_missing};
use crate::fault::{Fault, FaultKind};

/// Devices that are looked at: a machine has a handful of sensors.
const MOST: usize = 1024;

/// A device that is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Device {
    /// Its folder, by its real path.
    pub(super) folder: Folder,
    /// The name of its node, such as `iio:device0`.
    pub(super) node: String,
    /// What its maker's driver calls it.
    pub(super) name: Option<String>,
    /// What this machine calls it (kernel 5.8).
    label: Option<String>,
    /// Its serial number (kernel 6.1).
    pub(super) serial: Option<String>,
}

impl Device {
    fn at(link: &Path) -> Option<Self> {
        let node = link.file_name()?.to_str()?.to_owned();
        let folder = Folder(link.canonicalize().ok()?);
        let told = |attribute: &str| folder.optional_text(attribute);
        Some(Self { node, name: told("name"), label: told("label"), serial: told("serialnumber"), folder })
    }

    /// Where it is attached, below `/sys`: this stays the same as long as it isn't attached elsewhere.
    fn place<'a>(&'a self, sysfs: &Path) -> Option<&'a Path> {
        self.folder.0.strip_prefix(sysfs).ok()?.parent()
    }

    /// Whether `wanted` means it: a name, or the path of where it is attached, or its own.
    fn is(&self, wanted: &str, sysfs: &Path) -> bool {
        if !wanted.contains('/') {
            return [&self.name, &self.label, &self.serial].into_iter().flatten().any(|told| told == wanted);
        }
        let wanted = Path::new(wanted);
        let below = [sysfs, Path::new("/sys"), Path::new("/")];
        let wanted = below.iter().find_map(|root| wanted.strip_prefix(root).ok()).unwrap_or(wanted);
        let place = self.place(sysfs);
        place == Some(wanted) || place.map(|place| place.join(&self.node)).as_deref() == Some(wanted)
    }

    fn in_words(&self, sysfs: &Path) -> String {
        let name = self.name.as_deref().unwrap_or("without a name");
        let place = self.place(sysfs).unwrap_or(&self.folder.0);
        format!("{name} at /{}", place.display())
    }
}

/// The folder that lists every device.
fn bus(sysfs: &Path) -> PathBuf {
    sysfs.join("bus/iio/devices")
}

/// Every device that is there, in order of their paths.
fn all(sysfs: &Path) -> Result<Vec<Device>, Fault> {
    let bus = bus(sysfs);
    if is_missing(&bus) {
        return Ok(Vec::new());
    }
    let doing = || format!("listing {}", bus.display());
    let entries = fs::read_dir(&bus).map_err(|error| fault(doing(), error))?;
    let devices = entries.take(MOST).filter_map(Result::ok);
    let devices = devices.filter(|entry| entry.file_name().to_string_lossy().starts_with("iio:device"));
    let mut devices: Vec<Device> = devices.filter_map(|entry| Device::at(&entry.path())).collect();
    devices.sort_by(|a, b| a.folder.0.cmp(&b.folder.0));
    Ok(devices)
}

/// The names of triggers that there are.
pub(super) fn triggers(sysfs: &Path) -> Vec<String> {
    let Ok(entries) = fs::read_dir(bus(sysfs)) else { return Vec::new() };
    let triggers = entries.take(MOST).filter_map(Result::ok);
    let triggers = triggers.filter(|entry| entry.file_name().to_string_lossy().starts_with("trigger"));
    let mut names: Vec<String> =
        triggers.filter_map(|entry| Folder(entry.path()).optional_text("name")).collect();
    names.sort();
    names
}

/// The one device that `wanted` means.
///
/// # Errors
/// `Gone` if there is none; `Refused` if there are several; `Denied` if devices can't be listed.
pub(super) fn find(sysfs: &Path, wanted: &str) -> Result<Device, Fault> {
    let devices = all(&sysfs.canonicalize().unwrap_or_else(|_| sysfs.to_owned()))?;
    let root = sysfs.canonicalize().unwrap_or_else(|_| sysfs.to_owned());
    let (meant, others): (Vec<Device>, Vec<Device>) =
        devices.into_iter().partition(|device| device.is(wanted, &root));
    let listed = |devices: &[Device]| {
        let words: Vec<String> = devices.iter().map(|device| device.in_words(&root)).collect();
        words.join(", ")
    };
    match <[Device; 1]>::try_from(meant) {
        Ok([device]) => Ok(device),
        Err(none) if none.is_empty() => {
            let there = if others.is_empty() { "none at all".to_owned() } else { listed(&others) };
            Err(Fault::new(
                FaultKind::Gone,
                format!("no light sensor is called {wanted:?}; there is {there}"),
            ))
        }
        Err(several) => {
            let there = listed(&several);
            let detail =
                format!("{wanted:?} is any of {there}: name one by its path, with `device = \"/devices/…\"`");
            Err(Fault::new(FaultKind::Refused, detail))
        }
    }
}

/// What kept the device that `wanted` means from being looked at: that it isn't there, if it isn't, whatever became of the question.
pub(super) fn or_missing(fault: Fault, sysfs: &Path, wanted: &str) -> Fault {
    match find(sysfs, wanted) {
        Err(missing) if missing.kind() == FaultKind::Gone => missing,
        _ => fault,
    }
}

/// Whether the device that `wanted` means is there, alone or not.
pub(super) fn is_there(sysfs: &Path, wanted: &str) -> bool {
    !matches!(find(sysfs, wanted), Err(fault) if fault.kind() == FaultKind::Gone)
}
