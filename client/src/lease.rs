//! A meter for oneself: a lease that renews itself, says when it is lost, and is given back when it is dropped.

use std::env;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::error::ErrorKind;
use settled_protocol::lease::{Lease as Terms, LeaseParams, ReleaseParams, RenewParams};
use settled_protocol::method::{MeterLease, MeterRelease, MeterRenew};
use settled_protocol::time::Timestamp;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::sleep;

use crate::connection::{CallError, Connection};

/// The environment variable that hands leases on to programs: `METER=TOKEN`, with commas between several.
pub const VARIABLE: &str = "SETTLED_LEASE";

/// Renewals within one time to live: one that comes late, or not at all, costs nothing yet.
const RENEWALS: f64 = 3.0;

/// The shortest time between renewals, should a daemon give out leases that hardly last.
const SHORTEST: Duration = Duration::from_millis(10);

/// The token of the lease on a meter that this program was started under, if it was.
#[must_use]
pub fn inherited(meter: &str) -> Option<String> {
    token_in(&env::var(VARIABLE).ok()?, meter)
}

/// The tokens of all leases on these meters that this program was started under, with commas between them; nothing where there are
/// none. Those on meters of other daemons are left out.
#[must_use]
pub fn inherited_of<'a>(meters: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let text = env::var(VARIABLE).ok()?;
    tokens_in(&text, meters)
}

fn tokens_in<'a>(text: &str, meters: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let tokens: Vec<String> = meters.into_iter().filter_map(|meter| token_in(text, meter)).collect();
    (!tokens.is_empty()).then(|| tokens.join(","))
}

/// Whether this program was started under a lease on any meter.
#[must_use]
pub fn is_under_any() -> bool {
    env::var(VARIABLE).is_ok_and(|text| text.contains('='))
}

/// What is wrong with the environment's leases, if something is.
#[must_use]
pub fn mistake() -> Option<BadLeases> {
    let text = env::var_os(VARIABLE)?;
    text.to_str().is_none_or(is_mistaken).then_some(BadLeases)
}

/// An empty text holds no lease.
fn is_mistaken(text: &str) -> bool {
    let is_whole = |(meter, token): (&str, &str)| !meter.is_empty() && !token.is_empty();
    let is_lease = |lease: &str| lease.trim().split_once('=').is_some_and(is_whole);
    !text.trim().is_empty() && !text.split(',').all(is_lease)
}

/// The environment's leases can't be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BadLeases;

impl fmt::Display for BadLeases {
    // Not what it holds: tokens are secrets.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{VARIABLE} can't be read: expected METER=TOKEN, with commas between several, such as bench=TOKEN,spectral=TOKEN"
        )
    }
}

impl std::error::Error for BadLeases {}

/// The token of a meter in a text of this form. The last of a meter counts: it is the innermost.
fn token_in(text: &str, meter: &str) -> Option<String> {
    let mut leases = text.split(',').filter_map(|lease| lease.trim().split_once('='));
    leases.rfind(|(of, _)| *of == meter).map(|(_, token)| token.to_owned())
}

/// What programs started under one lease more are given.
#[must_use]
pub fn handed_on(before: Option<&str>, meter: &str, token: &str) -> String {
    let before = before.map(str::trim).filter(|before| !before.is_empty());
    before.map_or_else(String::new, |before| format!("{before},")) + &format!("{meter}={token}")
}

/// How a lease came to be lost.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Loss {
    /// The daemon says that it isn't in force any more: it was not renewed in time, or somebody gave it back.
    Refused(String),
    /// The connection has ended, and the lease with it.
    Closed,
}

impl fmt::Display for Loss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused(why) => f.write_str(why),
            Self::Closed => {
                f.write_str("the daemon closed the connection, or was started anew, which ends its leases")
            }
        }
    }
}

/// A meter that nobody else can take readings with. It is renewed at a third of its time to live for as long as this value
/// lives; dropping it gives the meter back. That the daemon has lost it is noticed when it is next renewed; that the connection has
/// ended, at once.
#[derive(Debug)]
pub struct Lease {
    connection: Arc<Connection>,
    terms: Terms,
    loss: watch::Receiver<Option<Loss>>,
    given_back: bool,
    _renewal: JoinSet<()>,
}

impl Connection {
    /// Waits for a meter, for as long as `params` says, and has it for oneself from then on. Dropping the future takes the
    /// request back.
    ///
    /// # Errors
    /// [`CallError`]: `leased` if somebody else still had it at the end.
    pub async fn lease(self: &Arc<Self>, params: &LeaseParams) -> Result<Lease, CallError> {
        // Times to live pass on the daemon's clock, which runs faster in a rehearsal.
        let speed = match self.introduce(None).await {
            Ok(hello) => hello.clock.speed,
            Err(CallError::Refused(error)) if error.kind() == ErrorKind::NotPermitted => 1.0,
            Err(error) => return Err(error),
        };
        let terms = self.call::<MeterLease>(params).await?;
        let (lost, loss) = watch::channel(None);
        let mut renewal = JoinSet::new();
        renewal.spawn(renew(Arc::clone(self), terms.clone(), speed, lost));
        Ok(Lease { connection: Arc::clone(self), terms, loss, given_back: false, _renewal: renewal })
    }
}

impl Lease {
    /// What goes with every request under this lease.
    #[must_use]
    pub fn token(&self) -> &str {
        &self.terms.lease
    }

    /// The meter's id.
    #[must_use]
    pub fn meter(&self) -> &str {
        &self.terms.meter
    }

    /// When it would have been lost unless it was renewed, as it was taken.
    #[must_use]
    pub fn expires_at(&self) -> Timestamp {
        self.terms.expires_at
    }

    /// Waits until it is lost, and tells why. Nothing is missed if the future is dropped.
    pub async fn lost(&self) -> Loss {
        let mut loss = self.loss.clone();
        let lost = loss.wait_for(Option::is_some).await.ok().and_then(|loss| loss.clone());
        lost.unwrap_or(Loss::Closed)
    }

    /// Gives the meter back, and waits until it is.
    ///
    /// # Errors
    /// [`Loss`], if it was lost before.
    pub async fn release(mut self) -> Result<(), Loss> {
        let params = ReleaseParams { lease: self.terms.lease.clone() };
        let released = self.connection.call::<MeterRelease>(&params).await;
        self.given_back = true;
        match released {
            Err(CallError::Refused(error)) if error.kind() == ErrorKind::LeaseLost => {
                Err(Loss::Refused(error.message))
            }
            Err(_) if self.connection.is_closed() => Err(Loss::Closed),
            // A refusal for any other reason: the end of the connection gives it back.
            Ok(_) | Err(_) => Ok(()),
        }
    }
}

impl Drop for Lease {
    fn drop(&mut self) {
        if !self.given_back && self.loss.borrow().is_none() {
            self.connection.tell::<MeterRelease>(&ReleaseParams { lease: self.terms.lease.clone() });
        }
    }
}

/// Renews until it can't.
async fn renew(connection: Arc<Connection>, terms: Terms, speed: f64, lost: watch::Sender<Option<Loss>>) {
    let pause = pause(terms.ttl_s, speed);
    let params = RenewParams { lease: terms.lease, ttl_s: None };
    let loss = loop {
        tokio::select! {
            () = connection.closed() => break Loss::Closed,
            () = sleep(pause) => {}
        }
        match connection.call::<MeterRenew>(&params).await {
            Ok(_) => {}
            Err(CallError::Refused(error)) if error.kind() == ErrorKind::LeaseLost => {
                break Loss::Refused(error.message);
            }
            // It may be renewed yet, the next time.
            Err(CallError::Refused(_) | CallError::Misfit { .. }) => {}
            Err(CallError::Closed) => break Loss::Closed,
        }
    };
    lost.send_replace(Some(loss));
}

/// Between two renewals.
fn pause(ttl_s: f64, speed: f64) -> Duration {
    let pause = Duration::try_from_secs_f64(ttl_s / RENEWALS / speed.max(f64::MIN_POSITIVE));
    pause.unwrap_or(Duration::MAX).max(SHORTEST)
}

#[cfg(test)]
mod tests;
