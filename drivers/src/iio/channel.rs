//! One channel of a device, such as `in_illuminance` or `in_intensity_red`, and its value.
//!
//! The kernel gives either what is processed already, `<channel>_input`, or `<channel>_raw`, and then the value is
//! (raw + offset) × scale (Documentation/ABI/testing/sysfs-bus-iio). Scale and offset may belong to the channel, to all of its type
//! (`in_intensity_scale`), or to the whole device; what isn't there is 1 and 0. (That order is from memory.)

use super::attribute::Folder;
use crate::fault::{Fault, FaultKind};

/// A channel by its name in sysfs, without the last part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Channel(String);

impl Channel {
    /// A channel of that name; nothing if it can't be one.
    pub(super) fn new(name: &str) -> Option<Self> {
        let name = name.strip_suffix("_raw").or_else(|| name.strip_suffix("_input")).unwrap_or(name);
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        let kind = name.strip_prefix("in_")?;
        (kind.starts_with(|c: char| c.is_ascii_lowercase()) && kind.chars().all(plain))
            .then(|| Self(name.to_owned()))
    }

    /// Its name.
    pub(super) fn name(&self) -> &str {
        &self.0
    }

    /// All of its type: `in_intensity` of `in_intensity0_red`.
    fn kind(&self) -> &str {
        let kind = self.0.get(3..).unwrap_or_default();
        let end = kind.find(|c: char| !c.is_ascii_lowercase()).unwrap_or(kind.len());
        self.0.get(..3 + end).unwrap_or_default()
    }

    /// Where one of its attributes may be, the nearest first.
    pub(super) fn places(&self, attribute: &str) -> [String; 4] {
        [
            format!("{}_{attribute}", self.0),
            format!("{}_{attribute}", self.kind()),
            format!("in_{attribute}"),
            attribute.to_owned(),
        ]
    }

    /// Where one of its attributes is; nothing if nowhere.
    pub(super) fn place(&self, folder: &Folder, attribute: &str) -> Option<String> {
        self.places(attribute).into_iter().find(|name| folder.has(name))
    }

    fn number(&self, folder: &Folder, attribute: &str, usual: f64) -> Result<f64, Fault> {
        self.place(folder, attribute).map_or(Ok(usual), |name| folder.number(&name))
    }

    /// Whether the device has it, processed or raw.
    pub(super) fn is_in(&self, folder: &Folder) -> bool {
        ["_input", "_raw"].iter().any(|end| folder.has(&format!("{}{end}", self.0)))
    }

    /// Its value now, in the kernel's unit for its type: lx for illuminance, 1 for a chromaticity.
    ///
    /// # Errors
    /// What keeps it from being read; `Garbled` if it is no number.
    pub(super) fn value(&self, folder: &Folder) -> Result<f64, Fault> {
        let input = format!("{}_input", self.0);
        if folder.has(&input) {
            return folder.number(&input);
        }
        let raw = folder.number(&format!("{}_raw", self.0))?;
        self.scaled(folder, raw)
    }

    /// The value that `raw` stands for.
    ///
    /// # Errors
    /// As [`value`](Self::value).
    pub(super) fn scaled(&self, folder: &Folder, raw: f64) -> Result<f64, Fault> {
        let value = (raw + self.number(folder, "offset", 0.0)?) * self.number(folder, "scale", 1.0)?;
        if value.is_finite() {
            return Ok(value);
        }
        Err(Fault::new(FaultKind::Garbled, format!("{} is no finite number", self.0)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(name: &str) -> Channel {
        Channel::new(name).unwrap()
    }

    #[test]
    fn a_channel_is_known_by_its_name_and_no_path() {
        assert_eq!(channel("in_illuminance_raw").name(), "in_illuminance");
        assert_eq!(channel("in_intensity_red").name(), "in_intensity_red");
        for name in ["", "in_", "illuminance", "in_../name", "in_a/b", "in_0", "in_A"] {
            assert_eq!(Channel::new(name), None, "{name}");
        }
    }

    #[test]
    fn an_attribute_is_looked_for_at_the_channel_then_at_its_type_then_at_the_device() {
        let expected = ["in_intensity0_red_scale", "in_intensity_scale", "in_scale", "scale"];
        assert_eq!(channel("in_intensity0_red").places("scale"), expected);
        assert_eq!(channel("in_colortemp").places("offset")[1], "in_colortemp_offset");
        assert_eq!(channel("in_chromaticity_x").places("scale")[1], "in_chromaticity_scale");
    }

    #[test]
    fn a_value_is_raw_and_offset_times_scale_or_what_is_processed_already() {
        let folder = tempfile::tempdir().unwrap();
        let folder = Folder(folder.path().to_owned());
        std::fs::create_dir_all(&folder.0).unwrap();
        let put = |name: &str, text: &str| std::fs::write(folder.0.join(name), text).unwrap();
        let (red, lux) = (channel("in_intensity_red"), channel("in_illuminance"));
        assert!(!red.is_in(&folder));
        put("in_intensity_red_raw", "100\n");
        assert!(red.is_in(&folder));
        assert_eq!(red.value(&folder).unwrap(), 100.0);
        put("in_intensity_scale", "0.5\n");
        put("in_intensity_red_offset", "-20\n");
        assert_eq!(red.value(&folder).unwrap(), 40.0);
        put("in_intensity_red_scale", "2\n");
        assert_eq!(red.value(&folder).unwrap(), 160.0);
        put("in_illuminance_raw", "9");
        put("in_illuminance_input", "12.5\n");
        assert_eq!(lux.value(&folder).unwrap(), 12.5);
        put("in_illuminance_input", "3 dB\n");
        assert_eq!(lux.value(&folder).unwrap_err().kind(), FaultKind::Garbled);
        put("in_intensity_red_scale", "1e308");
        assert_eq!(red.value(&folder).unwrap_err().kind(), FaultKind::Garbled);
        let gone = channel("in_intensity_blue").value(&folder).unwrap_err();
        assert_eq!(gone.kind(), FaultKind::Gone);
        std::fs::remove_dir_all(&folder.0).unwrap();
    }
}
