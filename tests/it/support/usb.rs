//! A USB bus without hardware, in a umockdev testbed, as a process of its own.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// The system's Python: the only one that has the bindings that its packages install.
const PYTHON: &str = "/usr/bin/python3";

/// A bus. It goes when this is dropped; whoever uses it must have gone before.
pub(crate) struct Bus {
    child: Child,
    orders: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
    testbed: PathBuf,
}

impl Bus {
    /// A bus with nothing plugged in.
    pub(crate) fn start() -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("usb/bus.py");
        let spawned = Command::new("umockdev-wrapper")
            .arg(PYTHON)
            .arg("-B")
            .arg(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn();
        let missing =
            "umockdev is missing: install umockdev, gir1.2-umockdev-1.0 and python3-gi, or run tests/run";
        let mut child = spawned.expect(missing);
        let (orders, answers) = (child.stdin.take(), BufReader::new(child.stdout.take().unwrap()));
        let mut bus = Self { child, orders, answers, testbed: PathBuf::new() };
        bus.testbed = PathBuf::from(bus.hear());
        assert!(bus.testbed.is_dir(), "{missing}");
        bus
    }

    fn hear(&mut self) -> String {
        let mut line = String::new();
        self.answers.read_line(&mut line).unwrap();
        line.trim().to_owned()
    }

    /// Gives an order (see tests/usb/bus.py), and waits until it is in force.
    pub(crate) fn order(&mut self, order: &str) -> String {
        writeln!(self.orders.as_mut().unwrap(), "{order}").unwrap();
        let answer = self.hear();
        assert!(!answer.is_empty(), "the bus died of {order:?}");
        answer
    }

    /// Lets a program see this bus instead of the machine's devices.
    pub(crate) fn shown_to(&self, command: &mut Command) {
        command.env("LD_PRELOAD", "libumockdev-preload.so.0").env("UMOCKDEV_DIR", &self.testbed);
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        self.orders = None;
        let _gone = self.child.wait().is_ok();
    }
}
