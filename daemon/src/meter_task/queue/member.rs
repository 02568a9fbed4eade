//! One client in the queue, and when its turn comes.
//!
//! The client with the least pass comes next. When its oldest due item is served, be it that it was chosen or that it rides along,
//! its pass becomes the chosen one's, and one stride more: what else of its rides along is a present. Joining sets the pass in the
//! same way, so nothing need be kept of clients that have left, and who leaves and comes back gains nothing. Where passes are equal,
//! whoever has waited longest comes first; those that were served last come behind those that joined during that exposure, so that
//! a client that asks again and again takes turns with one that stays.
//!
//! Thus nobody's oldest item waits for more exposures than there are other clients, each counted as often as its weight says: whoever
//! is served meanwhile gets a pass that is no less.

use std::collections::VecDeque;

use super::item::{Demand, Item, Placed};
use super::Served;
use crate::client::By;

/// What a turn adds to the pass of a client of weight 1. Up to a weight of 16 it divides without remainder.
const TICKS: u64 = 720_720;

/// What a turn adds to a client's pass: less, the more turns it is granted.
fn stride(by: &By) -> u64 {
    TICKS.div_ceil(u64::from(by.turns.max(1)))
}

/// When a client's turn comes: the least is next.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Turn {
    pub(super) pass: u64,
    /// Before which exposure it joined, or was last served.
    exposure: u64,
    /// It was served by that, rather than joined before its end.
    served: bool,
}

impl Turn {
    /// Of a client that joins where `reached` is the pass of the one chosen last, after so many exposures.
    pub(super) fn joining(reached: u64, by: &By, exposure: u64) -> Self {
        Self { pass: reached + stride(by), exposure, served: false }
    }

    /// Of a client that such an exposure serves.
    pub(super) fn served(reached: u64, by: &By, exposure: u64) -> Self {
        Self { pass: reached + stride(by), exposure, served: true }
    }
}

/// A client in the queue.
#[derive(Debug, Default)]
pub(super) struct Member {
    pub(super) turn: Turn,
    /// In the order of their numbers.
    pub(super) items: VecDeque<Placed>,
}

impl Member {
    /// Puts something in its place. If nothing is there that anybody cares for, the client joins the queue.
    pub(super) fn put(&mut self, placed: Placed, joining: Turn) {
        if !self.items.iter().any(|placed| placed.item.is_alive()) {
            self.turn = joining;
        }
        let at = self.items.partition_point(|other| other.number < placed.number);
        self.items.insert(at, placed);
    }

    /// Drops what nobody cares for any more.
    pub(super) fn sweep(&mut self) {
        self.items.retain(|placed| placed.item.is_alive());
    }

    /// Its oldest due item.
    pub(super) fn front(&self, served: &Served) -> Option<&Placed> {
        self.items.iter().find(|placed| served.is_due(placed) && placed.item.is_alive())
    }

    /// The same demand, if it is there.
    pub(super) fn find(&mut self, same: &Demand) -> Option<&mut Demand> {
        self.items.iter_mut().find_map(|placed| match &mut placed.item {
            Item::Demand(demand) if demand.alive.is_same(&same.alive) => Some(demand),
            _ => None,
        })
    }

    /// Takes out what is so.
    pub(super) fn take(&mut self, so: impl Fn(&Placed) -> bool) -> impl Iterator<Item = Placed> {
        let mut taken = VecDeque::new();
        if self.items.iter().any(&so) {
            (taken, self.items) = std::mem::take(&mut self.items).into_iter().partition(so);
        }
        taken.into_iter()
    }
}
