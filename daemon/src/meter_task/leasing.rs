//! What leases do to a meter: who is served, who waits, and who is told what.
//!
//! A lease begins between exposures, once everything that was asked for before it and ends by itself has been answered: single readings
//! and zeros, whoever asked for them, and settlings of others. Readings that go on for those who observe are no reason to wait: they
//! pause while the lease lasts.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::lease::Lease;
use settled_protocol::log::EventKind;
use settled_protocol::text::Text;
use tokio::sync::oneshot;

use super::lease::{Held, Patience, Request, Taken, answer, lost};
use super::queue::{Demand, Purpose};
use super::shared::{Published, Shared};
use super::task::Task;
use super::{Message, MeterHandle, Outcome, ZeroReply};
use crate::client::{By, ClientId};
use crate::clock::unguessable;
use crate::log::{Happening, Log};

/// What a client wants that asks for a lease.
#[derive(Clone, Debug)]
pub struct Terms {
    /// It is lost unless it is renewed within this time, in s.
    pub ttl_s: f64,
    /// How long to wait for it, in s; with 0 it is now or never.
    pub wait_s: f64,
    /// What it is for.
    pub purpose: Option<Text>,
}

/// Lets the meter's task look at who waits for a lease, once something that may have been in the way is over.
#[derive(Debug)]
pub(crate) struct MoveOn(Arc<Shared>);

impl Drop for MoveOn {
    fn drop(&mut self) {
        self.0.desk.move_on();
    }
}

/// A change of the meter's correction that is on its way to the log: no lease begins before it is made, or has failed.
#[derive(Debug)]
pub(crate) struct Changing(MoveOn);

impl Changing {
    fn new(meter: &MeterHandle) -> Self {
        meter.shared.changing.fetch_add(1, Ordering::Relaxed);
        Self(meter.move_on())
    }
}

impl Drop for Changing {
    fn drop(&mut self) {
        let Self(MoveOn(shared)) = self;
        shared.changing.fetch_sub(1, Ordering::Relaxed);
    }
}

impl MeterHandle {
    /// The meter for oneself, for a while: until the result is dropped or released, or not renewed in time. Dropping the future takes
    /// the request back.
    ///
    /// # Errors
    /// `leased` if it could not be had in time; `overloaded` if too many wait, or the client itself does.
    pub async fn lease(&self, by: &By, terms: Terms) -> Result<Taken, RpcError> {
        let internal =
            || RpcError::new(ErrorKind::Internal, "this system gives no random numbers to make a token of");
        let token = unguessable().ok_or_else(internal)?.into();
        let now_s = self.shared.desk.now().t_s;
        let patience =
            if terms.wait_s > 0.0 { Patience::Until(now_s + terms.wait_s) } else { Patience::None };
        let (by, ttl_s, purpose) = (by.clone(), terms.ttl_s, terms.purpose);
        let _gone = self.move_on();
        let (reply, granted) = oneshot::channel();
        self.send(Message::Lease(Request { by, token, ttl_s, patience, purpose, reply })).await?;
        granted.await.map_err(|_| self.restarted())?
    }

    /// Lets the lease of this token last from now on for `ttl_s`, or for as long as before; nothing if it isn't in force here.
    #[must_use]
    pub fn renew(&self, token: &str, ttl_s: Option<f64>) -> Option<Lease> {
        self.shared.desk.renew(token, ttl_s).map(|held| held.lease(self.id()))
    }

    /// Gives the meter back. Whether this is the token of the lease that was in force here.
    #[must_use]
    pub fn release(&self, token: &str) -> bool {
        self.shared.release(token, "it was given back")
    }

    /// What is told to who asks for something that a lease keeps from it: `lease_lost` where its own isn't in force, `leased` where
    /// somebody else has one.
    #[must_use]
    pub fn leased(&self, lease: Option<&str>) -> Option<RpcError> {
        self.shared.desk.refusal(self.id(), lease)
    }

    /// Who has it for itself, for what and until when, in words for people.
    pub(crate) fn occupied(&self) -> Option<String> {
        self.shared.desk.occupied()
    }

    /// To be held until the meter's correction has been changed.
    ///
    /// # Errors
    /// As [`leased`](Self::leased) tells them.
    pub(crate) fn change(&self, lease: Option<&str>) -> Result<Changing, RpcError> {
        let changing = Changing::new(self);
        self.leased(lease).map_or(Ok(changing), Err)
    }

    /// Whose lease this token is, if it is in force here.
    pub(crate) fn holder_of(&self, token: &str) -> Option<ClientId> {
        self.shared.desk.holder_of(token)
    }

    /// Whether nobody has the meter for itself but, maybe, one of these clients.
    pub(crate) fn is_free_for(&self, holders: &[ClientId]) -> bool {
        self.shared.desk.is_free_for(holders)
    }

    /// To be held by what a lease may wait for, and dropped after it.
    pub(crate) fn move_on(&self) -> MoveOn {
        MoveOn(Arc::clone(&self.shared))
    }

    /// Does something under the lease that it is asked for with, if it is: where that isn't in force, or not until the end, nothing comes
    /// of it. What comes under no lease is just done.
    ///
    /// # Errors
    /// `lease_lost`; those of what is done.
    pub(crate) async fn fenced<T>(
        &self,
        by: &By,
        doing: impl Future<Output = Result<T, RpcError>>,
    ) -> Result<T, RpcError> {
        let Some(token) = by.lease.as_deref() else { return doing.await };
        let desk = &self.shared.desk;
        if !desk.is_in_force(token) {
            return Err(lost(self.id()));
        }
        let outcome = tokio::select! {
            biased;
            () = desk.ended(token) => return Err(lost(self.id())),
            outcome = doing => outcome,
        };
        if desk.is_in_force(token) { outcome } else { Err(lost(self.id())) }
    }
}

impl Shared {
    /// Ends the lease of this token, and says so to everyone. Whether it was in force.
    pub(super) fn release(&self, token: &str, why: &str) -> bool {
        let Some(held) = self.desk.release(token) else { return false };
        let now_s = self.desk.now().t_s;
        tracing::info!(meter = self.id, "a lease has ended: {why}; {}", held.story(now_s));
        self.lease_changed(now_s);
        true
    }

    fn lease_changed(&self, now_s: f64) {
        self.publish(Published::Leased);
        self.announce(now_s);
    }
}

impl Task {
    /// Looks at who has the meter and who waits for it, and lets the queue serve, wait and refuse accordingly.
    pub(super) fn look_at_lease(&mut self) {
        if let Some(held) = self.shared.desk.expire() {
            self.lease_lost(&held);
        }
        self.hold();
        let queue = &self.queue;
        let can_begin = |by: &By, number| queue.owed(number, by.client).is_none();
        let granted = self.is_between().then(|| self.shared.desk.grant(can_begin)).flatten();
        let given_up = self.shared.desk.give_up(can_begin);
        for (request, number) in given_up {
            let before = self.before(&request.by, number);
            answer(request, Err(self.shared.desk.not_granted(&self.shared.id, &before)));
        }
        if let Some((held, request)) = granted {
            self.lease_begins(held, request);
            self.hold();
        }
    }

    /// Whether nothing is under way that a lease can't begin in.
    fn is_between(&self) -> bool {
        let Shared { exposing, zeroing, changing, .. } = &*self.shared;
        let is_at_work = exposing.load(Ordering::Relaxed) || zeroing.load(Ordering::Relaxed);
        !is_at_work && changing.load(Ordering::Relaxed) == 0
    }

    /// What keeps a lease from beginning that was asked for at a number, in words.
    fn before(&self, by: &By, number: u64) -> String {
        match self.queue.owed(number, by.client) {
            Some((whose, what)) => format!("{what} of {} came first and isn't over", whose.who),
            None if self.is_between() => "somebody else has waited for it longer".to_owned(),
            None => "what is under way isn't over".to_owned(),
        }
    }

    fn lease_begins(&self, held: Held, request: Request) {
        let purpose = held.purpose.as_ref().map_or("", Text::as_str);
        tracing::info!(meter = self.shared.id, purpose, ttl_s = held.ttl_s, "leased to {}", held.who);
        self.shared.lease_changed(held.since.t_s);
        answer(request, Ok(Taken::new(Arc::clone(&self.shared), held)));
    }

    fn lease_lost(&self, held: &Held) {
        let now_s = self.tools.now_s();
        let story =
            format!("lost a lease that was not renewed within {} s: {}", held.ttl_s, held.story(now_s));
        self.shared.desk.tell(Happening::about(EventKind::LeaseLost, &self.shared.id, story));
        self.shared.lease_changed(now_s);
    }

    /// Lets the queue serve those who come under the lease in force, and tells those who can't be served, or don't wait any longer.
    fn hold(&mut self) {
        let held = self.shared.desk.token();
        self.queue.hold(held.clone());
        let now_s = self.tools.now_s();
        let stale = self.queue.take_out(|by| by.lease.is_some() && by.lease != held);
        turn_away(stale, || lost(&self.shared.id));
        if held.is_some() {
            let over = self.queue.take_out(|by| by.lease.is_none() && by.until_s <= now_s);
            let just_ended = "somebody else's lease has only just ended";
            turn_away(over, || self.shared.desk.not_granted(&self.shared.id, just_ended));
        }
        self.looks_at_lease_s = self.queue.patience_s();
        self.shared.waiting.store(self.queue.len(), Ordering::Relaxed);
    }

    /// Why a request for a single reading, or to zero the meter, can't even wait because of a lease.
    pub(super) fn turned_away(&mut self, by: &By) -> Option<RpcError> {
        let error = self.shared.desk.refusal(&self.shared.id, by.lease.as_deref())?;
        if by.lease.is_some() || by.until_s <= self.tools.now_s() {
            return Some(error);
        }
        self.looks_at_lease_s = self.looks_at_lease_s.min(by.until_s);
        None
    }

    /// Who observes under a lease that is over goes on as anybody does.
    pub(super) fn unfenced(&self, mut demand: Demand) -> Demand {
        let is_over = |token: &Arc<str>| !self.shared.desk.is_in_force(token);
        if demand.wanted.purpose == Purpose::Observing {
            demand.by.lease.take_if(|token| is_over(token));
        }
        demand
    }
}

/// Tells an error to those who were taken out of the queue.
fn turn_away((reads, zeros): (Vec<oneshot::Sender<Outcome>>, Vec<ZeroReply>), error: impl Fn() -> RpcError) {
    // Who has taken a request back doesn't wait any more.
    for reply in reads {
        let _waiting = reply.send(Err(error())).is_ok();
    }
    for reply in zeros {
        let _waiting = reply.send(Err(error())).is_ok();
    }
}

/// Writes down the leases that were lost, one after the other; for ever. Dropping the future loses nothing.
pub(super) async fn tell(shared: &Shared, log: &Log, clock: &crate::clock::Clock) {
    while let Some((moment, happening)) = shared.desk.next_untold() {
        log.event_at(moment, clock.boot(), happening).await;
        shared.desk.told();
    }
    std::future::pending().await
}
