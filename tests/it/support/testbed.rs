//! A machine with devices that aren't there, in a umockdev testbed, as a process of its own.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::obedient::Obedient;

/// The system's Python: the only one that has the bindings that its packages install.
const PYTHON: &str = "/usr/bin/python3";

const MISSING: &str =
    "umockdev is missing: install umockdev, gir1.2-umockdev-1.0 and python3-gi, or run tests/run";

/// The machine. It goes when this is dropped; whoever uses it must have gone before.
pub(crate) struct Testbed {
    script: Obedient,
    folder: PathBuf,
}

impl Testbed {
    /// A USB bus with nothing plugged in.
    pub(crate) fn bus() -> Self {
        Self::start("usb/bus.py")
    }

    /// A machine for one light sensor, which isn't attached yet.
    pub(crate) fn sensor() -> Self {
        Self::start("iio/sensor.py")
    }

    fn start(script: &str) -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join(script);
        let mut command = Command::new("umockdev-wrapper");
        command.arg(PYTHON).arg("-B").arg(script);
        let (script, folder) = Obedient::start(command, MISSING);
        let folder = PathBuf::from(folder);
        assert!(folder.is_dir(), "{MISSING}");
        Self { script, folder }
    }

    /// Gives an order (see the script), and waits until it is in force.
    pub(crate) fn order(&mut self, order: &str) -> String {
        self.script.order(order)
    }

    /// Lets a program see this machine's devices instead of the real ones.
    pub(crate) fn shown_to(&self, command: &mut Command) {
        command.env("LD_PRELOAD", "libumockdev-preload.so.0").env("UMOCKDEV_DIR", &self.folder);
    }
}
