//! The display as others see it: told what to show, asked for its light.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use settled_protocol::quantity::{Unphysical, Xyz};
use settled_protocol::stage::Stimulus;

use super::display::Display;
use super::lights::Lights;
use super::place::Place;
use super::rings::Rings;

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
#[derive(Clone, Debug)]
struct Change {
    t_s: f64,
    rings: Rings,
    showing: Showing,
}

/// What is shown, and where meters look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Showing {
    /// What the display shows.
    pub stimulus: Stimulus,
    /// Where meters look, as shares of the screen's width and height from its top left; at the middle if absent.
    pub position: Option<[f64; 2]>,
}

impl Showing {
    fn place(&self) -> Place {
        self.position.map_or(Place::MIDDLE, Place::of)
    }
}

impl Change {
    fn after_s(&self, t_s: f64) -> f64 {
        (t_s - self.t_s).max(0.0)
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
    /// that isn't finite, counts as that one. Meters look at the middle. Gives what it showed until then.
    pub fn show(&self, stimulus: Stimulus, t_s: f64) -> Stimulus {
        self.show_at(stimulus, None, t_s).stimulus
    }

    /// The same, and has meters look at `position` from then on: shares of the screen's width and height from its top left, held within 0
    /// to 1; the middle if absent. Gives what it showed, and where they looked, until then.
    pub fn show_at(&self, stimulus: Stimulus, position: Option<[f64; 2]>, t_s: f64) -> Showing {
        let showing = Showing { stimulus, position };
        let mut history = self.history_from(t_s);
        let Some(last) = history.back() else { return showing };
        let before = last.showing;
        let t_s = if t_s.is_finite() { t_s.max(last.t_s) } else { last.t_s };
        let rings = last.rings.showing(&self.display, &stimulus, last.after_s(t_s));
        history.push_back(Change { t_s, rings, showing });
        while history.len() > REMEMBERED {
            history.pop_front();
        }
        before
    }

    /// What an ideal meter would see at `t_s`, where meters look then: no noise, no errors, no time to integrate. `t_s` may lie ahead; of what
    /// lies behind, the last 1024 changes are remembered.
    ///
    /// # Errors
    /// [`Unphysical`] if the model gives a number that isn't finite; its settings' ranges don't let it.
    pub fn truth(&self, t_s: f64) -> Result<Xyz, Unphysical> {
        Xyz::try_from(self.mean(t_s, t_s))
    }

    /// The same at `position`, wherever meters look: shares of the screen's width and height from its top left, held within 0 to 1.
    ///
    /// # Errors
    /// As [`Self::truth`].
    pub fn truth_at(&self, position: [f64; 2], t_s: f64) -> Result<Xyz, Unphysical> {
        Xyz::try_from(self.mean_at(Some(Place::of(position)), t_s, t_s))
    }

    /// The mean light from `begin_s` to `end_s`: X, Y and Z in cd/m².
    pub(super) fn mean(&self, begin_s: f64, end_s: f64) -> [f64; 3] {
        self.mean_at(None, begin_s, end_s)
    }

    /// The mean light at `place`, or else where meters look.
    fn mean_at(&self, place: Option<Place>, begin_s: f64, end_s: f64) -> [f64; 3] {
        let history = self.history_from(begin_s);
        let first = history.partition_point(|change| change.t_s <= begin_s).saturating_sub(1);
        let mut sum = [0.0; 3];
        let mut from_s = begin_s;
        for (index, change) in history.iter().enumerate().skip(first) {
            let next_s = history.get(index + 1).map_or(f64::INFINITY, |next| next.t_s);
            let to_s = next_s.min(end_s).max(from_s);
            let piece = self.piece(change, place, from_s, to_s);
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
    fn piece(&self, change: &Change, place: Option<Place>, from_s: f64, to_s: f64) -> [f64; 3] {
        let place = place.unwrap_or_else(|| change.showing.place());
        let [early, late] = NODES.map(|node| {
            let dt_s = change.after_s(from_s + node * (to_s - from_s));
            change.rings.light(&self.display, place, dt_s)
        });
        std::array::from_fn(|axis| (early[axis] + late[axis]) / 2.0)
    }

    /// In how many parts the screen is now.
    #[cfg(test)]
    pub(super) fn rings(&self) -> usize {
        self.history_from(0.0).back().map_or(0, |last| last.rings.count())
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
            let rings = Rings::cold(&self.display, &stimulus);
            history.push_back(Change { t_s, rings, showing: Showing { stimulus, position: None } });
        }
        history
    }
}

#[cfg(test)]
mod tests;
