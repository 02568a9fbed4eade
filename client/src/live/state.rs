//! What is known, and how it changes: news and keys go in, and nothing but this state comes of it. No clock, no I/O.

use std::collections::VecDeque;

use settled_protocol::log::Event;
use settled_protocol::meter::Meter;
use settled_protocol::reading::Reading;
use settled_protocol::run::Run;
use settled_protocol::settling::Criteria;

use super::gauge::Gauge;
use super::keys::Key;

/// Events that are kept: more than the largest screen shows.
const EVENTS: usize = 100;
/// Runs that are kept, those that are over included.
const RUNS: usize = 50;

/// What is new.
#[derive(Clone, Debug)]
pub enum News {
    /// There is a daemon: its meters and runs.
    Joined {
        /// In the order of its config.
        meters: Vec<Meter>,
        /// Those that go on or are planned, and the latest that are over.
        runs: Vec<Run>,
        /// It is another than before, or was started anew.
        anew: bool,
        /// Its numbers have nothing to do with those of before.
        other_log: bool,
        /// How many times as fast as here its time passes.
        speed: f64,
    },
    /// The connection has ended.
    Lost,
    /// An attempt to come back came to nothing: why, in words.
    Tried(String),
    /// Every meter as it is now.
    Meters(Vec<Meter>),
    /// One of them.
    Meter(Box<Meter>),
    /// A reading, and when it was taken on this program's clock, in s, as far as that is known.
    Reading(Box<Reading>, Option<f64>),
    /// A meter's readings can't be followed, and why.
    Unfollowed(String, String),
    /// Readings of a meter can't be asked for, and why.
    Unmeasured(String, String),
    /// A run as it is now.
    Run(Box<Run>),
    /// Those that go on or are planned, and the latest that are over: something of them was missed.
    Runs(Vec<Run>),
    /// What happened beside readings, the latest last.
    Events(Vec<Event>),
    /// That there is no telling what happened, and why.
    NoEvents(String),
}

/// Whether there is a daemon.
#[derive(Clone, Debug, PartialEq)]
pub enum Link {
    /// There is.
    Up,
    /// There is none since a time, in s.
    Lost {
        /// Since when.
        since_s: f64,
        /// What came of the last attempt to come back.
        why: Option<String>,
    },
}

/// What a key asks for beside a change of the picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wish {
    /// To end.
    End,
    /// To end as Ctrl-C ends things.
    Interrupt,
    /// To be stopped until somebody has it go on.
    Suspend,
    /// To draw everything anew.
    Redraw,
    /// To ask for readings of a meter from now on, or no more.
    Measure {
        /// The meter's id.
        meter: String,
        /// Whether to ask for them.
        on: bool,
    },
}

/// How much of the past the picture shows, in holds.
pub const SPANS: [f64; 6] = [2.0, 5.0, 10.0, 30.0, 120.0, 600.0];

/// All that is known.
#[derive(Clone, Debug)]
pub struct State {
    criteria: Criteria,
    gauges: Vec<Gauge>,
    chosen: String,
    runs: VecDeque<Run>,
    events: VecDeque<Event>,
    no_events: Option<String>,
    link: Link,
    span: usize,
    help: bool,
    whole: Option<usize>,
    speed: f64,
}

impl State {
    /// Of these meters, one of which is chosen by its id; without one, the first.
    #[must_use]
    pub fn new(criteria: Criteria, meters: Vec<Meter>, chosen: Option<String>) -> Self {
        let chosen = chosen.or_else(|| meters.first().map(|meter| meter.id.clone())).unwrap_or_default();
        let gauges = meters.into_iter().map(|meter| Gauge::new(meter, criteria)).collect();
        Self {
            criteria,
            gauges,
            chosen,
            runs: VecDeque::new(),
            events: VecDeque::new(),
            no_events: None,
            link: Link::Up,
            span: 2,
            help: false,
            whole: None,
            speed: 1.0,
        }
    }

    /// Takes what is new at a time, in s.
    pub fn take(&mut self, news: News, now_s: f64) {
        match news {
            News::Joined { meters, runs, anew, other_log, speed } => {
                self.speed = speed;
                self.link = Link::Up;
                self.no_events = None;
                if anew {
                    self.gauges.iter_mut().for_each(|gauge| gauge.judging.gap());
                }
                if other_log {
                    self.gauges.iter_mut().for_each(Gauge::forget_numbers);
                    self.events.clear();
                    self.runs.clear();
                }
                self.gauges.iter_mut().for_each(|gauge| gauge.unfollowed = None);
                self.know(meters);
                self.take_runs(runs);
            }
            News::Lost => self.link = Link::Lost { since_s: now_s, why: None },
            News::Tried(words) => match &mut self.link {
                Link::Lost { why, .. } => *why = Some(words),
                Link::Up => self.link = Link::Lost { since_s: now_s, why: Some(words) },
            },
            News::Meters(meters) => self.know(meters),
            News::Meter(meter) => {
                if let Some(gauge) = self.gauge_mut(&meter.id) {
                    gauge.know(*meter);
                }
            }
            News::Reading(reading, seen_s) => {
                if let Some(gauge) = self.gauge_mut(&reading.meter) {
                    gauge.take(*reading, seen_s);
                }
            }
            News::Unfollowed(meter, why) => {
                if let Some(gauge) = self.gauge_mut(&meter) {
                    gauge.unfollowed = Some(why);
                }
            }
            News::Unmeasured(meter, why) => {
                if let Some(gauge) = self.gauge_mut(&meter) {
                    (gauge.measuring, gauge.unmeasured) = (false, Some(why));
                }
            }
            News::Run(run) => self.take_run(*run),
            News::Runs(runs) => self.take_runs(runs),
            News::Events(events) => {
                self.events.extend(events);
                let early = self.events.len().saturating_sub(EVENTS);
                self.events.drain(..early);
            }
            News::NoEvents(why) => self.no_events = Some(why),
        }
    }

    /// Takes a key.
    pub fn press(&mut self, key: Key) -> Option<Wish> {
        let is_of_the_terminal = matches!(key, Key::Interrupt | Key::Suspend | Key::Redraw);
        if self.help && !is_of_the_terminal {
            // What nobody sees isn't changed: any other key waits until the keys are away.
            self.help = !matches!(key, Key::Sign('?' | 'h' | 'q' | 'Q') | Key::Escape);
            return None;
        }
        if let Some(turned) = self.whole
            && let Some(whole) = turn(turned, key)
        {
            self.whole = whole;
            return None;
        }
        match key {
            Key::Sign('q' | 'Q') => return Some(Wish::End),
            Key::Interrupt => return Some(Wish::Interrupt),
            Key::Suspend => return Some(Wish::Suspend),
            Key::Redraw => return Some(Wish::Redraw),
            Key::Sign('?' | 'h') => self.help = true,
            Key::Sign('i' | 'I') => self.whole = Some(0),
            Key::Up | Key::Sign('k') => self.choose(self.index().saturating_sub(1)),
            Key::Down | Key::Sign('j') => self.choose(self.index() + 1),
            Key::Sign('+') => self.span = self.span.saturating_sub(1),
            Key::Sign('-') => self.span = (self.span + 1).min(SPANS.len() - 1),
            Key::Sign('m' | 'M') => {
                let gauge = self.chosen_mut()?;
                (gauge.measuring, gauge.unmeasured) = (!gauge.measuring, None);
                return Some(Wish::Measure { meter: gauge.meter.id.clone(), on: gauge.measuring });
            }
            Key::Sign(digit) => {
                if let Some(number) = digit.to_digit(10).filter(|number| *number > 0)
                    && let Ok(index) = usize::try_from(number - 1)
                    && index < self.gauges.len()
                {
                    self.choose(index);
                }
            }
            Key::Escape => {}
        }
        None
    }

    /// The meters in the order of the config: those that there are no more go, with all that was seen of them.
    fn know(&mut self, meters: Vec<Meter>) {
        let mut before = std::mem::take(&mut self.gauges);
        for meter in meters {
            let known = before.iter().position(|gauge| gauge.meter.id == meter.id);
            let gauge = match known.map(|index| before.swap_remove(index)) {
                Some(mut gauge) => {
                    gauge.know(meter);
                    gauge
                }
                None => Gauge::new(meter, self.criteria),
            };
            self.gauges.push(gauge);
        }
        if self.gauge(&self.chosen).is_none() {
            self.choose(0);
        }
    }

    fn take_run(&mut self, run: Run) {
        match self.runs.iter_mut().find(|known| known.run == run.run) {
            Some(known) => *known = run,
            None => self.runs.push_front(run),
        }
        if self.runs.len() > RUNS {
            // Those that go on are never many.
            let oldest = self.runs.iter().rposition(|run| run.state.is_over());
            let _forgotten = self.runs.remove(oldest.unwrap_or(RUNS));
        }
    }

    /// Takes runs in the place of those that go on as far as is known. Of those that are over only what was seen before is shown: how it
    /// ended, whoever missed that.
    fn take_runs(&mut self, told: Vec<Run>) {
        let is_told = |known: &Run| told.iter().any(|run| run.run == known.run);
        let known: Vec<u64> = self.runs.iter().map(|run| run.run).collect();
        self.runs.retain(|run| run.state.is_over() && !is_told(run));
        let shown = told.into_iter().filter(|run| !run.state.is_over() || known.contains(&run.run));
        self.runs.extend(shown);
        let runs = self.runs.make_contiguous();
        runs.sort_by_key(|run| (run.state.is_over(), std::cmp::Reverse(run.run)));
        self.runs.truncate(RUNS);
    }

    fn choose(&mut self, index: usize) {
        if let Some(gauge) = self.gauges.get(index) {
            self.chosen = gauge.meter.id.clone();
        }
    }

    fn gauge_mut(&mut self, meter: &str) -> Option<&mut Gauge> {
        self.gauges.iter_mut().find(|gauge| gauge.meter.id == meter)
    }

    fn chosen_mut(&mut self) -> Option<&mut Gauge> {
        let chosen = self.chosen.clone();
        self.gauge_mut(&chosen)
    }

    /// A meter by its id.
    #[must_use]
    pub fn gauge(&self, meter: &str) -> Option<&Gauge> {
        self.gauges.iter().find(|gauge| gauge.meter.id == meter)
    }

    /// Every meter, in the order of the config.
    #[must_use]
    pub fn gauges(&self) -> &[Gauge] {
        &self.gauges
    }

    /// Which of them is chosen.
    #[must_use]
    pub fn index(&self) -> usize {
        self.gauges.iter().position(|gauge| gauge.meter.id == self.chosen).unwrap_or(0)
    }

    /// Runs: those that go on first, each the latest first.
    #[must_use]
    pub fn runs(&self) -> Vec<&Run> {
        let mut runs: Vec<&Run> = self.runs.iter().collect();
        runs.sort_by_key(|run| (run.state.is_over(), std::cmp::Reverse(run.run)));
        runs
    }

    /// What happened, the latest last.
    #[must_use]
    pub fn events(&self) -> &VecDeque<Event> {
        &self.events
    }

    /// Why nobody can tell what happened, if so.
    #[must_use]
    pub fn no_events(&self) -> Option<&str> {
        self.no_events.as_deref()
    }

    /// Whether there is a daemon.
    #[must_use]
    pub fn link(&self) -> &Link {
        &self.link
    }

    /// What is called settled.
    #[must_use]
    pub fn criteria(&self) -> &Criteria {
        &self.criteria
    }

    /// How much of the past is shown, in s, at most.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        self.criteria.hold_s * SPANS.get(self.span).copied().unwrap_or(10.0)
    }

    /// How many times as fast as here the daemon's time passes.
    #[must_use]
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// Whether all there is to say of the chosen meter is shown, and how many of its pages were turned over.
    #[must_use]
    pub fn whole(&self) -> Option<usize> {
        self.whole
    }

    /// Whether the keys are shown.
    #[must_use]
    pub fn help(&self) -> bool {
        self.help
    }
}

/// What a key makes of the pages that are shown, of which so many were turned over: other ones, or none any more; nothing where it is none of theirs.
fn turn(turned: usize, key: Key) -> Option<Option<usize>> {
    match key {
        Key::Sign('i' | 'I' | 'q' | 'Q') | Key::Escape => Some(None),
        Key::Down | Key::Sign('j' | ' ') => Some(Some(turned + 1)),
        Key::Up | Key::Sign('k') => Some(Some(turned.saturating_sub(1))),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
