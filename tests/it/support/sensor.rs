//! A light sensor without hardware, in a umockdev testbed, as a process of its own.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// The system's Python: the only one that has the bindings that its packages install.
const PYTHON: &str = "/usr/bin/python3";

/// A machine with one light sensor, attached or not. It goes when this is dropped.
pub(crate) struct Sensor {
    child: Child,
    orders: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
    testbed: PathBuf,
}

impl Sensor {
    /// A machine without any.
    pub(crate) fn start() -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("iio/sensor.py");
        let mut command = Command::new("umockdev-wrapper");
        command.arg(PYTHON).arg("-B").arg(script).stdin(Stdio::piped()).stdout(Stdio::piped());
        let missing =
            "umockdev is missing: install umockdev, gir1.2-umockdev-1.0 and python3-gi, or run tests/run";
        let mut child = command.spawn().expect(missing);
        let (orders, answers) = (child.stdin.take(), BufReader::new(child.stdout.take().unwrap()));
        let mut sensor = Self { child, orders, answers, testbed: PathBuf::new() };
        sensor.testbed = PathBuf::from(sensor.hear());
        assert!(sensor.testbed.is_dir(), "{missing}");
        sensor
    }

    fn hear(&mut self) -> String {
        let mut line = String::new();
        self.answers.read_line(&mut line).unwrap();
        line.trim().to_owned()
    }

    /// Gives an order (see tests/iio/sensor.py), and waits until it is in force.
    pub(crate) fn order(&mut self, order: &str) -> String {
        writeln!(self.orders.as_mut().unwrap(), "{order}").unwrap();
        let answer = self.hear();
        assert!(!answer.is_empty(), "the sensor died of {order:?}");
        answer
    }

    /// Lets a program see this machine's devices instead of the real ones.
    pub(crate) fn shown_to(&self, command: &mut Command) {
        command.env("LD_PRELOAD", "libumockdev-preload.so.0").env("UMOCKDEV_DIR", &self.testbed);
    }
}

impl Drop for Sensor {
    fn drop(&mut self) {
        self.orders = None;
        let _gone = self.child.wait().is_ok();
    }
}
