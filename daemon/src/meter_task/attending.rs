//! What a meter's task does whatever else it waits for: requests come in, readings go out, and leases begin and end.

use std::sync::atomic::Ordering;

use settled_protocol::error::{ErrorKind, RpcError};

use super::queue::{MOST_WAITING, MOST_ZEROS, Next};
use super::task::{Task, Tools};
use super::{Belongings, Message, leasing};

impl Task {
    /// Takes in one message, gives out one reading that has become durable, or looks at the leases when it is time to. False once
    /// nobody can ask any more. Dropping the future loses nothing.
    pub(super) async fn attend(&mut self) -> bool {
        let looks_s = self.looks_at_lease_s;
        let Tools { log, clock, .. } = &self.tools;
        let Belongings { inbox, commits } = &mut *self.kept;
        tokio::select! {
            message = inbox.recv() => match message {
                Some(message) => { self.accept(message); true }
                None => false,
            },
            () = commits.deliver_next(&self.shared) => { self.gather.went_out(clock.now().t_s); true }
            () = self.shared.desk.moved(looks_s) => { self.look_at_lease(); true }
            () = leasing::tell(&self.shared, log, clock) => true,
        }
    }

    pub(super) fn accept(&mut self, message: Message) {
        match message {
            Message::Demand(demand) => {
                self.gather.came(demand.by.client);
                let demand = self.unfenced(demand);
                self.queue.demand(demand);
            }
            Message::Looked(client) => return self.gather.came(client),
            Message::Lease(request) => {
                self.shared.desk.ask(&self.shared.id, request, self.queue.mark());
                self.look_at_lease();
            }
            Message::Read(waiting) => {
                self.gather.came(waiting.by.client);
                let refused = match self.turned_away(&waiting.by) {
                    Some(error) => Some((waiting, error)),
                    None => self.queue.wait(waiting).err().map(|waiting| {
                        let most = format!("{MOST_WAITING} requests of this client wait for the meter");
                        (waiting, self.overloaded(&most))
                    }),
                };
                if let Some((waiting, error)) = refused {
                    let _waiting = waiting.reply.send(Err(error)).is_ok();
                }
            }
            Message::Zero(zeroing) => {
                self.gather.came(zeroing.by.client);
                let refused = match self.turned_away(&zeroing.by) {
                    Some(error) => Some((zeroing, error)),
                    None => self.queue.zero(zeroing).err().map(|zeroing| {
                        let most = format!("{MOST_ZEROS} requests of this client to zero the meter wait");
                        (zeroing, self.overloaded(&most))
                    }),
                };
                if let Some((zeroing, error)) = refused {
                    let _waiting = zeroing.reply.send(Err(error)).is_ok();
                }
            }
        }
        self.shared.waiting.store(self.queue.len(), Ordering::Relaxed);
    }

    fn overloaded(&self, most: &str) -> RpcError {
        RpcError::new(ErrorKind::Overloaded, format!("{most} already")).about(&self.shared.id)
    }

    /// What to do next. An exposure waits a moment for those who have just been answered, where that is worth it.
    pub(super) fn next(&mut self, demands_from_s: f64) -> Next {
        let now_s = self.tools.now_s();
        let next = self.queue.next(now_s, demands_from_s);
        let Next::Expose(asked) = next else {
            self.gather.stops(now_s);
            return next;
        };
        self.gather.until_s(self.queue.exposed(asked), now_s).map_or(next, Next::Wait)
    }

    /// Gives out every reading that is on its way; messages are taken in meanwhile.
    pub(super) async fn deliver_all(&mut self) {
        while !self.kept.commits.is_empty() && self.attend().await {}
        // There is nothing left, unless nobody can ask any more.
        self.kept.commits.deliver_all(&self.shared).await;
    }

    /// Waits for something that the meter does; messages are taken in and readings given out meanwhile.
    pub(super) async fn meanwhile<T>(&mut self, doing: impl Future<Output = T>) -> T {
        tokio::pin!(doing);
        let mut open = true;
        loop {
            tokio::select! {
                biased;
                outcome = &mut doing => return outcome,
                alive = self.attend(), if open => open = alive,
            }
        }
    }
}
