//! The display as others see it: told what to show, asked for its light.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use settled_protocol::quantity::{Unphysical, Xyz};
use settled_protocol::stage::Stimulus;

use super::display::{Display, Drive, State};
use super::lights::Lights;

/// Changes of the stimulus that are remembered: exposures that began before the last change need the earlier ones. Three
/// times what a video signal brings (60 a second) within the default's longest exposure (5 s).
const REMEMBERED: usize = 1024;

/// Nodes of the two-point Gauss-Legendre rule on 0 to 1: exact up to cubics.
const NODES: [f64; 2] = [0.211_324_865_405_187_1, 0.788_675_134_594_812_9];

/// A simulated display that can be told what to show.
///
/// It is switched on, cold, at the first moment that anybody names (by opening the meter, showing something, or asking
/// for the truth), with [`Stimulus::peak_white`] until told otherwise. It then lives on, whatever becomes of the meter.
#[derive(Debug)]
pub struct Stage {
    display: Display,
    history: Mutex<VecDeque<Change>>,
}

/// A moment at which the stimulus changed, and how everything was.
#[derive(Clone, Copy, Debug)]
struct Change {
    t_s: f64,
    state: State,
    drive: Drive,
    stimulus: Stimulus,
}

impl Change {
    /// The state at `t_s`, while nothing else changes.
    fn state_at(&self, display: &Display, t_s: f64) -> State {
        display.after(&self.state, self.drive, (t_s - self.t_s).max(0.0))
    }

    /// The light at `t_s`, while nothing else changes.
    fn light_at(&self, display: &Display, t_s: f64) -> [f64; 3] {
        display.light(&self.state_at(display, t_s), self.drive)
    }
}

impl Stage {
    pub(super) fn new(display: Display) -> Self {
        Self { display, history: Mutex::default() }
    }

    /// The spectra that its display mixes.
    pub(super) fn lights(&self) -> Lights {
        Lights::of(self.display.colours.primaries)
    }

    /// Shows `stimulus` from `t_s` on, in s of the daemon's clock. A moment before the last change, or one
    /// that isn't finite, counts as that one. Gives what it showed until then.
    pub fn show(&self, stimulus: Stimulus, t_s: f64) -> Stimulus {
        let mut history = self.history_from(t_s);
        let Some(last) = history.back() else { return Stimulus::peak_white() };
        let before = last.stimulus;
        let t_s = if t_s.is_finite() { t_s.max(last.t_s) } else { last.t_s };
        let state = last.state_at(&self.display, t_s);
        history.push_back(Change { t_s, state, drive: self.display.drive(&stimulus), stimulus });
        while history.len() > REMEMBERED {
            history.pop_front();
        }
        before
    }

    /// What an ideal meter would see at `t_s`: no noise, no errors, no time to integrate.
    ///
    /// # Errors
    /// [`Unphysical`] if the model gives a number that isn't finite; its settings' ranges don't let it.
    pub fn truth(&self, t_s: f64) -> Result<Xyz, Unphysical> {
        Xyz::try_from(self.mean(t_s, t_s))
    }

    /// The mean light from `begin_s` to `end_s`: X, Y and Z in cd/m².
    pub(super) fn mean(&self, begin_s: f64, end_s: f64) -> [f64; 3] {
        let history = self.history_from(begin_s);
        let first = history.partition_point(|change| change.t_s <= begin_s).saturating_sub(1);
        let mut sum = [0.0; 3];
        let mut from_s = begin_s;
        for (index, change) in history.iter().enumerate().skip(first) {
            let next_s = history.get(index + 1).map_or(f64::INFINITY, |next| next.t_s);
            let to_s = next_s.min(end_s).max(from_s);
            let piece = self.piece(change, from_s, to_s);
            let share = if end_s > begin_s { (to_s - from_s) / (end_s - begin_s) } else { 1.0 };
            for (sum, light) in sum.iter_mut().zip(piece) {
                *sum += share * light;
            }
            from_s = to_s;
            if next_s >= end_s {
                break;
            }
        }
        sum
    }

    /// The mean light of a span without a change.
    fn piece(&self, change: &Change, from_s: f64, to_s: f64) -> [f64; 3] {
        let [early, late] = NODES.map(|node| change.light_at(&self.display, from_s + node * (to_s - from_s)));
        std::array::from_fn(|axis| (early[axis] + late[axis]) / 2.0)
    }

    /// Switches the display on, unless it is.
    pub(super) fn switch_on(&self, t_s: f64) {
        drop(self.history_from(t_s));
    }

    /// The changes so far, at least one.
    fn history_from(&self, t_s: f64) -> MutexGuard<'_, VecDeque<Change>> {
        let mut history = self.history.lock().unwrap_or_else(PoisonError::into_inner);
        if history.is_empty() {
            let t_s = if t_s.is_finite() { t_s } else { 0.0 };
            let stimulus = Stimulus::peak_white();
            let drive = self.display.drive(&stimulus);
            history.push_back(Change { t_s, state: State::COLD, drive, stimulus });
        }
        history
    }
}

#[cfg(test)]
mod tests;
