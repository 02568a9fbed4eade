//! From a sequence of a plan to what is shown: one step after the other, as the plan lists them.
//!
//! | kind | steps |
//! |---|---|
//! | white and black | 0 white, 1 black |
//! | greys | from black to white |
//! | near black | 0 black, then from dark to light |
//! | primaries | red, green, blue, cyan, magenta, yellow, white |
//! | saturation | of red, green, blue, cyan, magenta and yellow, each from white towards the colour |
//! | chart | as the chart lists them |
//! | window | one each area |
//! | peak held, cold start | 0, watched |
//! | retention | 0 the grey, 1 the bright window, watched while it is held, 2 the grey again, watched |
//! | uniformity | row by row from the top left |
//! | ambient | 0, the display switched off |

use super::chart;
use super::patch::{Coding, Patch};
use super::plan::{Sequence, Set, What};
use super::saturation;

/// One thing to show, and how it is looked at.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Which one of its sequence, from 0.
    pub step: usize,
    /// What is shown.
    pub patch: Patch,
    /// Where the meter looks, as shares of the screen's width and height from its top left; the middle if absent.
    pub position: Option<[f64; 2]>,
    /// For how long it is watched from when it is shown, in s; absent where a settled reading is wanted.
    pub watch_s: Option<f64>,
    /// The display is switched off: the patch is black, and isn't shown.
    pub off: bool,
}

/// Red, green, blue, cyan, magenta and yellow, at full signal.
pub const COLOURS: [(&str, [f64; 3]); 6] = [
    ("red", [1.0, 0.0, 0.0]),
    ("green", [0.0, 1.0, 0.0]),
    ("blue", [0.0, 0.0, 1.0]),
    ("cyan", [0.0, 1.0, 1.0]),
    ("magenta", [1.0, 0.0, 1.0]),
    ("yellow", [1.0, 1.0, 0.0]),
];

/// What a sequence shows, as the plan lists it. Nothing of a chart that is in a file which hasn't been read.
#[must_use]
pub fn steps(set: &Set, sequence: &Sequence) -> Vec<Step> {
    let easel = Easel { coding: set.coding, sequence };
    let mut steps: Vec<Step> = match &sequence.what {
        What::WhiteBlack => vec![easel.grey("white", 1.0), easel.grey("black", 0.0)],
        What::Grey { steps } => {
            let last = steps.saturating_sub(1).max(1);
            (0..*steps).map(|step| easel.level(share(step, last))).collect()
        }
        What::NearBlack { up_to, steps } => {
            (0..=*steps).map(|step| easel.level(up_to * share(step, (*steps).max(1)))).collect()
        }
        What::Primaries => COLOURS
            .iter()
            .chain(&[("white", [1.0; 3])])
            .map(|(name, signal)| easel.colour(name, *signal))
            .collect(),
        What::Saturation { steps } => COLOURS
            .iter()
            .flat_map(|(name, colour)| (1..=*steps).map(move |step| (name, colour, share(step, *steps))))
            .map(|(name, colour, part)| {
                let signal = saturation::signal(&set.aim, *colour, part);
                easel.colour(&format!("{name} {}", percent(part)), signal)
            })
            .collect(),
        What::Chart { file, colours } => {
            let built_in = if file.is_none() && colours.is_empty() { chart::built_in() } else { Vec::new() };
            colours.iter().chain(&built_in).map(|colour| easel.colour(&colour.name, colour.signal)).collect()
        }
        What::Window { areas_percent } => areas_percent.iter().map(|area| easel.window(*area)).collect(),
        What::PeakHold { hold_s } => vec![Step { watch_s: Some(*hold_s), ..easel.grey("white held", 1.0) }],
        What::ColdStart { watch_s, signal } => vec![Step { watch_s: Some(*watch_s), ..easel.level(*signal) }],
        What::Retention { hold_s, watch_s, signal } => easel.retention(*hold_s, *watch_s, *signal),
        What::Uniformity { columns, rows, signal } => easel.uniformity(*columns, *rows, *signal),
        What::Ambient => vec![Step { off: true, ..easel.grey("display off", 0.0) }],
    };
    steps.iter_mut().enumerate().for_each(|(index, step)| step.step = index);
    steps
}

/// What patches of one sequence have in common.
struct Easel<'a> {
    coding: Coding,
    sequence: &'a Sequence,
}

impl Easel<'_> {
    fn colour(&self, name: &str, signal: [f64; 3]) -> Step {
        let codes = signal.map(|signal| self.coding.code(signal));
        let background = [self.coding.code(self.sequence.background); 3];
        let window_percent = self.sequence.window_percent;
        let patch = Patch { name: name.to_owned(), codes, background, window_percent };
        Step { step: 0, patch, position: None, watch_s: None, off: false }
    }

    fn grey(&self, name: &str, signal: f64) -> Step {
        self.colour(name, [signal; 3])
    }

    /// A grey that is called by its signal.
    fn level(&self, signal: f64) -> Step {
        let name = if signal <= 0.0 {
            "black".to_owned()
        } else if signal >= 1.0 {
            "white".to_owned()
        } else {
            format!("grey {}", percent(signal))
        };
        self.grey(&name, signal)
    }

    fn window(&self, area_percent: f64) -> Step {
        let mut step = self.grey(&format!("white on {}", percent(area_percent / 100.0)), 1.0);
        step.patch.window_percent = area_percent;
        step
    }

    fn field(&self, signal: f64) -> Step {
        let mut step = self.level(signal);
        step.patch.window_percent = 100.0;
        step.patch.background = step.patch.codes;
        step
    }

    fn retention(&self, hold_s: f64, watch_s: f64, signal: f64) -> Vec<Step> {
        let after = Step { watch_s: Some(watch_s), ..self.field(signal) };
        vec![self.field(signal), Step { watch_s: Some(hold_s), ..self.grey("white held", 1.0) }, after]
    }

    fn uniformity(&self, columns: usize, rows: usize, signal: f64) -> Vec<Step> {
        let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (row, column)));
        let at = |(row, column): (usize, usize)| {
            let mut step = self.field(signal);
            step.patch.name = format!("row {}, column {}", row + 1, column + 1);
            step.position = Some([middle(column, columns), middle(row, rows)]);
            step
        };
        places.map(at).collect()
    }
}

#[expect(clippy::cast_precision_loss, reason = "a few hundred steps")]
fn share(part: usize, whole: usize) -> f64 {
    part as f64 / whole as f64
}

/// The middle of one of so many equal parts.
#[expect(clippy::cast_precision_loss, reason = "a few positions")]
fn middle(index: usize, count: usize) -> f64 {
    (index as f64 + 0.5) / count as f64
}

/// `2.5 %`: no more digits than there are, and two at most.
fn percent(share: f64) -> String {
    let text = format!("{:.2}", 100.0 * share);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}

#[cfg(test)]
mod tests;
