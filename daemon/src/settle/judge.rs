//! Windows of readings, judged: does the trend stay within its bands for the next hold, and is the value known well enough?
//!
//! The test is one of equivalence (two one-sided tests, Schuirmann 1987): the change over the hold, plus the error of that change at the
//! confidence asked for, must fit the band, in every channel (intersection-union test, Berger 1982). Both cited from memory. The
//! shortest window that passes wins: short ones follow fast changes, long ones beat noise.

use settled_protocol::settling::{Criteria, Drift, Test};

use super::curvature::{leaves, turns};
use super::line::Line;
use super::student::Student;
use super::trace::Trace;

/// Fewest readings in a window.
pub(super) const FEWEST: usize = 8;

/// A window judges the drift if the error of the change is at most this share of the band.
const PRECISE: f64 = 0.5;

/// Below this standard deviation, in quanta, readings are not dithered.
const DITHERED: f64 = 0.5;

/// A radius in u′v′ from the larger of two half-widths.
const RADIUS: f64 = 1.25;

/// The quantiles that a judgement needs.
#[derive(Clone, Debug)]
pub(super) struct Quantiles {
    /// At the confidence asked for, one-sided.
    pub(super) look: Student,
    /// At 97.5 %, one-sided: the 95 % interval.
    pub(super) interval: Student,
}

/// One window, judged.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    /// Index of its first entry.
    pub(super) first: usize,
    pub(super) n: usize,
    pub(super) span_s: f64,
    /// Bands of luminance and of chromaticity.
    pub(super) bands: [f64; 2],
    pub(super) luminance: Line,
    /// Lines of u′ and v′, where enough of the readings have them.
    pub(super) colour: Option<[Line; 2]>,
    pub(super) luminance_drift: Drift,
    pub(super) colour_drift: Option<Drift>,
    /// Standard uncertainty and half-width of the 95 % interval of luminance at the end of the window.
    pub(super) y_uncertainty: (f64, f64),
    /// Radius of the 95 % interval of chromaticity.
    pub(super) colour_u95: Option<f64>,
}

/// The outcome of a search through the windows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Judgement {
    /// Whether a window passed.
    pub(super) passed: bool,
    /// The one that passed, or the last that was tried.
    pub(super) window: Window,
    /// The one to show: that which passed, or the first that was precise enough to judge the drift.
    pub(super) shown: Window,
    /// Whether the drift is out of its band, for certain.
    pub(super) drifting: bool,
}

impl Window {
    /// The window of the last `length_s`; nothing if it has too few readings.
    fn new(
        trace: &Trace,
        length_s: f64,
        criteria: &Criteria,
        quantum: f64,
        quantiles: &mut Quantiles,
    ) -> Option<Self> {
        let first = trace.since(length_s);
        let t = trace.t().get(first..)?;
        if t.len() < FEWEST {
            return None;
        }
        let channel = |index: usize| trace.channel(index).get(first..).unwrap_or_default();
        let luminance = Line::fit(t, channel(0))?;
        let enough = |line: &Line| line.n >= FEWEST as f64 && line.n >= 0.5 * t.len() as f64;
        let colour =
            Line::fit(t, channel(1)).zip(Line::fit(t, channel(2))).filter(|(u, v)| enough(u) && enough(v));
        let colour = colour.map(|(u, v)| [u, v]);
        let span_s = t.last()? - t.first()?;
        let lines = [Some(luminance), colour.map(|[u, _]| u), colour.map(|[_, v]| v)];
        let n_effective = lines.iter().flatten().map(|line| line.n_effective).fold(f64::INFINITY, f64::min);
        let (look, t95) =
            (quantiles.look.quantile(n_effective - 2.0), quantiles.interval.quantile(n_effective - 2.0));
        let bands = [criteria.luminance_band(luminance.mean), criteria.chromaticity_band(luminance.mean)];
        let undithered = if luminance.sd < DITHERED * quantum { quantum } else { 0.0 };
        let hold_s = criteria.hold_s;
        let (standard, expanded) = luminance.uncertainty(span_s, t95);
        Some(Self {
            first,
            n: t.len(),
            span_s,
            bands,
            luminance,
            colour,
            luminance_drift: Drift {
                bands_per_hold: luminance.slope * hold_s / bands[0],
                interval: (look * luminance.se_slope * hold_s + undithered * hold_s / span_s) / bands[0],
            },
            colour_drift: colour.map(|[u, v]| Drift {
                bands_per_hold: u.slope.hypot(v.slope) * hold_s / bands[1],
                interval: look * u.se_slope.max(v.se_slope) * hold_s / bands[1],
            }),
            y_uncertainty: (standard + undithered / 12.0_f64.sqrt(), expanded + 0.5 * undithered),
            colour_u95: colour.map(|lines| {
                RADIUS * lines.map(|line| line.uncertainty(span_s, t95).1).into_iter().fold(0.0, f64::max)
            }),
        })
    }

    fn drifts(&self) -> impl Iterator<Item = Drift> {
        [Some(self.luminance_drift), self.colour_drift].into_iter().flatten()
    }

    /// The larger error of the change over a hold, in bands.
    fn error(&self) -> f64 {
        self.drifts().map(|drift| drift.interval).fold(0.0, f64::max)
    }

    /// The larger error of the change or of the value, in bands: what more readings would have to bring down to 1.
    pub(super) fn want(&self) -> f64 {
        let value = self.y_uncertainty.1 / self.bands[0];
        self.error().max(value).max(self.colour_u95.map_or(0.0, |u95| u95 / self.bands[1]))
    }

    fn drifting(&self) -> bool {
        self.drifts().any(|drift| drift.bands_per_hold.abs() - drift.interval > 1.0)
    }

    /// The tests that this window fails.
    pub(super) fn failing(&self) -> impl Iterator<Item = Test> {
        let fits = |drift: Drift| drift.bands_per_hold.abs() + drift.interval <= 1.0;
        let resolved =
            self.y_uncertainty.1 <= self.bands[0] && self.colour_u95.is_none_or(|u95| u95 <= self.bands[1]);
        let tests = [
            (Test::LuminanceDrift, fits(self.luminance_drift)),
            (Test::ChromaticityDrift, self.colour_drift.is_none_or(fits)),
            (Test::Resolution, resolved),
        ];
        tests.into_iter().filter(|(_, holds)| !holds).map(|(test, _)| test)
    }

    /// Luminance, u′ and v′ at the end of the window; an unknown chromaticity is NaN.
    pub(super) fn end(&self) -> [f64; 3] {
        let [u, v] = self.colour.map_or([f64::NAN; 2], |lines| lines.map(|line| line.end(self.span_s)));
        [self.luminance.end(self.span_s), u, v]
    }

    /// Whether the light is about to turn out of its bands, by a parabola over this window or over a whole hold.
    pub(super) fn about_to_turn(&self, trace: &Trace, hold_s: f64) -> bool {
        let longer = self.first.min(trace.since(hold_s));
        let slopes = [
            Some(self.luminance.slope),
            self.colour.map(|[u, _]| u.slope),
            self.colour.map(|[_, v]| v.slope),
        ];
        slopes.into_iter().enumerate().any(|(channel, slope)| {
            let (Some(slope), values) = (slope, trace.channel(channel)) else { return false };
            let band = self.bands[channel.min(1)];
            let from = |first: usize| {
                (trace.t().get(first..).unwrap_or_default(), values.get(first..).unwrap_or_default())
            };
            let ((t, y), (t_long, y_long)) = (from(self.first), from(longer));
            leaves(t_long, y_long, hold_s, band, (slope, self.span_s)) || turns(t, y, hold_s, band)
        })
    }
}

/// Tries windows of half a hold, and twice as long each time up to `longest_s`, until one passes.
pub(super) fn judge(
    trace: &Trace,
    criteria: &Criteria,
    longest_s: f64,
    quantum: f64,
    quantiles: &mut Quantiles,
) -> Option<Judgement> {
    let all_s = trace.t().last()? - trace.t().first()?;
    let mut length_s = 0.5 * criteria.hold_s;
    let mut judgement: Option<Judgement> = None;
    let mut precise = false;
    loop {
        length_s = length_s.min(longest_s);
        let last = length_s >= longest_s || length_s >= all_s;
        if let Some(window) = Window::new(trace, length_s, criteria, quantum, quantiles) {
            let passed = window.failing().next().is_none();
            let earlier = judgement.take();
            let (mut shown, mut drifting) =
                earlier.map_or((window, false), |earlier| (earlier.shown, earlier.drifting));
            if !precise {
                shown = window;
            }
            if !precise && (window.error() <= PRECISE || last) {
                precise = true;
                drifting = window.drifting();
            }
            if passed {
                return Some(Judgement { passed, window, shown: window, drifting });
            }
            judgement = Some(Judgement { passed, window, shown, drifting });
        }
        if last {
            return judgement;
        }
        length_s *= 2.0;
    }
}
