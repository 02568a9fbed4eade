//! An instrument that is played back: for each request, what it did when it was asked that.

use std::collections::{HashMap, HashSet};
use std::ops::Range;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::exchanges::{Exchange, Exchanges};
use super::shape::Shape;
use crate::fault::{Fault, FaultKind};
use crate::recording::line::Failed;

/// What is done once everything has been played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AtEnd {
    /// It begins again.
    Repeat,
    /// The instrument leaves, as if it had been unplugged.
    Leave,
}

/// Unlike requests that are complained of, each once: a daemon's requests are few, those of a wild one need not all be named.
const MOST_COMPLAINTS: usize = 64;

/// A setting and a request that was sent while it held.
type Key = (Option<Vec<u8>>, Vec<u8>);

/// The exchanges of one key, in the order they were recorded.
#[derive(Debug, Default)]
struct Slot {
    exchanges: Vec<usize>,
    played: usize,
}

/// The instrument, over all openings of its link.
#[derive(Debug)]
pub(crate) struct Play {
    exchanges: Vec<Exchange>,
    pub(crate) speaks_unasked: bool,
    at_end: AtEnd,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    slots: HashMap<Key, Slot>,
    complained: HashSet<Vec<u8>>,
    /// The last exchange of the recording has been played.
    last_played: bool,
    /// How often readings that were played already are played again from the first on.
    rounds: u64,
    /// It has left for good.
    left: bool,
    /// It is away until then, on the daemon's clock in s.
    away: Option<(f64, Failed)>,
}

impl Play {
    pub(crate) fn new(exchanges: Exchanges, at_end: AtEnd) -> Self {
        let mut slots: HashMap<Key, Slot> = HashMap::new();
        for (index, Exchange { request, setting, .. }) in exchanges.all.iter().enumerate() {
            slots.entry((setting.clone(), request.clone())).or_default().exchanges.push(index);
        }
        let Exchanges { all, speaks_unasked, .. } = exchanges;
        let state = Mutex::new(State { slots, ..State::default() });
        Self { exchanges: all, speaks_unasked, at_end, state }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How often readings that were played already have been played again from the first on.
    pub(crate) fn rounds(&self) -> u64 {
        self.state().rounds
    }

    /// Whether it is there at `now_s`.
    ///
    /// # Errors
    /// `Gone`, for as long as it was away, or for good once the recording is over.
    pub(crate) fn present(&self, now_s: f64) -> Result<(), Fault> {
        let mut state = self.state();
        if state.left {
            return Err(over());
        }
        match &state.away {
            Some((until_s, failed)) if now_s < *until_s => {
                Err(Fault::new(FaultKind::Gone, format!("as recorded: {}", failed.detail)))
            }
            _ => {
                state.away = None;
                Ok(())
            }
        }
    }

    /// It is unplugged, for so long as it was then.
    pub(crate) fn unplug(&self, until_s: Option<f64>, failed: &Failed) {
        let mut state = self.state();
        match (until_s, self.at_end) {
            (Some(until_s), _) => state.away = Some((until_s, failed.clone())),
            (None, AtEnd::Repeat) => {}
            (None, AtEnd::Leave) => state.left = true,
        }
    }

    /// Whatever is asked from here on is answered as it was after the exchanges of `done`, whether or not those were all played; they
    /// are not played again.
    pub(crate) fn go_on_after(&self, done: &Range<usize>) {
        let mut state = self.state();
        state.slots.retain(|_, slot| {
            slot.exchanges.retain(|index| !done.contains(index));
            slot.played = slot.exchanges.iter().filter(|index| **index < done.start).count();
            !slot.exchanges.is_empty()
        });
    }

    /// What it does when it is sent `request` while `setting` holds; nothing if nothing like it was ever sent to it.
    ///
    /// # Errors
    /// `Gone` if the recording is over and the instrument leaves.
    pub(crate) fn ask(&self, setting: Option<&[u8]>, request: &[u8]) -> Result<Option<&Exchange>, Fault> {
        let mut state = self.state();
        let Some(key) = state.nearest(setting, request) else {
            if !request.is_empty() {
                state.complain(request, "nothing like it was asked when this was recorded: no answer");
            }
            return Ok(None);
        };
        // A command that nobody answers may come after whatever setting.
        let says = |index: &usize| self.exchanges.get(*index).is_some_and(|it| !it.answer.is_empty());
        let answers = state.slots.get(&key).is_some_and(|slot| slot.exchanges.iter().any(says));
        if key.1 != request || (answers && key.0.as_deref() != setting) {
            let instead = readable(&key.1);
            let setting = key.0.as_deref().map(|it| format!(" after {}", readable(it))).unwrap_or_default();
            state.complain(request, &format!("answered as {instead}{setting} was, which is nearest"));
        }
        let last_played = state.last_played;
        let Some(slot) = state.slots.get_mut(&key) else { return Ok(None) };
        if slot.played >= slot.exchanges.len() && last_played && self.at_end == AtEnd::Leave {
            state.left = true;
            return Err(over());
        }
        let index = slot.exchanges.get(slot.played % slot.exchanges.len().max(1)).copied();
        slot.played += 1;
        // The first of those that were played: the light is that of the beginning again.
        let length = slot.exchanges.len().max(1);
        let is_first_again = slot.played > length && (slot.played - 1).is_multiple_of(length);
        let reads = |index: &usize| self.exchanges.get(*index).is_some_and(Exchange::reads);
        let again = is_first_again && slot.exchanges.iter().any(reads);
        state.rounds += u64::from(again);
        state.last_played |= index.is_some_and(|index| index + 1 == self.exchanges.len());
        Ok(index.and_then(|index| self.exchanges.get(index)))
    }
}

fn over() -> Fault {
    Fault::new(FaultKind::Gone, "the recording is over")
}

/// A request, for a message.
fn readable(request: &[u8]) -> String {
    crate::link::line::excerpt(&String::from_utf8_lossy(request))
}

impl State {
    /// The key that comes nearest: the very one; else the same request under the nearest setting; else one of the same shape.
    fn nearest(&self, setting: Option<&[u8]>, request: &[u8]) -> Option<Key> {
        let exact = (setting.map(<[u8]>::to_vec), request.to_vec());
        if self.slots.contains_key(&exact) {
            return Some(exact);
        }
        let shape = Shape::of(request);
        let (wanted, unlike) = (setting.map(Shape::of), f64::from(u16::MAX));
        let how_far = |key: &Key| {
            let request = shape.distance(&Shape::of(&key.1))?;
            let setting = match (&wanted, key.0.as_deref().map(Shape::of)) {
                (Some(wanted), Some(setting)) => wanted.distance(&setting).unwrap_or(unlike),
                (None, None) => 0.0,
                _ => unlike,
            };
            // The request decides; the setting only among those that are equally far.
            Some((request, setting))
        };
        let ranked = self.slots.keys().filter_map(|key| how_far(key).map(|far| (far, key)));
        let best = ranked.min_by(|((a, b), one), ((c, d), other)| {
            a.total_cmp(c).then(b.total_cmp(d)).then_with(|| one.cmp(other))
        });
        best.map(|(_, key)| key.clone())
    }

    fn complain(&mut self, request: &[u8], words: &str) {
        if self.complained.len() < MOST_COMPLAINTS && self.complained.insert(request.to_vec()) {
            tracing::warn!(request = %readable(request), "replay: {words}");
        }
    }
}
