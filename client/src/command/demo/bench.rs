//! A daemon in this process, with one simulated meter, on a clock that runs faster.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use settled::Beside;
use settled::access::Door;
use settled::clock::Clock;
use settled::config::{Config, Survives};
use settled::daemon::Terms;
use settled::log::Log;
use settled::server::Bound;
use settled::stop::{self, Stopper};
use settled_drivers::driver::Registry;
use settled_drivers::fault::chain;
use settled_drivers::simulated::Stage;
use tempfile::TempDir;
use tokio::task::JoinSet;

use super::super::Failure;
use crate::connection::{Connection, OpenError};

/// The meter's id.
pub(super) const METER: &str = "rehearsal";

pub(super) struct Bench {
    socket: PathBuf,
    stage: Arc<Stage>,
    clock: Arc<Clock>,
    stopper: Stopper,
    running: JoinSet<()>,
    // Goes last: the log and the socket are in there.
    _folder: TempDir,
}

/// What the config of a daemon of one's own would say. The meter's filters are perfect, so that its readings can be held against
/// the truth: a real meter's calibration comes on top of what settling can know.
fn config(seed: u32) -> String {
    let meter = format!("[[meter]]\nid = \"{METER}\"\ndriver = \"simulated\"\nseed = {seed}\n");
    meter + "display = \"self-emitting\"\nfilter_error = 0\ndark_cd_m2 = 0\n"
}

fn failed(error: &dyn std::error::Error) -> Failure {
    Failure::Input(format!("starting the demo's daemon: {}", chain(error)))
}

impl Bench {
    pub(super) async fn start(seed: u32, speed: f64) -> Result<Self, Failure> {
        let folder = tempfile::tempdir().map_err(|error| failed(&error))?;
        let registry = Registry::built_in();
        let config =
            Config::load(Path::new("demo.toml"), &config(seed), &registry).map_err(|error| failed(&error))?;
        let stage = config.meters.first().and_then(|meter| meter.driver.stage());
        let stage = stage.ok_or_else(|| Failure::Input("the demo's meter is not simulated".to_owned()))?;
        let socket = folder.path().join("socket");
        let bound = Bound::new(&socket, Door::Owner).map_err(|error| failed(&error))?;
        let (log, _written) =
            Log::open(folder.path().join("log.sqlite"), Survives::Crash).map_err(|error| failed(&error))?;
        let clock = Arc::new(Clock::simulated(speed));
        let (stopper, stop) = stop::pair();
        let mut running = JoinSet::new();
        let of_daemon = Arc::clone(&clock);
        running.spawn(async move {
            settled::run(
                config.meters,
                &bound.listener,
                of_daemon,
                log,
                Terms::default(),
                Beside::default(),
                stop,
            )
            .await
        });
        Ok(Self { socket, stage, clock, stopper, running, _folder: folder })
    }

    pub(super) async fn connect(&self) -> Result<Connection, OpenError> {
        Connection::open(&self.socket).await
    }

    /// The luminance that an ideal meter would see.
    pub(super) fn truth(&self, t_s: f64) -> Option<f64> {
        self.stage.truth(t_s).ok().map(settled_protocol::quantity::Xyz::y)
    }

    pub(super) fn set_speed(&self, speed: f64) {
        self.clock.set_speed(speed);
    }

    pub(super) async fn stop(mut self) {
        self.stopper.stop();
        while self.running.join_next().await.is_some() {}
    }
}
