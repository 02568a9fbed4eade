//! What clients ask of a meter, whichever way they come, by the socket or by D-Bus: looked at, and carried out.

use std::sync::Arc;

use settled_drivers::clock::Clock as _;
use settled_drivers::sample::Exposure;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::lease::{Lease, LeaseParams, USUAL_TTL_S, USUAL_WAIT_S};
use settled_protocol::meter::Span;
use settled_protocol::method::{ReadParams, SettleParams, ZeroParams, Zeroed};
use settled_protocol::settling::Settled;

use crate::client::{By, Client};
use crate::daemon::Daemon;
use crate::meter_task::{Logged, MeterHandle, Terms};
use crate::settling;

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

/// One reading. Dropping the future takes the request back.
pub(crate) async fn read(
    daemon: &Daemon,
    client: &Client,
    params: ReadParams,
) -> Result<Arc<Logged>, RpcError> {
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

/// A settled reading. Dropping the future takes the request back.
pub(crate) async fn settle(
    daemon: &Daemon,
    client: &Client,
    params: SettleParams,
    report: impl Fn(settling::Report),
) -> Result<Settled, RpcError> {
    let exposure = exposure(daemon.meter(&params.meter)?, params.integration_s)?;
    let by = waiting(daemon, client.by(params.lease.as_deref()), params.wait_s)?;
    settling::settle(daemon, &by, &params.meter, params.criteria, exposure, report).await
}

/// A meter's own offset, measured anew. Dropping the future takes the request back, but what has begun goes on to its end.
pub(crate) async fn zero(daemon: &Daemon, client: &Client, params: &ZeroParams) -> Result<Zeroed, RpcError> {
    let meter = daemon.meter(&params.meter)?;
    if params.covered {
        return meter.zero(&waiting(daemon, client.by(params.lease.as_deref()), params.wait_s)?).await;
    }
    let message = "params.covered must be true: cover the meter's aperture so that no light gets in, then say so; \
                   whatever light there is would be taken off every reading";
    Err(RpcError::new(ErrorKind::InvalidParams, message).about(&params.meter))
}

/// A meter for the client alone. Dropping the future takes the request back.
pub(crate) async fn lease(daemon: &Daemon, client: &Client, params: LeaseParams) -> Result<Lease, RpcError> {
    let meter = daemon.meter(&params.meter)?;
    let terms = Terms {
        ttl_s: ttl(params.ttl_s.unwrap_or(USUAL_TTL_S))?,
        wait_s: within("wait_s", params.wait_s.unwrap_or(USUAL_WAIT_S), 0.0, LONGEST_WAIT_S)?,
        purpose: params.purpose,
    };
    let taken = meter.lease(&client.by(None), terms).await?;
    let lease = taken.lease();
    client.keep(taken);
    Ok(lease)
}

/// How long a lease is to last, in s, unless it is renewed.
pub(crate) fn ttl(ttl_s: f64) -> Result<f64, RpcError> {
    within("ttl_s", ttl_s, SHORTEST_TTL_S, LONGEST_TTL_S)
}

/// What a client asks for, and how long it waits for it while somebody else has the meter.
fn waiting(daemon: &Daemon, by: By, wait_s: Option<f64>) -> Result<By, RpcError> {
    let wait_s = within("wait_s", wait_s.unwrap_or(0.0), 0.0, LONGEST_WAIT_S)?;
    Ok(if wait_s > 0.0 { by.until(daemon.clock.now_s() + wait_s) } else { by })
}

/// The exposure that a client asks a meter for. What the meter has said that it can't do is refused here, so that it
/// costs nobody anything.
pub(crate) fn exposure(meter: &MeterHandle, integration_s: Option<f64>) -> Result<Exposure, RpcError> {
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
pub(crate) fn interval(interval_s: f64) -> Result<f64, RpcError> {
    within("interval_s", interval_s, 0.0, LONGEST_INTERVAL_S)
}

/// How often an observer wants a reading at most, in s; 0 is every one.
pub(crate) fn every(every_s: f64) -> Result<f64, RpcError> {
    within("every_s", every_s, 0.0, LONGEST_INTERVAL_S)
}

fn within(member: &str, value: f64, min: f64, max: f64) -> Result<f64, RpcError> {
    if (min..=max).contains(&value) {
        return Ok(value);
    }
    let message = format!("params.{member} must be from {min} to {max}, not {value}");
    Err(RpcError::new(ErrorKind::InvalidParams, message))
}
