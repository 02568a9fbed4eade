//! From a method's name to what it does.

use std::sync::Arc;

use serde::Serialize;
use serde_json::value::{RawValue, to_raw_value};
use settled_drivers::clock::Clock as _;
use settled_drivers::sample::Exposure;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::lease::{Lease, LeaseParams, USUAL_TTL_S, USUAL_WAIT_S};
use settled_protocol::message::{Call, RequestId, notification_line};
use settled_protocol::meter::Span;
use settled_protocol::method::{
    CorrectionsAdd, CorrectionsList, CorrectionsRemove, DaemonStatus, Hello, HelloParams, HelloResult,
    LogEvents, LogReadings, MeterCorrect, MeterLease, MeterRead, MeterRelease, MeterRenew, MeterSettle,
    MeterZero, MetersList, MetersListResult, Method, Nothing, PROTOCOL_VERSION, ReadParams, StageShow,
    ZeroParams, Zeroed,
};
use settled_protocol::notification::SettleProgress;

use super::outbox::{Outbox, Stream};
use crate::client::{By, Client};
use crate::daemon::{Daemon, VERSION};
use crate::meter_task::{Logged, MeterHandle, Terms};
use crate::settling;

type Answer = Result<Box<RawValue>, RpcError>;

/// The longest integration time that may be asked for, in s. Meters have their own, shorter limits.
const LONGEST_INTEGRATION_S: f64 = 3600.0;

/// The longest interval between readings, in s.
const LONGEST_INTERVAL_S: f64 = 86_400.0;

/// The shortest time that a lease may last, in s: who renews it in time needs some.
const SHORTEST_TTL_S: f64 = 1.0;

/// The longest, in s: a holder that hangs keeps everybody else waiting for no longer than this.
const LONGEST_TTL_S: f64 = 3600.0;

/// The longest that a lease is waited for, one's own or somebody else's, in s.
const LONGEST_WAIT_S: f64 = 86_400.0;

/// Where a request reports its progress: only the last report counts.
#[derive(Debug)]
pub(super) struct Progress {
    request: RequestId,
    stream: Stream,
    outbox: Arc<Outbox>,
}

impl Progress {
    pub(super) fn new(request: RequestId, stream: Stream, outbox: Arc<Outbox>) -> Self {
        Self { request, stream, outbox }
    }

    fn report(&self, report: settling::Report) {
        let settling::Report { waited_s, count, latest, waiting, value, evidence } = report;
        let request = self.request.clone();
        let progress = SettleProgress { request, waited_s, count, latest, waiting, value, evidence };
        if let Ok(line) = notification_line(&progress) {
            self.outbox.latest(&self.stream, line);
        }
    }
}

/// A result as JSON.
pub(super) fn raw(result: &impl Serialize) -> Answer {
    to_raw_value(result)
        .map_err(|error| RpcError::new(ErrorKind::Internal, format!("writing the result as JSON: {error}")))
}

/// Methods that take no time; nothing for the others.
pub(super) fn at_once(daemon: &Daemon, client: &Client, call: &Call) -> Option<Answer> {
    Some(match call.method.as_str() {
        Hello::NAME => {
            let result = call.params::<Hello>().and_then(|params| hello(daemon, client, params));
            result.and_then(|result| raw(&result))
        }
        DaemonStatus::NAME => call.params::<DaemonStatus>().and_then(|_| raw(&daemon.status())),
        CorrectionsList::NAME => {
            call.params::<CorrectionsList>().and_then(|params| raw(&daemon.corrections.page(&params)?))
        }
        MeterRenew::NAME => call.params::<MeterRenew>().and_then(|params| {
            let ttl_s = params.ttl_s.map(|ttl_s| within("ttl_s", ttl_s, SHORTEST_TTL_S, LONGEST_TTL_S));
            raw(&daemon.renew(&params.lease, ttl_s.transpose()?)?)
        }),
        MeterRelease::NAME => call.params::<MeterRelease>().and_then(|params| {
            daemon.release(&params.lease)?;
            raw(&Nothing {})
        }),
        MetersList::NAME => {
            call.params::<MetersList>().and_then(|_| raw(&MetersListResult { meters: daemon.list() }))
        }
        _ => return None,
    })
}

/// Methods that take time. Dropping the future takes the request back.
pub(super) async fn carry_out(
    daemon: Arc<Daemon>,
    client: Arc<Client>,
    call: Call,
    progress: Option<Progress>,
) -> Answer {
    match call.method.as_str() {
        MeterRead::NAME => read(&daemon, &client, call.params::<MeterRead>()?)
            .await
            .map(|logged| logged.json(true).to_owned()),
        MeterSettle::NAME => {
            let params = call.params::<MeterSettle>()?;
            let exposure = exposure(daemon.meter(&params.meter)?, params.integration_s)?;
            let report = progress.filter(|_| params.progress);
            let report = |news| {
                if let Some(progress) = &report {
                    progress.report(news);
                }
            };
            let by = waiting(&daemon, client.by(params.lease.as_deref()), params.wait_s)?;
            raw(&settling::settle(&daemon, &by, &params.meter, params.criteria, exposure, report).await?)
        }
        MeterCorrect::NAME => raw(&daemon.correct(call.params::<MeterCorrect>()?).await?),
        CorrectionsAdd::NAME => raw(&daemon.add_correction(call.params::<CorrectionsAdd>()?).await?),
        CorrectionsRemove::NAME => {
            raw(&daemon.remove_correction(&call.params::<CorrectionsRemove>()?).await?)
        }
        MeterLease::NAME if progress.is_none() => {
            let message = "a lease needs an answer, which has its token: give the request an id";
            Err(RpcError::new(ErrorKind::InvalidRequest, message))
        }
        MeterLease::NAME => raw(&lease(&daemon, &client, call.params::<MeterLease>()?).await?),
        MeterZero::NAME => raw(&zero(&daemon, &client, &call.params::<MeterZero>()?).await?),
        LogReadings::NAME => daemon.log.readings_as(call.params::<LogReadings>()?, |page| raw(&page)).await?,
        LogEvents::NAME => daemon.log.events_as(call.params::<LogEvents>()?, |page| raw(&page)).await?,
        StageShow::NAME => raw(&daemon.show(call.params::<StageShow>()?).await?),
        unknown => Err(RpcError::new(ErrorKind::MethodNotFound, format!("there is no method {unknown:?}"))),
    }
}

fn hello(daemon: &Daemon, client: &Client, params: HelloParams) -> Result<HelloResult, RpcError> {
    if let Some(spoken) = &params.protocol
        && !spoken.contains(&PROTOCOL_VERSION)
    {
        let message =
            format!("this daemon speaks version {PROTOCOL_VERSION} of the protocol, the client {spoken:?}");
        return Err(RpcError::new(ErrorKind::Unsupported, message));
    }
    if let Some(name) = params.client {
        tracing::debug!(client = name.as_str(), "hello");
        client.call_itself(name);
    }
    Ok(HelloResult {
        protocol: PROTOCOL_VERSION,
        daemon: format!("settled {VERSION}"),
        instance: daemon.instance.clone(),
        clock: daemon.clock.info(),
        limits: daemon.limits,
    })
}

async fn read(daemon: &Daemon, client: &Client, params: ReadParams) -> Result<Arc<Logged>, RpcError> {
    let meter = daemon.meter(&params.meter)?;
    let by = waiting(daemon, client.by(params.lease.as_deref()), params.wait_s)?;
    if let Some(error) = by.lease.as_deref().and_then(|token| meter.leased(Some(token))) {
        return Err(error);
    }
    let exposure = exposure(meter, params.integration_s)?;
    if params.covered {
        return if params.max_age_s.is_none() {
            meter.read_dark(&by, exposure).await
        } else {
            Err(RpcError::new(
                ErrorKind::InvalidParams,
                "params.covered asks for a new reading, params.max_age_s doesn't",
            ))
        };
    }
    if let Some(max_age_s) = params.max_age_s {
        let max_age_s = within("max_age_s", max_age_s, 0.0, LONGEST_INTERVAL_S)?;
        if let Some(error) = meter.zero_needed(daemon.clock.now_s()) {
            return Err(error);
        }
        if let Some(logged) = meter.recent(exposure, daemon.clock.now_s() - max_age_s) {
            return Ok(logged);
        }
    }
    meter.read(&by, exposure).await
}

/// What a client asks for, and how long it waits for it while somebody else has the meter.
fn waiting(daemon: &Daemon, by: By, wait_s: Option<f64>) -> Result<By, RpcError> {
    let wait_s = within("wait_s", wait_s.unwrap_or(0.0), 0.0, LONGEST_WAIT_S)?;
    Ok(if wait_s > 0.0 { by.until(daemon.clock.now_s() + wait_s) } else { by })
}

async fn lease(daemon: &Daemon, client: &Client, params: LeaseParams) -> Result<Lease, RpcError> {
    let meter = daemon.meter(&params.meter)?;
    let terms = Terms {
        ttl_s: within("ttl_s", params.ttl_s.unwrap_or(USUAL_TTL_S), SHORTEST_TTL_S, LONGEST_TTL_S)?,
        wait_s: within("wait_s", params.wait_s.unwrap_or(USUAL_WAIT_S), 0.0, LONGEST_WAIT_S)?,
        purpose: params.purpose,
    };
    let taken = meter.lease(&client.by(None), terms).await?;
    let lease = taken.lease();
    client.keep(taken);
    Ok(lease)
}

async fn zero(daemon: &Daemon, client: &Client, params: &ZeroParams) -> Result<Zeroed, RpcError> {
    let meter = daemon.meter(&params.meter)?;
    if params.covered {
        return meter.zero(&waiting(daemon, client.by(params.lease.as_deref()), params.wait_s)?).await;
    }
    let message = "params.covered must be true: cover the meter's aperture so that no light gets in, then say so; \
                   whatever light there is would be taken off every reading";
    Err(RpcError::new(ErrorKind::InvalidParams, message).about(&params.meter))
}

/// The exposure that a client asks a meter for. What the meter has said that it can't do is refused here, so that it
/// costs nobody anything.
pub(super) fn exposure(meter: &MeterHandle, integration_s: Option<f64>) -> Result<Exposure, RpcError> {
    let integration_s =
        integration_s.map(|asked| within("integration_s", asked, 1e-6, LONGEST_INTEGRATION_S)).transpose()?;
    if let (Some(asked), Some(span)) = (integration_s, meter.integration_s())
        && !span.contains(asked)
    {
        let (id, Span { min, max }) = (meter.id(), span);
        let message = format!("{id} takes integration times from {min} to {max} s, not {asked} s");
        return Err(RpcError::new(ErrorKind::Unsupported, message).about(id));
    }
    Ok(Exposure { integration_s })
}

/// The interval that a client asks for, in s; 0 is without pause.
pub(super) fn interval(interval_s: f64) -> Result<f64, RpcError> {
    within("interval_s", interval_s, 0.0, LONGEST_INTERVAL_S)
}

/// How often an observer wants a reading at most, in s; 0 is every one.
pub(super) fn every(every_s: f64) -> Result<f64, RpcError> {
    within("every_s", every_s, 0.0, LONGEST_INTERVAL_S)
}

fn within(member: &str, value: f64, min: f64, max: f64) -> Result<f64, RpcError> {
    if (min..=max).contains(&value) {
        return Ok(value);
    }
    let message = format!("params.{member} must be from {min} to {max}, not {value}");
    Err(RpcError::new(ErrorKind::InvalidParams, message))
}
