//! One meter on the bus.

use std::sync::Arc;
use std::time::Duration;

use serde_json::{Map, Value};
use settled_drivers::clock::Clock as _;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::message;
use settled_protocol::meter::{Instrument, Meter, State};
use settled_protocol::method::{MeterRead, MeterSettle, Method};
use settled_protocol::reading::Reading;
use zbus::message::Header;
use zbus::{Connection, interface};

use super::calls::Calls;
use super::members::{self, Members};
use super::refusal::Refusal;
use crate::client::Client;
use crate::meter_task::MeterHandle;
use crate::request;

/// What `Read` may be asked for, besides how long the answer is waited for.
const READ: &[&str] = &["covered", "integration_s", "lease", "max_age_s", TIMEOUT, "wait_s"];

/// What `Settle` may be asked for, besides [`CRITERIA`].
const SETTLE: &[&str] = &["integration_s", "lease", TIMEOUT, "wait_s"];

/// What to call settled.
const CRITERIA: &[&str] = &[
    "chromaticity",
    "chromaticity_knee_cd_m2",
    "confidence",
    "hold_s",
    "luminance",
    "luminance_floor_cd_m2",
    "max_wait_s",
    "min_wait_s",
    "preset",
];

/// For how long the answer is waited for, in s.
const TIMEOUT: &str = "timeout_s";

/// For how long an answer is waited for usually, as D-Bus's libraries do.
const USUAL_TIMEOUT_S: f64 = 25.0;

/// The longest time that an answer may be waited for, in s: a week, as the longest wait for settled light.
const LONGEST_TIMEOUT_S: f64 = 604_800.0;

/// A meter.
#[derive(Debug)]
pub(super) struct MeterObject {
    handle: MeterHandle,
    calls: Arc<Calls>,
}

impl MeterObject {
    pub(super) fn new(handle: MeterHandle, calls: Arc<Calls>) -> Self {
        Self { handle, calls }
    }

    /// The meter as it is now.
    fn now(&self) -> Meter {
        self.handle.meter(self.calls.daemon().clock.now_s())
    }

    /// What the instrument says of itself; empty where it doesn't, or hasn't been opened.
    fn told(&self, what: impl FnOnce(Instrument) -> Option<String>) -> String {
        self.now().instrument.and_then(what).unwrap_or_default()
    }

    /// The params of a method, from what a caller asks for.
    fn params<M: Method>(&self, mut asked: Map<String, Value>) -> Result<M::Params, RpcError> {
        asked.insert("meter".to_owned(), self.handle.id().into());
        message::params::<M>(&Value::Object(asked).to_string())
    }
}

/// Takes out for how long the answer is waited for.
fn timeout(asked: &mut Map<String, Value>) -> Result<Duration, RpcError> {
    let Some(value) = asked.remove(TIMEOUT) else { return Ok(Duration::from_secs_f64(USUAL_TIMEOUT_S)) };
    match value.as_f64().filter(|timeout_s| (0.001..=LONGEST_TIMEOUT_S).contains(timeout_s)) {
        Some(timeout_s) => Ok(Duration::from_secs_f64(timeout_s)),
        None => {
            let message =
                format!("params.{TIMEOUT} must be a number from 0.001 to {LONGEST_TIMEOUT_S}, not {value}");
            Err(RpcError::new(ErrorKind::InvalidParams, message))
        }
    }
}

#[interface(name = "io.github.settled1.Meter")]
impl MeterObject {
    /// One reading, from an exposure that begins after this call. Options: integration_s, max_age_s, covered,
    /// lease, wait_s, timeout_s.
    #[zbus(out_args("reading"))]
    async fn read(
        &self,
        options: Members,
        #[zbus(header)] call: Header<'_>,
        #[zbus(connection)] connection: &Connection,
    ) -> Result<Members, Refusal> {
        let mut asked = members::asked(&options, READ)?;
        let timeout = timeout(&mut asked)?;
        let params = self.params::<MeterRead>(asked)?;
        let work = async |client: &Client| request::read(self.calls.daemon(), client, params).await;
        let logged = self.calls.carry_out(connection, &call, MeterRead::NAME, timeout, work).await?;
        Ok(members::of(&logged.reading)?)
    }

    /// Waits until the light has settled, and says how sure that is. Options: those of the criteria,
    /// integration_s, lease, wait_s, timeout_s.
    #[zbus(out_args("settled"))]
    async fn settle(
        &self,
        options: Members,
        #[zbus(header)] call: Header<'_>,
        #[zbus(connection)] connection: &Connection,
    ) -> Result<Members, Refusal> {
        let mut asked = members::asked(&options, &[SETTLE, CRITERIA].concat())?;
        let timeout = timeout(&mut asked)?;
        let criteria: Map<String, Value> =
            CRITERIA.iter().filter_map(|name| asked.remove_entry(*name)).collect();
        asked.insert("criteria".to_owned(), criteria.into());
        let params = self.params::<MeterSettle>(asked)?;
        let work = async |client: &Client| request::settle(self.calls.daemon(), client, params, |_| {}).await;
        let settled = self.calls.carry_out(connection, &call, MeterSettle::NAME, timeout, work).await?;
        Ok(members::of(&settled)?)
    }

    /// The name that the config gave it.
    #[zbus(property(emits_changed_signal = "const"))]
    fn id(&self) -> &str {
        self.handle.id()
    }

    /// The driver that speaks to it.
    #[zbus(property(emits_changed_signal = "const"))]
    fn driver(&self) -> String {
        self.now().driver
    }

    /// Whether its light is simulated.
    #[zbus(property(emits_changed_signal = "const"))]
    fn simulated(&self) -> bool {
        self.now().simulated
    }

    /// Whether its light is played back from a recording.
    #[zbus(property(emits_changed_signal = "const"))]
    fn replayed(&self) -> bool {
        self.now().replayed
    }

    /// The instrument's model; empty until it has been opened.
    #[zbus(property)]
    fn model(&self) -> String {
        self.told(|instrument| Some(instrument.model))
    }

    /// The instrument's serial number; empty where it tells none.
    #[zbus(property)]
    fn serial(&self) -> String {
        self.told(|instrument| instrument.serial)
    }

    /// The kind of instrument: colorimeter, spectrometer, photometer, illuminance_meter; empty until it has been opened.
    #[zbus(property)]
    fn kind(&self) -> String {
        self.told(|instrument| Some(members::word(&instrument.kind)))
    }

    /// How it is: ready, warming, zeroing, absent, failed. An exposure is no change of state here.
    #[zbus(property)]
    fn state(&self) -> String {
        let meter = self.now();
        let is_warming = meter.warm_up.is_some_and(|warm_up| warm_up.elapsed_s < warm_up.needed_s);
        members::word(&match meter.state {
            State::Reading if is_warming => State::Warming,
            State::Reading => State::Ready,
            state => state,
        })
    }

    /// Why it is in that state; empty where that is plain.
    #[zbus(property)]
    fn reason(&self) -> String {
        self.now().reason.unwrap_or_default()
    }

    /// Whether it must be zeroed.
    #[zbus(property)]
    fn zero_needed(&self) -> bool {
        self.now().zero.is_some_and(|zero| zero.needed)
    }

    /// The correction in force, by its id; empty without one.
    #[zbus(property)]
    fn correction(&self) -> String {
        self.now().correction.map(|correction| correction.id).unwrap_or_default()
    }

    /// Whether somebody has it for themselves.
    #[zbus(property)]
    fn leased(&self) -> bool {
        self.now().lease.is_some()
    }

    /// Who has it for themselves, what for, since when and until when: client, pid, purpose, since, expires_at; empty if nobody has.
    #[zbus(property)]
    fn lease(&self) -> Members {
        self.now().lease.and_then(|holder| members::of(&holder).ok()).unwrap_or_default()
    }

    /// Its latest reading of light, whoever asked for it, without its spectrum; empty before there is one.
    #[zbus(property)]
    fn reading(&self) -> Members {
        let latest = self.handle.latest().map(|logged| Reading { spectrum: None, ..logged.reading.clone() });
        latest.and_then(|reading| members::of(&reading).ok()).unwrap_or_default()
    }
}
