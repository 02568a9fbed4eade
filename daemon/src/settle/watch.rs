//! While settled: is it still?

use super::look::{Look, Readings, Window};
use super::step::Steps;
use super::{Change, Engine};

/// Standard errors, beside a band, by which a settled level must have moved to be lost.
const MOVED: f64 = 4.0;
/// The spans whose means are compared with it, in half holds: a large move shows soon, a small one in the long run.
const MOVED_OVER: [f64; 2] = [0.35, 1.0];
/// How far apart, in bands, the last half hold and a new baseline may be.
const AGREES: f64 = 0.3;
/// The same, in standard errors beside that.
const APART: f64 = 2.0;
/// Entries kept when the level has moved without a step.
const KEPT: usize = 5;

/// The level that was declared settled.
#[derive(Clone, Copy, Debug)]
pub(super) struct Baseline {
    since: f64,
    y: f64,
    uv: Option<[f64; 2]>,
}

impl Engine {
    pub(super) fn settle(&mut self, window: &Window, now: f64) {
        let uv = window.colour.map(|colour| colour.value);
        self.settled = Some(Baseline { since: now, y: window.value, uv });
        (self.forecast, self.limit) = (None, None);
    }

    /// While settled: lost where the drift is out of band or the level has moved; confirmed once a hold.
    pub(super) fn watch(&mut self, look: &Look, baseline: Baseline, now: f64) -> Option<Change> {
        let moved = self.has_moved(&look.window, baseline, now);
        if moved || look.drifts {
            let change = self.lose(now);
            if moved {
                self.restart(KEPT);
            }
            return change;
        }
        let due = now - baseline.since >= self.rules.criteria.hold_s;
        if due && look.passes && !self.is_mixed(&look.window, now) {
            self.settle(&look.window, now);
        }
        None
    }

    /// Whether a window holds two levels: the last half hold lies apart from what the window says is now. A baseline half-way
    /// between them would hide a step of less than two bands.
    fn is_mixed(&self, window: &Window, now: f64) -> bool {
        let Some(recent) = self.recent(self.rules.shortest, f64::MIN, now) else { return true };
        let line = recent.luminance;
        (line.mean - window.value).abs() > AGREES * window.band + APART * line.mean_error
    }

    /// The last `span` seconds, [`KEPT`] entries at least, but nothing from before `since`.
    fn recent(&self, span: f64, since: f64, now: f64) -> Option<Window> {
        let last = self.luminance.last_s()?;
        let kept = self.luminance.nth_last_s(KEPT).unwrap_or(last);
        let readings =
            Readings { luminance: &self.luminance, colour: &self.colour, last, now, steps: Steps::default() };
        Window::judge(&self.rules, &readings, (last - span).min(kept).max(since), KEPT)
    }

    /// Whether the light is off its baseline by more than noise and a band allow.
    fn has_moved(&self, window: &Window, baseline: Baseline, now: f64) -> bool {
        let spans = MOVED_OVER.map(|share| share * self.rules.shortest);
        spans.into_iter().any(|span| self.is_off(window, baseline, now, span))
    }

    /// Whether the mean of the last `span` seconds, all since the baseline, is off.
    fn is_off(&self, window: &Window, baseline: Baseline, now: f64, span: f64) -> bool {
        let Some(recent) = self.recent(span, baseline.since, now) else { return false };
        let line = recent.luminance;
        if (line.mean - baseline.y).abs() > window.band + MOVED * line.mean_error && window.band > 0.0 {
            return true;
        }
        let (Some(colour), Some([u, v])) = (recent.colour, baseline.uv) else { return false };
        let [u_line, v_line] = colour.lines;
        let off = (u_line.mean - u).hypot(v_line.mean - v);
        off > colour.band + MOVED * u_line.mean_error.max(v_line.mean_error)
    }
}
