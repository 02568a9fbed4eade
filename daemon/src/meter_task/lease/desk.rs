//! Where a meter's leases are kept: outside its task, so that they outlive it, and so that renewing and giving back never wait for it.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_drivers::clock::Clock as _;
use settled_protocol::error::RpcError;
use settled_protocol::lease::Holder;
use tokio::sync::{Notify, watch};

use super::{Held, LeaseOutcome, Leases, Request, refusal};
use crate::client::{By, ClientId};
use crate::clock::{Clock, Moment};
use crate::log::Happening;

/// Leases that were lost and aren't in the log yet. One takes a second to be lost at least: this is a disk that stalls for a minute.
const MOST_UNTOLD: usize = 64;

/// The leases of one meter, and what they change.
#[derive(Debug)]
pub(in crate::meter_task) struct Desk {
    clock: Arc<Clock>,
    leases: Mutex<Leases>,
    /// Something changed that the meter's task must look at.
    moved: Notify,
    /// The token of the lease in force.
    in_force: watch::Sender<Option<Arc<str>>>,
    untold: Mutex<VecDeque<(Moment, Happening)>>,
}

impl Desk {
    pub(in crate::meter_task) fn new(clock: Arc<Clock>) -> Self {
        let (leases, moved, untold) = Default::default();
        Self { clock, leases, moved, in_force: watch::Sender::new(None), untold }
    }

    pub(in crate::meter_task) fn now(&self) -> Moment {
        self.clock.now()
    }

    /// The token of the lease in force.
    pub(in crate::meter_task) fn token(&self) -> Option<Arc<str>> {
        let now_s = self.clock.now_s();
        self.lock().held(now_s).map(|held| Arc::clone(&held.token))
    }

    /// Who has the meter, as everyone may know.
    pub(in crate::meter_task) fn holder(&self, now_s: f64) -> Option<Holder> {
        self.lock().held(now_s).map(Held::holder)
    }

    /// Whether this is the token of the lease in force.
    pub(in crate::meter_task) fn is_in_force(&self, token: &str) -> bool {
        let now_s = self.clock.now_s();
        self.lock().is_in_force(token, now_s)
    }

    /// What is told to who asks for something that a lease keeps from it: that its own isn't in force, or that somebody else has one.
    pub(in crate::meter_task) fn refusal(&self, meter: &str, lease: Option<&str>) -> Option<RpcError> {
        let now_s = self.clock.now_s();
        let leases = self.lock();
        match (lease, leases.held(now_s)) {
            (Some(token), held) if held.is_none_or(|held| *held.token != *token) => {
                Some(refusal::lost(meter))
            }
            (None, Some(held)) => Some(refusal::leased(meter, held, now_s)),
            _ => None,
        }
    }

    /// Who has the meter, for what and until when, in words for people; nothing where nobody has.
    pub(in crate::meter_task) fn occupied(&self) -> Option<String> {
        let now_s = self.clock.now_s();
        self.lock().held(now_s).map(refusal::occupied)
    }

    /// Whether one of these clients has this meter; where nobody has it, everyone does.
    pub(in crate::meter_task) fn is_free_for(&self, holders: &[ClientId]) -> bool {
        let now_s = self.clock.now_s();
        self.lock().held(now_s).is_none_or(|held| holders.contains(&held.client))
    }

    /// Whose lease this token is, if it is in force.
    pub(in crate::meter_task) fn holder_of(&self, token: &str) -> Option<ClientId> {
        let now_s = self.clock.now_s();
        self.lock().held(now_s).filter(|held| *held.token == *token).map(|held| held.client)
    }

    /// Puts a request in the line; one that can't wait is told so.
    pub(in crate::meter_task) fn ask(&self, meter: &str, request: Request, number: u64) {
        let full = {
            let mut leases = self.lock();
            let Some(full) = leases.full(request.by.client) else { return leases.ask(request, number) };
            full
        };
        answer(request, Err(refusal::full(meter, full)));
    }

    /// Ends the lease of this token, and says which that was; nothing if it isn't in force.
    pub(in crate::meter_task) fn release(&self, token: &str) -> Option<Held> {
        let now_s = self.clock.now_s();
        let mut leases = self.lock();
        let held = leases.release(token, now_s)?;
        self.in_force.send_replace(None);
        self.moved.notify_one();
        Some(held)
    }

    /// Lets the lease of this token last longer; nothing if it isn't in force.
    pub(in crate::meter_task) fn renew(&self, token: &str, ttl_s: Option<f64>) -> Option<Held> {
        let now = self.clock.now();
        let mut leases = self.lock();
        let before_s = leases.next_s();
        let held = leases.renew(token, ttl_s, now).cloned()?;
        if leases.next_s() < before_s {
            // It ends sooner than the task knows. Otherwise that looks in vain once, when it would have ended.
            self.moved.notify_one();
        }
        Some(held)
    }

    /// Takes off a lease that was not renewed in time.
    pub(in crate::meter_task) fn expire(&self) -> Option<Held> {
        let now_s = self.clock.now_s();
        let mut leases = self.lock();
        let held = leases.expire(now_s)?;
        self.in_force.send_replace(None);
        Some(held)
    }

    /// Grants a lease, if one can begin now.
    pub(in crate::meter_task) fn grant(
        &self,
        can_begin: impl Fn(&By, u64) -> bool,
    ) -> Option<(Held, Request)> {
        let now = self.clock.now();
        let mut leases = self.lock();
        let (held, request) = leases.grant(now, can_begin)?;
        self.in_force.send_replace(Some(Arc::clone(&held.token)));
        Some((held.clone(), request))
    }

    /// Takes out those who don't wait any longer, with their numbers.
    pub(in crate::meter_task) fn give_up(&self, can_begin: impl Fn(&By, u64) -> bool) -> Vec<(Request, u64)> {
        let now_s = self.clock.now_s();
        self.lock().give_up(now_s, can_begin)
    }

    /// The meter's task has begun anew, and its queue with it.
    pub(in crate::meter_task) fn begin_anew(&self) {
        self.lock().begin_anew();
    }

    /// Tells everyone who waits an error.
    pub(in crate::meter_task) fn refuse_all(&self, error: &RpcError) {
        let waiting: Vec<Request> = self.lock().drain().collect();
        for request in waiting {
            answer(request, Err(error.clone()));
        }
    }

    /// What someone is told who has waited for a lease long enough; `before` names what it waits for where nobody has one.
    pub(in crate::meter_task) fn not_granted(&self, meter: &str, before: &str) -> RpcError {
        let now_s = self.clock.now_s();
        match self.lock().held(now_s) {
            Some(held) => refusal::leased(meter, held, now_s),
            None => refusal::not_granted(meter, before),
        }
    }

    /// Lets the meter's task look at the leases.
    pub(in crate::meter_task) fn move_on(&self) {
        if self.lock().has_line() {
            self.moved.notify_one();
        }
    }

    /// Waits until there is something to look at: at `until_s`, or sooner.
    pub(in crate::meter_task) async fn moved(&self, until_s: f64) {
        let until_s = until_s.min(self.lock().next_s());
        if until_s == f64::INFINITY {
            return self.moved.notified().await;
        }
        tokio::select! {
            () = self.moved.notified() => {}
            () = self.clock.sleep_until(until_s) => {}
        }
    }

    /// Waits until the lease of this token is over. That it is lost is known on time, however long the meter's task is held up.
    pub(in crate::meter_task) async fn ended(&self, token: &str) {
        let mut in_force = self.in_force.subscribe();
        while let Some(expires_s) = self.expires_s(token) {
            tokio::select! {
                // An error means that there is nobody left to end it.
                _ = in_force.wait_for(|in_force| in_force.as_deref() != Some(token)) => return,
                // It may have been renewed meanwhile.
                () = self.clock.sleep_until(expires_s) => {}
            }
        }
    }

    /// When the lease of this token is lost unless it is renewed, in s; nothing if it isn't in force.
    fn expires_s(&self, token: &str) -> Option<f64> {
        let now_s = self.clock.now_s();
        self.lock().held(now_s).filter(|held| *held.token == *token).map(|held| held.expires.t_s)
    }

    /// Tells the trace that a lease was lost, and keeps in mind that the log must be told. Of too much the oldest is in the trace alone.
    pub(in crate::meter_task) fn tell(&self, happening: Happening) {
        happening.trace();
        let mut untold = self.untold();
        if untold.len() >= MOST_UNTOLD {
            untold.pop_front();
        }
        untold.push_back((self.clock.now(), happening));
    }

    /// What the log must be told next, and when it happened.
    pub(in crate::meter_task) fn next_untold(&self) -> Option<(Moment, Happening)> {
        self.untold().front().cloned()
    }

    /// The log has been told of it.
    pub(in crate::meter_task) fn told(&self) {
        self.untold().pop_front();
    }

    fn untold(&self) -> MutexGuard<'_, VecDeque<(Moment, Happening)>> {
        self.untold.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn lock(&self) -> MutexGuard<'_, Leases> {
        self.leases.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What a request for a lease gets that is over before it could wait.
pub(in crate::meter_task) fn answer(request: Request, outcome: LeaseOutcome) {
    // Who took it back doesn't wait any more: a lease among it ends as it is dropped.
    let _waiting = request.reply.send(outcome).is_ok();
}
