//! How far each part of the screen has moved: rings around the middle, as windows are centred and each part of a ring has been shown the same.

use settled_protocol::stage::Stimulus;

use super::display::{Display, Drive, State};
use super::place::Place;

/// Rings that are told apart: one more than different sizes of window. A review has some ten of those. Beyond, the two whose
/// outer edges are nearest to each other become one, which is as the outer one was.
const MOST: usize = 16;

/// The parts of a screen, from the middle outwards. Never empty, and the last one ends at the edge.
#[derive(Clone, Debug)]
pub(super) struct Rings(Vec<Ring>);

#[derive(Clone, Copy, Debug)]
struct Ring {
    /// How far out it goes, as [`Place::reach`].
    reach: f64,
    state: State,
    drive: Drive,
}

impl Rings {
    /// A display that was just switched on and shows `stimulus`.
    pub(super) fn cold(display: &Display, stimulus: &Stimulus) -> Self {
        let [drive, _] = display.drives(stimulus);
        Self(vec![Ring { reach: 1.0, state: State::COLD, drive }]).showing(display, stimulus, 0.0)
    }

    /// `dt_s` later, with `stimulus` from then on.
    pub(super) fn showing(&self, display: &Display, stimulus: &Stimulus, dt_s: f64) -> Self {
        let edge = (stimulus.window_percent / 100.0).clamp(0.0, 1.0).sqrt();
        let [window, background] = display.drives(stimulus);
        let mut rings = Vec::with_capacity(self.0.len() + 1);
        let mut inner = 0.0;
        for ring in &self.0 {
            let state = display.after(&ring.state, ring.drive, dt_s);
            if inner < edge && edge < ring.reach {
                rings.push(Ring { reach: edge, state, drive: window });
            }
            let drive = if ring.reach <= edge { window } else { background };
            rings.push(Ring { reach: ring.reach, state, drive });
            inner = ring.reach;
        }
        while rings.len() > MOST {
            merge_nearest(&mut rings, edge);
        }
        Self(rings)
    }

    #[cfg(test)]
    pub(super) fn count(&self) -> usize {
        self.0.len()
    }

    /// The light at `place`, `dt_s` later: X, Y and Z in cd/m².
    pub(super) fn light(&self, display: &Display, place: Place, dt_s: f64) -> [f64; 3] {
        let found = self.0.iter().find(|ring| place.reach() <= ring.reach).or(self.0.last());
        found.map_or([0.0; 3], |ring| {
            display.light(&display.after(&ring.state, ring.drive, dt_s), ring.drive, place)
        })
    }
}

/// Makes one of the two neighbours whose edges are nearest to each other, but for those that `edge` parts.
fn merge_nearest(rings: &mut Vec<Ring>, edge: f64) {
    let width = |index: usize| rings[index + 1].reach - rings[index].reach;
    let others = (0..rings.len().saturating_sub(1)).filter(|index| rings[*index].reach != edge);
    let Some(nearest) = others.min_by(|a, b| width(*a).total_cmp(&width(*b))) else { return };
    rings.remove(nearest);
}

#[cfg(test)]
mod tests {
    use super::super::rig::{grey, luminance, near, stage, still};
    use super::*;

    #[test]
    fn rings_are_bounded_and_the_window_that_is_shown_keeps_its_edge() {
        let stage = stage(&still("display = \"self-emitting\"\nlimiter_exponent = 0\n"));
        for percent in 1..=100_u8 {
            stage.show(grey(1023, f64::from(percent)), f64::from(percent));
            assert!(stage.rings() <= MOST);
            let edge = (f64::from(percent) / 100.0).sqrt();
            let at = |share: f64| stage.truth_at([0.5 + share / 2.0, 0.5], f64::from(percent)).unwrap().y();
            near(at(edge * 0.999), 800.0, 1e-12);
            assert!(percent == 100 || at(edge * 1.001) < 1e-12);
        }
        near(luminance(&stage, 100.0), 800.0, 1e-12);
    }

    #[test]
    fn what_was_shown_in_one_place_leaves_its_ghost_there() {
        let toml =
            "display = \"self-emitting\"\nretention = 0.1\nretention_s = [600, 300]\nlimiter_exponent = 0\n";
        let stage = stage(&still(toml));
        stage.show(grey(1023, 25.0), 0.0);
        stage.show(grey(512, 100.0), 600.0);
        let at = |x: f64| stage.truth_at([x, 0.5], 600.0).unwrap().y();
        near(at(0.5) / at(0.9), 1.0 - 0.1 * (1.0 - (-1.0_f64).exp()), 1e-12);
        near(at(0.749) / at(0.5), 1.0, 1e-12);
        near(at(0.751) / at(0.9), 1.0, 1e-12);
    }
}
