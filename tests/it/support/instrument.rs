//! An instrument on a pseudo-terminal or behind a TCP port, as a process of its own.

use std::ffi::OsStr;
use std::path::Path;
use std::process::Command;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::obedient::Obedient;

/// A running instrument. It ends when this is dropped.
pub(crate) struct Instrument(Obedient);

impl Instrument {
    /// An instrument behind the symbolic link `link`.
    pub(crate) fn start(link: &Path) -> Self {
        let (instrument, ready) = Self::at(link.as_os_str());
        assert_eq!(ready, "ready");
        instrument
    }

    /// An instrument behind a TCP port, and its address.
    pub(crate) fn listen() -> (Self, String) {
        let (instrument, ready) = Self::at("tcp:127.0.0.1:0".as_ref());
        let address = ready.strip_prefix("ready ").unwrap().to_owned();
        (instrument, address)
    }

    fn at(place: &OsStr) -> (Self, String) {
        let mut command = Command::new(env!("CARGO_BIN_EXE_instrument"));
        command.arg(place);
        let (instrument, ready) = Obedient::start(command, "the instrument is missing");
        (Self(instrument), ready)
    }

    /// Stops the process where it is, or lets it go on.
    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(i32::try_from(self.0.pid()).unwrap()), signal).unwrap();
    }

    /// Gives an order, and waits until it is in force.
    pub(crate) fn order(&mut self, order: &str) -> String {
        self.0.order(order)
    }

    /// Lets the light approach `limit` from `limit + amplitude`; gives the moment this began, on the boot clock in s.
    pub(crate) fn light(&mut self, limit: f64, amplitude: f64, tau_s: f64, sigma: f64, seed: u32) -> f64 {
        let answer = self.order(&format!("light {limit} {amplitude} {tau_s} {sigma} {seed}"));
        answer.strip_prefix("since ").unwrap().parse().unwrap()
    }
}
