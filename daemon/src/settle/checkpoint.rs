//! While unsettled: when will it settle, and is there any hope?

use settled_protocol::settling::Verdict;

use super::look::Look;
use super::{Change, Engine, forecast};

/// Successive checkpoints that must agree before light is called hopeless, or noise.
const AGREEING: (u32, u32) = (2, 3);
/// Checkpoints follow each other by this share of the time since the last restart, in [`CHECK_S`] at the soonest.
const CHECK_RATIO: f64 = 1.08;
/// The shortest time between checkpoints, in s.
const CHECK_S: f64 = 2.0;
/// Fewest block means for a forecast.
const FEWEST_BLOCKS: usize = 6;
/// No verdict on the future sooner than this, or two holds, in s.
const PATIENCE_S: f64 = 120.0;
/// Noise-limited when the window needed is longer than the longest by this factor.
const HOPELESS: f64 = 1.3;
/// It is no noise where any window needs no more than this share of the longest: a long window takes the bend of an approach for
/// noise, a short one less so, while under mere noise all windows need about the same.
const HOPEFUL: f64 = 0.25;
/// Residuals more alike than this from one reading to the next are a curve, not noise.
const SMOOTH: f64 = 0.95;

/// Verdicts on the future wait until checkpoints agree.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Checks {
    /// Time since the restart of the next one, in s.
    next: f64,
    /// The latest block that the last one knew: without a new one there is nothing new to say.
    seen_s: Option<f64>,
    out_of_reach: u32,
    too_noisy: u32,
}

impl Engine {
    /// At checkpoints: a new forecast, and whether there is any hope.
    pub(super) fn check(&mut self, look: &Look, now: f64) -> Option<Change> {
        let elapsed = now - self.restarted_s?;
        let blocks = self.blocks.full();
        let latest_s = blocks.last().map(|block| block.time);
        if elapsed < self.checks.next || blocks.len() < FEWEST_BLOCKS || latest_s == self.checks.seen_s {
            return None;
        }
        self.checks.seen_s = latest_s;
        self.checks.next = (elapsed * CHECK_RATIO).max(elapsed + CHECK_S);
        let hold = self.rules.criteria.hold_s;
        let colour_band = self.rules.criteria.chromaticity_band(look.window.luminance.mean);
        let bands = [look.window.band, colour_band];
        let start = self.restarted_s.unwrap_or(now);
        let outlook = forecast::forecast(blocks, start, now, hold, bands);
        self.forecast = outlook.since(self.started_s);
        self.limit = outlook.limit;
        let latest = self.started_s + self.rules.criteria.max_wait_s;
        let out_of_reach = look.drifts
            && outlook.earliest > latest
            && elapsed >= (2.0 * hold).max(PATIENCE_S.min(20.0 * hold));
        let longest = self.rules.longest;
        let hopeless = look.needed_s > HOPELESS * longest && look.least_s > HOPEFUL * longest;
        let smooth = look.window.luminance.alike > SMOOTH;
        let too_noisy = !look.passes && !look.drifts && hopeless && !smooth && elapsed >= 2.0 * hold;
        self.checks.out_of_reach = if out_of_reach { self.checks.out_of_reach.saturating_add(1) } else { 0 };
        self.checks.too_noisy = if too_noisy { self.checks.too_noisy.saturating_add(1) } else { 0 };
        self.despair(now)
    }

    /// What was called hopeless and no longer looks so is open again.
    fn take_back(&mut self) {
        let hope = self.checks.out_of_reach == 0 && self.checks.too_noisy == 0;
        if hope && matches!(self.verdict, Some(Verdict::WontSettle | Verdict::NoiseLimited)) {
            self.verdict = None;
        }
    }

    fn despair(&mut self, now: f64) -> Option<Change> {
        let verdict = if self.checks.out_of_reach >= AGREEING.0 {
            Verdict::WontSettle
        } else if self.checks.too_noisy >= AGREEING.1 {
            Verdict::NoiseLimited
        } else {
            self.take_back();
            return None;
        };
        (self.verdict != Some(verdict)).then(|| self.announce(verdict, now))
    }
}
