//! A plan measured twice over: each stimulus settled by the review's criteria, and read once after a fixed delay. Not a test: nothing is asserted.
//!
//! `cargo bench -p settled-tests --bench waiting -- [--plan NAME] [--seed N]`
//!
//! Prints the table of client/REVIEW.md. The truth is what each stimulus comes to: the model's own light once it has been shown for two minutes, the longest
//! that a review waits. The display's dynamics and the meter's noise and exposure times are the simulated meter's (`drivers/src/simulated.rs`).

#![expect(clippy::print_stdout, clippy::unwrap_used, reason = "a benchmark prints")]

use settle::review::criteria::{criteria, is_bright};
use settle::review::itinerary::{Stop, stops};
use settle::review::plan::Plan;
use settle::review::ready::Ready;
use settled::settle::{Judge, Observation};
use settled_drivers::simulated::{self, Stage};
use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::settling::Verdict;
use settled_protocol::stage::Stimulus;

#[path = "settling/noise.rs"]
#[expect(dead_code, reason = "other noise is for other benchmarks")]
mod noise;

use noise::Dice;

/// When a stimulus has come to what it comes to, in s since it was shown.
const COMES_TO_S: f64 = 120.0;
/// From here on a relative error is told, below it one in cd/m².
const DARK_CD_M2: f64 = 1.0;
/// Below this a meter sees no colour.
const COLOUR_FROM_CD_M2: f64 = 0.02;

/// Displays: how they are called, their settings, and for how long they have been on.
const DISPLAYS: [(&str, &str, f64); 4] = [
    ("backlit, warm", "display = \"backlit\"\n", 14_400.0),
    ("backlit, just switched on", "display = \"backlit\"\n", 0.0),
    ("self-emitting, warm", "display = \"self-emitting\"\n", 14_400.0),
    ("self-emitting, just switched on", "display = \"self-emitting\"\n", 0.0),
];

/// How long a stimulus is waited for.
#[derive(Clone, Copy, Debug)]
enum Way {
    /// By the review's criteria.
    Settled,
    /// So many seconds, and then one reading.
    After(f64),
}

const WAYS: [(&str, Way); 3] =
    [("settled", Way::Settled), ("after 2 s", Way::After(2.0)), ("after 5 s", Way::After(5.0))];

/// What one way came to.
#[derive(Debug, Default)]
struct Outcome {
    took_s: f64,
    stimuli: usize,
    /// Where anybody looks.
    unsettled: Option<usize>,
    /// Relative, in per cent, of stimuli from [`DARK_CD_M2`] up.
    bright: Vec<f64>,
    /// In cd/m², of darker ones.
    dark: Vec<f64>,
    /// In u′v′, of stimuli from [`DARK_CD_M2`] up.
    colour: Vec<f64>,
}

/// What is found of a stimulus, and when.
struct Found {
    luminance: f64,
    chromaticity: Option<Chromaticity>,
    at_s: f64,
    /// Nothing where nobody looks.
    is_settled: Option<bool>,
}

fn main() {
    let (mut name, mut seed) = ("sdr-full".to_owned(), 1_u64);
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--plan" => name = words.next().unwrap(),
            "--seed" => seed = words.next().unwrap().parse().unwrap(),
            _ => {}
        }
    }
    let plan = Ready::named(&name).unwrap().plan().unwrap();
    println!(
        "| display | waited | minutes | not settled | off, %: median, 95 %, most | below 1 cd/m²: median, 95 % | Δu′v′: median, 95 % |"
    );
    println!("|---|---|---|---|---|---|---|");
    for (display, settings, on_s) in DISPLAYS {
        for (way_name, way) in WAYS {
            print(display, way_name, &measured(&plan, settings, on_s, way, seed));
        }
    }
}

fn print(display: &str, way: &str, outcome: &Outcome) {
    let [bright, dark, colour] = [&outcome.bright, &outcome.dark, &outcome.colour]
        .map(|errors| [0.5, 0.95, 1.0].map(|share| quantile(errors, share)));
    println!(
        "| {display} | {way} | {:.0} | {} | {:.2}, {:.2}, {:.2} | {:.5}, {:.5} | {:.5}, {:.5} |",
        outcome.took_s / 60.0,
        outcome.unsettled.map_or("–".to_owned(), |count| format!("{count} of {}", outcome.stimuli)),
        bright[0],
        bright[1],
        bright[2],
        dark[0],
        dark[1],
        colour[0],
        colour[1],
    );
}

fn quantile(errors: &[f64], share: f64) -> f64 {
    let mut sorted = errors.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().saturating_sub(1);
    sorted.get((share * last as f64).round() as usize).copied().unwrap_or(f64::NAN)
}

/// The plan's stimuli that are settled, one after the other; what is watched is left out.
fn measured(plan: &Plan, settings: &str, on_s: f64, way: Way, seed: u64) -> Outcome {
    let stage = simulated::stage(settings).unwrap_or_else(|problems| panic!("{problems}"));
    let mut dice = Dice::new(seed, 42, 0, 0);
    let mut outcome = Outcome::default();
    stage.show(Stimulus { colour: [0; 3], ..Stimulus::peak_white() }, 0.0);
    let mut now_s = on_s;
    for stop in stops(plan, &[], None).iter().filter(|stop| stop.step.watch_s.is_none() && !stop.step.off) {
        stage.show_at(stop.step.patch.stimulus(stop.set.coding), stop.step.position, now_s);
        let truth = stage.truth(now_s + COMES_TO_S).unwrap();
        let found = match way {
            Way::Settled => settled(&stage, stop, now_s, &mut dice),
            Way::After(delay_s) => after(&stage, now_s + delay_s, &mut dice),
        };
        outcome.count(truth, &found);
        now_s = found.at_s;
        if is_bright(stop) && stop.sequence.rest_s > 0.0 {
            stage.show(Stimulus { colour: [0; 3], ..Stimulus::peak_white() }, now_s);
            now_s += stop.sequence.rest_s;
        }
    }
    outcome.took_s = now_s - on_s;
    outcome
}

impl Outcome {
    fn count(&mut self, truth: Xyz, found: &Found) {
        self.stimuli += 1;
        if let Some(is_settled) = found.is_settled {
            *self.unsettled.get_or_insert(0) += usize::from(!is_settled);
        }
        let off = (found.luminance - truth.y()).abs();
        if truth.y() < DARK_CD_M2 {
            self.dark.push(off);
            return;
        }
        self.bright.push(100.0 * off / truth.y());
        let colours = found.chromaticity.zip(truth.chromaticity());
        self.colour.extend(colours.map(|(found, truth)| found.distance(truth)));
    }
}

/// One exposure from `from_s` on, as long as the meter takes by itself: what it answers, and when it ends.
fn exposed(stage: &Stage, from_s: f64, dice: &mut Dice) -> (f64, Option<Chromaticity>, f64) {
    let glance = stage.truth(from_s).unwrap().y();
    let integration_s = (50.0 / glance.max(1e-9)).clamp(1.0, 5.0);
    let light = stage.truth(from_s + integration_s / 2.0).unwrap();
    let noisy = |value: f64, dice: &mut Dice| {
        let shot = 0.015 * (value.max(0.0) / integration_s).sqrt();
        value + shot.hypot(0.0005 / integration_s) * dice.normal()
    };
    let [x, y, z] = [light.x(), light.y(), light.z()].map(|value| noisy(value, dice));
    let chromaticity = Xyz::new(x, y, z).ok().filter(|_| y > COLOUR_FROM_CD_M2).and_then(Xyz::chromaticity);
    (y, chromaticity, from_s + integration_s)
}

fn after(stage: &Stage, from_s: f64, dice: &mut Dice) -> Found {
    let (luminance, chromaticity, at_s) = exposed(stage, from_s, dice);
    Found { luminance, chromaticity, at_s, is_settled: None }
}

/// As the daemon decides: settled, or the best there is once the longest wait is over or nothing better is to be had.
fn settled(stage: &Stage, stop: &Stop<'_>, began_s: f64, dice: &mut Dice) -> Found {
    let criteria = criteria(stop);
    let mut judge = Judge::new(criteria, None, began_s);
    let mut now_s = began_s;
    loop {
        let (y, colour, at_s) = exposed(stage, now_s, dice);
        let uv = colour.map(|colour| [colour.u_prime(), colour.v_prime()]);
        let observation = Observation { t_s: at_s, integration_s: Some(at_s - now_s), y, uv };
        now_s = at_s;
        let change = judge.push(observation).filter(|change| change.verdict != Verdict::Lost);
        let is_over = now_s - began_s >= criteria.max_wait_s;
        if change.is_none() && !is_over {
            continue;
        }
        let is_settled = change.as_ref().is_some_and(|change| change.verdict == Verdict::Settled);
        let value = change.and_then(|change| change.value).or_else(|| judge.standing().value);
        let luminance = value.map_or(y, |value| value.y);
        let chromaticity = value.and_then(|value| value.chromaticity).or(colour);
        return Found { luminance, chromaticity, at_s: now_s, is_settled: Some(is_settled) };
    }
}
