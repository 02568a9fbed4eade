//! One attribute of a device: a small file of text in sysfs.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use nix::errno::Errno;

use crate::fault::{Fault, FaultKind};

/// The longest that an attribute can be, in bytes: sysfs gives a page.
const LONGEST: u64 = 4096;

/// What an error of the kernel's means. Which error a driver of the kernel uses for what is from memory: common practice, no
/// source.
pub(super) fn fault(doing: String, error: std::io::Error) -> Fault {
    let kind = match error.raw_os_error().map(Errno::from_raw) {
        Some(Errno::ENODEV | Errno::ENXIO | Errno::ENOENT) => FaultKind::Gone,
        Some(Errno::EACCES | Errno::EPERM) => FaultKind::Denied,
        Some(Errno::EBUSY) => FaultKind::Busy,
        // The sensor didn't answer on its bus, or had nothing to say in time.
        Some(Errno::ETIMEDOUT | Errno::EAGAIN | Errno::EIO | Errno::EREMOTEIO) => FaultKind::Silent,
        // The counts don't fit: too much light.
        Some(Errno::EOVERFLOW | Errno::ERANGE) => FaultKind::AboveRange,
        _ if error.kind() == ErrorKind::NotFound => FaultKind::Gone,
        _ => FaultKind::Refused,
    };
    Fault::new(kind, doing).because(error)
}

/// The folder of one device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Folder(pub(super) PathBuf);

impl Folder {
    /// Whether the device is there.
    pub(super) fn exists(&self) -> bool {
        self.0.is_dir()
    }

    /// Whether it has the attribute.
    pub(super) fn has(&self, name: &str) -> bool {
        self.0.join(name).exists()
    }

    /// Whether the attribute can be written. Opening it changes nothing.
    pub(super) fn is_writable(&self, name: &str) -> bool {
        File::options().write(true).open(self.0.join(name)).is_ok()
    }

    /// The text of an attribute, without the line's end.
    ///
    /// # Errors
    /// What keeps it from being read; `Gone` if the device, or the attribute, isn't there; `Garbled` if it is no text.
    pub(super) fn text(&self, name: &str) -> Result<String, Fault> {
        let doing = || format!("reading {name}");
        let mut text = String::new();
        let file = File::open(self.0.join(name)).map_err(|error| fault(doing(), error))?;
        match file.take(LONGEST).read_to_string(&mut text) {
            Ok(_) => Ok(text.trim().to_owned()),
            Err(error) if error.kind() == ErrorKind::InvalidData => {
                Err(Fault::new(FaultKind::Garbled, format!("{name} is no text")))
            }
            Err(error) => Err(fault(doing(), error)),
        }
    }

    /// The same, where the attribute is there and can be read.
    pub(super) fn optional_text(&self, name: &str) -> Option<String> {
        self.text(name).ok().filter(|text| !text.is_empty())
    }

    /// The number that an attribute holds.
    ///
    /// # Errors
    /// As [`text`](Self::text); `Garbled` if it is no number.
    pub(super) fn number(&self, name: &str) -> Result<f64, Fault> {
        let text = self.text(name)?;
        number(&text).ok_or_else(|| {
            Fault::new(
                FaultKind::Garbled,
                format!("{name} is no number: {}", crate::link::line::excerpt(&text)),
            )
        })
    }

    /// Writes an attribute.
    ///
    /// # Errors
    /// What keeps it from being written.
    pub(super) fn write(&self, name: &str, text: &str) -> Result<(), Fault> {
        let written = File::options()
            .write(true)
            .truncate(true)
            .open(self.0.join(name))
            .and_then(|mut file| file.write_all(text.as_bytes()));
        written.map_err(|error| fault(format!("writing {text} to {name}"), error))
    }
}

/// A finite number as the kernel writes it.
pub(super) fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

/// A device's folder of a kind that isn't there.
pub(super) fn is_missing(path: &Path) -> bool {
    matches!(path.try_exists(), Ok(false))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kernels_errors_are_faults_that_say_what_is_true() {
        let cases = [
            (Errno::ENODEV, FaultKind::Gone),
            (Errno::ENXIO, FaultKind::Gone),
            (Errno::EACCES, FaultKind::Denied),
            (Errno::EBUSY, FaultKind::Busy),
            (Errno::EAGAIN, FaultKind::Silent),
            (Errno::EIO, FaultKind::Silent),
            (Errno::ETIMEDOUT, FaultKind::Silent),
            (Errno::EOVERFLOW, FaultKind::AboveRange),
            (Errno::EINVAL, FaultKind::Refused),
        ];
        for (errno, kind) in cases {
            let error = std::io::Error::from_raw_os_error(errno as i32);
            assert_eq!(fault("reading".to_owned(), error).kind(), kind, "{errno}");
        }
    }

    #[test]
    fn what_is_no_finite_number_is_none() {
        assert_eq!([number("12"), number("-0.25"), number("1e-3")], [Some(12.0), Some(-0.25), Some(0.001)]);
        for text in ["", "nan", "inf", "1,5", "12 dB", "0x10"] {
            assert_eq!(number(text), None, "{text}");
        }
    }
}
