//! One colour, shown and read by one meter or by both at once, each until it has settled.

use std::cell::{Cell, RefCell};
use std::io::IsTerminal;
use std::time::Duration;

use serde_json::json;
use settled_protocol::method::{MeterSettle, SettleParams, ShowParams, StageShow};
use settled_protocol::notification::SettleProgress;
use settled_protocol::quantity::{Photometric, Xyz};
use settled_protocol::settling::{Criteria, Settled, Verdict};
use settled_protocol::stage::Stimulus;

use super::Failure;
use super::board::{Board, plight};
use super::patch::Patch;
use super::prompt;
use crate::command::settled::awaited;
use crate::connection::Connection;
use crate::lease::inherited;
use crate::output::{CAUTION, FAINT, Output, styled};
use crate::show;

/// A simulated display shows something else at once, or something is wrong.
const PUT_BACK: Duration = Duration::from_secs(1);

/// One of the two meters.
#[derive(Clone, Debug)]
pub(super) struct Looker {
    pub(super) id: String,
    /// Whether it looks at a simulated display, which is told what to show.
    pub(super) simulated: bool,
}

/// What a colour looked like to a meter, once it had settled.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    pub(super) xyz: Xyz,
    /// The uncertainty of its Y, 95 %, in the unit of Y.
    pub(super) y_u95: f64,
    /// That of its chromaticity, in u′v′.
    pub(super) uv_u95: f64,
    /// How long it took, in s of the daemon's clock.
    waited_s: f64,
    photometric: Photometric,
    verdict: Verdict,
    /// The correction that it went through.
    pub(super) correction: Option<String>,
}

/// What a colour is read for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// To make a correction from.
    Correction,
    /// To see how far the display has moved.
    Drift,
}

/// Why there is no such light.
#[derive(Debug)]
pub(super) enum Unseen {
    /// It did not settle: the daemon says why.
    NotSettled(String),
    /// Anything else.
    Failed(Failure),
}

impl<E: Into<Failure>> From<E> for Unseen {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

/// How colours are shown and read.
pub(super) struct Bench<'a> {
    pub(super) output: Output,
    pub(super) connection: &'a Connection,
    pub(super) criteria: Criteria,
    /// What simulated displays are told under: several meters may look at one.
    leases: Option<String>,
    window_percent: f64,
    quiet: bool,
    /// Every display is simulated: nobody has to do anything.
    pub(super) alone: bool,
    steps: usize,
    done: Cell<usize>,
    /// How long all steps that are done took, in s.
    waited_s: Cell<f64>,
    /// What simulated displays showed before, and where meters looked, by meter, in the order of the first change.
    before: RefCell<Vec<Before>>,
    /// Somebody was asked to show a colour.
    asked: Cell<bool>,
}

/// The meter of a simulated display, what that showed, and where meters looked; at the middle if absent.
type Before = (String, Stimulus, Option<[f64; 2]>);

impl<'a> Bench<'a> {
    /// For so many `steps`; `alone` where every display is simulated.
    pub(super) fn new(
        output: Output,
        connection: &'a Connection,
        (criteria, leases): (Criteria, Option<String>),
        (window_percent, steps, quiet, alone): (f64, usize, bool, bool),
    ) -> Self {
        let (done, waited_s, asked) = (Cell::new(0), Cell::new(0.0), Cell::new(false));
        let before = RefCell::default();
        Self {
            output,
            connection,
            criteria,
            leases,
            window_percent,
            quiet,
            alone,
            steps,
            done,
            waited_s,
            before,
            asked,
        }
    }

    /// Says which colour comes, and how long it all will take as far as that can be told.
    pub(super) fn begin(&self, patch: &Patch) {
        if self.quiet {
            return;
        }
        let (done, name) = (self.done.get(), patch.name.as_str());
        let left_s = self.left_s();
        let left = if done == 0 { "at least" } else { "some" };
        let left = format!("{left} {} to go", show::span(left_s));
        self.output.note(
            &format!("colour {} of {}: {name}; {left}", done + 1, self.steps),
            &json!({ "colour": name, "number": done + 1, "of": self.steps, "left_s": left_s }),
        );
    }

    /// How long what is left takes, if it takes what the colours so far took; the hold for each, where there are none.
    #[expect(clippy::cast_precision_loss, reason = "a few colours")]
    fn left_s(&self) -> f64 {
        let done = self.done.get();
        let left = self.steps.saturating_sub(done) as f64;
        left * if done == 0 { self.criteria.hold_s } else { self.waited_s.get() / done as f64 }
    }

    /// A colour is read for good.
    pub(super) fn end(&self) {
        self.done.set(self.done.get() + 1);
    }

    /// Has somebody show a colour again that can't have been shown; an error where nobody is there.
    pub(super) fn again(&self, words: String) -> Result<(), Failure> {
        if self.alone || !std::io::stdin().is_terminal() {
            return Err(Failure::Input(words));
        }
        self.output.note(&styled(CAUTION, &words), &json!({ "caution": { "message": words } }));
        Ok(())
    }

    /// Lets simulated displays show what they showed before, and says what is to be done about a real one.
    pub(super) async fn put_back(&self) {
        let before = self.before.take();
        for (meter, stimulus, position) in before.iter().rev() {
            let params = ShowParams {
                meter: Some(meter.clone()),
                stimulus: *stimulus,
                position: *position,
                lease: self.leases.clone(),
            };
            let shown = tokio::time::timeout(PUT_BACK, self.connection.call::<StageShow>(&params));
            if !matches!(shown.await, Ok(Ok(_))) {
                self.say(&format!("the simulated display of {meter} still shows the last colour"));
                return;
            }
        }
        if !before.is_empty() {
            self.say("the simulated display shows again what it showed before");
        }
        if self.asked.get() {
            self.say("take the colour off the display: it leaves marks on some");
        }
    }

    /// Shows a colour, or has it shown.
    pub(super) async fn show(&self, patch: &Patch, lookers: &[&Looker]) -> Result<(), Failure> {
        for looker in lookers.iter().filter(|looker| looker.simulated) {
            let params = ShowParams {
                meter: Some(looker.id.clone()),
                stimulus: patch.stimulus(self.window_percent),
                position: None,
                lease: self.leases.clone(),
            };
            let shown = self.connection.call::<StageShow>(&params).await?;
            let mut before = self.before.borrow_mut();
            if !before.iter().any(|(meter, ..)| *meter == looker.id) {
                let black = Stimulus { colour: [0; 3], ..Stimulus::peak_white() };
                before.push((looker.id.clone(), shown.before.unwrap_or(black), shown.position_before));
            }
        }
        if self.alone {
            return Ok(());
        }
        self.asked.set(true);
        prompt::enter(self.output, &format!("Show {}", patch.in_words(self.window_percent))).await
    }

    /// Waits until the light of a colour has settled, for one meter or for both at once.
    pub(super) async fn read(
        &self,
        patch: &Patch,
        purpose: Purpose,
        lookers: &[&Looker],
    ) -> Result<Vec<Seen>, Unseen> {
        let board = RefCell::new(Board::of(lookers.len()));
        let mut seen = Vec::new();
        match lookers {
            [one, other] => {
                // Where one fails, the other's request is taken back.
                let (first, second) = tokio::try_join!(
                    self.settle((patch, purpose), one, 0, &board),
                    self.settle((patch, purpose), other, 1, &board)
                )?;
                seen.extend([first, second]);
            }
            _ => {
                for (index, looker) in lookers.iter().enumerate() {
                    seen.push(self.settle((patch, purpose), looker, index, &board).await?);
                }
            }
        }
        self.output.end_status();
        self.waited_s
            .set(self.waited_s.get() + seen.iter().fold(0.0, |most: f64, seen| most.max(seen.waited_s)));
        self.say_seen(patch, lookers, &seen);
        Ok(seen)
    }

    async fn settle(
        &self,
        (patch, purpose): (&Patch, Purpose),
        looker: &Looker,
        index: usize,
        board: &RefCell<Board>,
    ) -> Result<Seen, Unseen> {
        let params = SettleParams {
            meter: looker.id.clone(),
            criteria: self.criteria,
            progress: true,
            lease: inherited(&looker.id),
            ..SettleParams::default()
        };
        let report = |report: SettleProgress| self.progress(patch, looker, index, &report, board);
        let settled = self.connection.call_with_progress::<MeterSettle>(&params, report).await?;
        if let Some(line) = board.borrow_mut().lines.get_mut(index) {
            "settled".clone_into(line);
        }
        seen(patch, purpose, settled)
    }

    fn progress(
        &self,
        patch: &Patch,
        looker: &Looker,
        index: usize,
        report: &SettleProgress,
        board: &RefCell<Board>,
    ) {
        if self.quiet {
            return;
        }
        let mut board = board.borrow_mut();
        if let Some(news) = board.news(index, &looker.id, report.waiting.as_ref()) {
            self.output.end_status();
            let object = json!({ "colour": patch.name, "meter": looker.id, "progress": report });
            self.output.note(&styled(CAUTION, &news), &object);
        }
        if let Some(line) = board.lines.get_mut(index) {
            // What was seen before the meter went away is not what it sees.
            *line = match &report.waiting {
                Some(error) => format!("{}; waiting", plight(&looker.id, error)),
                None => format!("{} {} {}", looker.id, show::number(report.latest), awaited(report)),
            };
        }
        if !self.output.json && Output::has_status() {
            // Two of these must fit a line of a terminal: which colour it is stands above.
            self.output.status(&board.joined());
        } else if report.waiting.is_none() && board.is_time() {
            let object = json!({ "colour": patch.name, "meter": looker.id, "progress": report });
            self.output.note(&format!("{:<8} {}", patch.name.as_str(), board.joined()), &object);
        }
    }

    /// Says what is worth knowing, unless a script listens.
    pub(super) fn say(&self, words: &str) {
        if !self.output.json {
            self.output.aside(words);
        }
    }

    fn say_seen(&self, patch: &Patch, lookers: &[&Looker], seen: &[Seen]) {
        if self.quiet || self.output.json {
            return;
        }
        let how = |verdict| match verdict {
            Verdict::Settled => "",
            Verdict::NoiseLimited => " (no drift to be seen, but noise)",
            _ => " (still moving)",
        };
        let parts = lookers.iter().zip(seen).map(|(looker, seen)| {
            let colour = seen.xyz.chromaticity().map_or_else(String::new, |colour| {
                format!(" u′ {:.4} v′ {:.4}", colour.u_prime(), colour.v_prime())
            });
            let unit = seen.photometric.unit();
            format!("{} {} {unit}{colour}{}", looker.id, show::number(seen.xyz.y()), how(seen.verdict))
        });
        let parts: Vec<String> = parts.collect();
        self.output.aside(&styled(FAINT, &format!("{:<8} {}", patch.name.as_str(), parts.join("  |  "))));
    }
}

/// The light that a settled reading stands for, or one that shows no drift but noise. White at the end may still move: how far it has
/// moved is what is asked. Without a chromaticity it is no light that a correction can be made from.
fn seen(patch: &Patch, purpose: Purpose, settled: Settled) -> Result<Seen, Unseen> {
    let Settled { meter, verdict, value, message, correction, observer, quantity, waited_s, .. } = settled;
    let name = patch.name.as_str();
    let good = match verdict {
        Verdict::Settled | Verdict::NoiseLimited => true,
        Verdict::WontSettle | Verdict::TimedOut | Verdict::Lost => {
            purpose == Purpose::Drift && value.is_some()
        }
    };
    if !good {
        return Err(Unseen::NotSettled(format!("{name} did not settle for {meter}: {message}")));
    }
    if let Some(observer) = observer {
        return Err(Failure::Usage(format!(
            "{meter} sums its spectra up by the observer {}, and a colorimeter's filters are those of 1931-2: let the config say so",
            observer.name()
        ))
        .into());
    }
    let y = value.as_ref().map(|value| value.y);
    let (y_u95, uv_u95) =
        value.as_ref().map_or((0.0, 0.0), |value| (value.y_u95, value.chromaticity_u95.unwrap_or_default()));
    let xyz = value.and_then(|value| Xyz::from_chromaticity(value.chromaticity?, value.y).ok());
    let xyz =
        xyz.filter(|xyz| xyz.y() > 0.0).ok_or_else(|| Failure::Input(dark(&meter, name, y, quantity)))?;
    Ok(Seen { xyz, y_u95, uv_u95, waited_s, photometric: quantity, verdict, correction })
}

/// Why a meter saw no colour, and what to do.
fn dark(meter: &str, name: &str, y: Option<f64>, quantity: Photometric) -> String {
    match y.filter(|y| *y < 0.0) {
        Some(y) => format!(
            "{meter} gave a negative {} for {name} ({} {}): its zero is off, or it looks at no light; settle meters tells of its zeroing",
            if quantity == Photometric::Illuminance { "illuminance" } else { "luminance" },
            show::number(y),
            quantity.unit()
        ),
        None => format!("{meter} saw no chromaticity of {name}: show it brighter, or in a larger window"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn brighter_is_no_advice_where_a_luminance_is_negative() {
        let words = |y| dark("bench", "white", y, Photometric::Luminance);
        assert!(words(Some(0.01)).contains("show it brighter") && words(None).contains("show it brighter"));
        let negative = words(Some(-0.25));
        assert!(
            negative.contains("negative luminance for white (-0.25") && !negative.contains("brighter"),
            "{negative}"
        );
    }
}
