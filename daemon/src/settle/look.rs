//! One look at the evidence: the shortest window on which every test passes, or what stands in the way.

use std::sync::Arc;

use settled_protocol::quantity::Chromaticity;
use settled_protocol::settling::{Criteria, Estimate, Test};

use super::line::Line;
use super::step::Steps;
use super::student::Student;
use super::track::Track;

/// Fewest readings in a window.
pub(super) const FEWEST: usize = 8;
/// A window is precise enough to judge a drift when the interval is at most this share of the band.
const PRECISE: f64 = 0.5;
/// How much of a line's miss at the end of its window counts as uncertainty.
const LACK_OF_FIT: f64 = 2.5;
/// The miss of the last quarter that noise alone makes likely, in standard errors of the mean.
const MISS_BY_CHANCE: f64 = 0.7;
/// Wander slower than the window leaves no trace inside it: this share of the band is allowed for it …
const WANDER: f64 = 0.16;
/// … and at most this share of the luminance, with this many cd/m², and this distance in u′v′ (engineering judgement), so that wide
/// bands don't make a meter look bad.
const WANDER_MOST: (f64, f64, f64) = (0.0016, 0.0001, 0.0002);
/// The radius of two channels' interval over the larger of the two.
const RADIUS: f64 = 1.25;
/// Windows get longer by this ratio.
const RATIO: f64 = 2.0;

/// What does not change from look to look.
#[derive(Clone, Debug)]
pub(super) struct Rules {
    pub(super) criteria: Criteria,
    /// The shortest window, in s: half a hold.
    pub(super) shortest: f64,
    /// The longest window, in s: 16 holds or 1200 s, whichever is shorter, but two holds at least.
    pub(super) longest: f64,
    confident: Arc<Student>,
    two_sided: Arc<Student>,
}

impl Rules {
    pub(super) fn new(criteria: Criteria) -> Self {
        let hold = criteria.hold_s;
        Self {
            criteria,
            shortest: 0.5 * hold,
            longest: (16.0 * hold).min(1200.0).max(2.0 * hold),
            confident: Student::of(criteria.confidence),
            two_sided: Student::of(0.975),
        }
    }
}

/// The readings a look is at.
#[derive(Clone, Copy, Debug)]
pub(super) struct Readings<'a> {
    pub(super) luminance: &'a Track<1>,
    pub(super) colour: &'a Track<2>,
    /// Middle of the last entry's exposure, in s: windows end here.
    pub(super) last: f64,
    /// End of the last exposure, in s: values are for this time.
    pub(super) now: f64,
    /// The steps of the meter's scale.
    pub(super) steps: Steps,
}

/// One window, judged. Changes are over one hold; chromaticity's are distances in u′v′.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    /// From its first reading to its last, in s.
    pub(super) length: f64,
    pub(super) entries: usize,
    pub(super) readings: usize,
    pub(super) luminance: Line,
    pub(super) band: f64,
    /// Change of luminance, signed.
    pub(super) change: f64,
    /// Half-width of its interval.
    pub(super) change_error: f64,
    /// Luminance now.
    pub(super) value: f64,
    /// Half-width of its 95 % interval.
    pub(super) value_error: f64,
    /// Degrees of freedom, and the quantile of 95 % for them.
    freedom: f64,
    coverage: f64,
    pub(super) colour: Option<Colour>,
}

/// The chromaticity of a window.
#[derive(Clone, Copy, Debug)]
pub(super) struct Colour {
    pub(super) lines: [Line; 2],
    pub(super) band: f64,
    pub(super) change: f64,
    pub(super) change_error: f64,
    pub(super) value: [f64; 2],
    pub(super) value_error: f64,
}

impl Window {
    /// The window of the readings since `from`, if there are enough.
    pub(super) fn judge(rules: &Rules, readings: &Readings, from: f64, fewest: usize) -> Option<Self> {
        let stretch = readings.luminance.since(from);
        if stretch.len() < fewest {
            return None;
        }
        let [line] = stretch.lines()?;
        let length = readings.last - stretch.times().first().copied()?;
        let colour = Colour::lines(readings, from, stretch.len(), fewest)?;
        let freedom = colour.iter().flatten().fold(line.freedom(), |least, line| least.min(line.freedom()));
        let (one_sided, two_sided) = (rules.confident.at(freedom), rules.two_sided.at(freedom));
        let hold = rules.criteria.hold_s;
        let undithered = undithered(readings.steps.luminance(), &line);
        let band = rules.criteria.luminance_band(line.mean);
        let (relative, absolute, _) = WANDER_MOST;
        let wander = relative * line.mean.abs() + absolute;
        let (value, value_error) = now(&line, readings.now, band, wander, two_sided);
        Some(Self {
            length,
            entries: stretch.len(),
            readings: stretch.readings(),
            luminance: line,
            band,
            change: line.slope * hold,
            change_error: one_sided * line.slope_error * hold + undithered * hold / length,
            value,
            value_error: value_error + 0.5 * undithered,
            freedom,
            coverage: two_sided,
            colour: colour
                .map(|lines| Colour::new(rules, lines, line.mean, readings, [one_sided, two_sided]))
                .map(|colour| colour.coarse(readings.steps.chromaticity(), hold / length)),
        })
    }

    /// The larger share of its band that an interval of change takes.
    pub(super) fn imprecision(&self) -> f64 {
        let colour = self.colour.map_or(0.0, |colour| colour.change_error / colour.band);
        (self.change_error / self.band).max(colour)
    }

    /// The larger share of its band that a value's own interval takes.
    fn unresolved(&self) -> f64 {
        let colour = self.colour.map_or(0.0, |colour| colour.value_error / colour.band);
        (self.value_error / self.band).max(colour)
    }

    /// How long it would have to be for its noise not to be in the way, in s: an interval of a slope shrinks as the 3/2 power.
    fn needed_s(&self) -> f64 {
        self.length.max(1.0) * self.imprecision().max(self.unresolved()).powf(2.0 / 3.0)
    }

    /// Whether a drift is out of band beyond doubt.
    pub(super) fn drifts(&self) -> bool {
        self.luminance_drifts() || self.colour.is_some_and(|colour| colour.drifts())
    }

    /// The same of luminance alone.
    pub(super) fn luminance_drifts(&self) -> bool {
        self.change.abs() - self.change_error > self.band
    }

    /// The tests it fails. Two one-sided tests (Schuirmann 1987) of every channel, all of which must pass (Berger 1982),
    /// and the resolution of the value itself. Cited from memory.
    pub(super) fn failing(&self) -> impl Iterator<Item = Test> {
        let fits = |change: f64, error: f64, band: f64| change.abs() + error <= band;
        let luminance = !fits(self.change, self.change_error, self.band);
        let chromaticity =
            self.colour.is_some_and(|colour| !fits(colour.change, colour.change_error, colour.band));
        let resolution = !fits(0.0, self.value_error, self.band)
            || self.colour.is_some_and(|colour| !fits(0.0, colour.value_error, colour.band));
        let tests = [Test::LuminanceDrift, Test::ChromaticityDrift, Test::Resolution];
        tests
            .into_iter()
            .zip([luminance, chromaticity, resolution])
            .filter_map(|(test, fails)| fails.then_some(test))
    }

    /// The value now; nothing where a number is not finite.
    pub(super) fn estimate(&self) -> Option<Estimate> {
        let finite = self.value.is_finite() && self.value_error.is_finite();
        let colour = self.colour.and_then(|colour| {
            let [u, v] = colour.value;
            let chromaticity = Chromaticity::from_uv(u, v).ok()?;
            colour.value_error.is_finite().then_some((chromaticity, colour.value_error))
        });
        finite.then_some(Estimate {
            y: self.value,
            y_u95: self.value_error,
            y_standard: self.value_error / self.coverage,
            coverage_factor: self.coverage,
            degrees_of_freedom: self.freedom,
            chromaticity: colour.map(|(chromaticity, _)| chromaticity),
            chromaticity_u95: colour.map(|(_, error)| error),
            n_effective: self.luminance.effective.min(self.readings as f64),
        })
    }
}

impl Colour {
    /// Whether its drift is out of band beyond doubt.
    pub(super) fn drifts(&self) -> bool {
        self.change - self.change_error > self.band
    }

    /// Lines through u′ and v′: `Some(None)` where the window is to be judged on luminance alone, because less than half of
    /// its readings have a chromaticity; `None` where there are too few for either.
    fn lines(readings: &Readings, from: f64, entries: usize, fewest: usize) -> Option<Option<[Line; 2]>> {
        let stretch = readings.colour.since(from);
        if 2 * stretch.len() < entries {
            return Some(None);
        }
        if stretch.len() < fewest { None } else { Some(stretch.lines()) }
    }

    /// The same, read on a scale with steps: what noise doesn't dither may be off by half a step at either end.
    fn coarse(self, step: Option<f64>, holds: f64) -> Self {
        let [u, v] = self.lines;
        let hidden = undithered(step, &u).max(undithered(step, &v));
        Self {
            change_error: self.change_error + hidden * holds,
            value_error: self.value_error + 0.5 * hidden,
            ..self
        }
    }

    fn new(
        rules: &Rules,
        lines: [Line; 2],
        luminance: f64,
        readings: &Readings,
        quantiles: [f64; 2],
    ) -> Self {
        let [one_sided, two_sided] = quantiles;
        let hold = rules.criteria.hold_s;
        let band = rules.criteria.chromaticity_band(luminance);
        let [u, v] = lines;
        let [(u_now, u_error), (v_now, v_error)] =
            lines.map(|line| now(&line, readings.now, band, WANDER_MOST.2, two_sided));
        Self {
            lines,
            band,
            change: u.slope.hypot(v.slope) * hold,
            change_error: one_sided * u.slope_error.max(v.slope_error) * hold,
            value: [u_now, v_now],
            value_error: RADIUS * u_error.max(v_error),
        }
    }
}

/// The step of a scale that noise is too small to dither; 0 where it isn't.
fn undithered(step: Option<f64>, line: &Line) -> f64 {
    step.filter(|step| line.scatter < 0.5 * step).unwrap_or(0.0)
}

/// The value at `end`, and the half-width of its 95 % interval.
///
/// The drift is followed to the end as far as it is sure: by b²/(b²+SE(b)²) of it. The interval is of type A (JCGM 100,
/// 4.2), with what may be left: the drift that was not followed, the line's miss at the end beyond what noise alone makes of
/// it, and wander slower than the window.
fn now(line: &Line, end: f64, band: f64, wander: f64, two_sided: f64) -> (f64, f64) {
    let sure =
        line.slope * line.slope / (line.slope * line.slope + line.slope_error * line.slope_error + 1e-300);
    let ahead = (end - line.time).max(0.0);
    let by_chance = MISS_BY_CHANCE * line.mean_error;
    let missed = (line.end_miss * line.end_miss - by_chance * by_chance).max(0.0).sqrt();
    let parts = [
        two_sided * line.mean_error,
        two_sided * sure * line.slope_error * ahead,
        (1.0 - sure) * line.slope * ahead,
        LACK_OF_FIT * missed,
        wander.min(WANDER * band),
    ];
    let error = parts.iter().map(|part| part * part).sum::<f64>().sqrt();
    (line.mean + sure * line.slope * ahead, error)
}

/// What one look has seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    /// Whether every test but the one for turning passed.
    pub(super) passes: bool,
    /// Whether a window precise enough to judge found a drift out of band.
    pub(super) drifts: bool,
    /// The window that passed, or else the one that judged the drift.
    pub(super) window: Window,
    /// The window with the surest value.
    pub(super) best: Window,
    /// The last window: what more readings would have to improve on.
    pub(super) last_length: f64,
    pub(super) last_entries: usize,
    /// How long a window would have to be for noise not to be in its way, in s, as the last window has it.
    pub(super) needed_s: f64,
    /// The same by the window that needs least. A long window takes the bend of an approach for noise, a short one doesn't.
    pub(super) least_s: f64,
}

impl Look {
    /// Looks at windows of half a hold and longer, shortest first: short ones follow fast changes, long ones beat noise.
    pub(super) fn at(rules: &Rules, readings: &Readings) -> Option<Self> {
        let span = readings.last - readings.luminance.first_s()?;
        let mut look: Option<Self> = None;
        let mut judged = false;
        let mut contradicted = false;
        let mut length = rules.shortest;
        loop {
            length = length.min(rules.longest);
            let last = length >= rules.longest || length >= span;
            if let Some(window) = Window::judge(rules, readings, readings.last - length, FEWEST) {
                let mut seen = look.map_or_else(|| Self::first(window), |look| look.with(window));
                if !judged && (last || window.imprecision() <= PRECISE) {
                    judged = true;
                    seen.drifts = window.drifts();
                    seen.window = window;
                }
                contradicted |= window.drifts();
                if !contradicted && window.failing().next().is_none() {
                    return Some(Self { passes: true, window, best: window, ..seen });
                }
                look = Some(seen);
            }
            // A length that does not grow is not finite, or zero.
            if last || length * RATIO <= length || length.is_nan() {
                return look;
            }
            length *= RATIO;
        }
    }

    fn first(window: Window) -> Self {
        Self {
            passes: false,
            drifts: false,
            window,
            best: window,
            last_length: window.length,
            last_entries: window.entries,
            needed_s: window.needed_s(),
            least_s: window.needed_s(),
        }
    }

    fn with(self, window: Window) -> Self {
        let surer = window.value_error < self.best.value_error;
        Self {
            window: self.window,
            best: if surer { window } else { self.best },
            drifts: self.drifts,
            least_s: self.least_s.min(window.needed_s()),
            ..Self::first(window)
        }
    }
}
