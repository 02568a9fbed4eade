//! A reader against a model of daemons that come, go, lose their log or get another, at random.

use std::collections::HashSet;

use proptest::prelude::*;
use settled_protocol::notification::MissedWhy;

use super::*;

const METER: &str = "m";

/// A reading, as the model remembers it: which log's, its number, and whether it is in that log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Taken {
    log: u32,
    sequence: u64,
    at: u64,
    is_ours: bool,
    is_logged: bool,
}

fn reading(taken: Taken) -> Reading {
    let flags: &[&str] = if taken.is_logged { &[] } else { &["unlogged"] };
    let at = Timestamp::from_unix_ns(taken.at);
    serde_json::from_value(serde_json::json!({
        "sequence": taken.sequence, "meter": METER, "at": at, "t_s": 1, "began_s": 0, "boot": "b",
        "luminance_cd_m2": 1.0, "flags": flags,
    }))
    .unwrap()
}

/// What happens.
#[derive(Clone, Debug)]
enum Step {
    /// A reading is taken, of the meter or of another one. The subscriber gets it, unless it vanished on the way: then the
    /// connection ends before anything else comes.
    Reading {
        is_ours: bool,
    },
    /// Some readings are taken, and dropped for a subscriber that is too slow.
    Missed {
        count: u8,
        with_numbers: bool,
    },
    /// The connection ends; readings are taken until the subscriber is back.
    Away {
        readings: u8,
    },
    /// The daemon is killed and started anew: numbers that it had set aside are skipped.
    Killed {
        skipped: u8,
        on_the_way: bool,
        readings: u8,
    },
    /// It is started with another log, that has some readings of its own already.
    OtherLog {
        readings: u8,
    },
    /// It is started without a log, or with the first one again.
    LogOff,
    LogOn,
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        8 => any::<bool>().prop_map(|is_ours| Step::Reading { is_ours }),
        2 => (1..4_u8, any::<bool>()).prop_map(|(count, with_numbers)| Step::Missed { count, with_numbers }),
        2 => (0..4_u8).prop_map(|readings| Step::Away { readings }),
        3 => (0..9_u8, any::<bool>(), 0..3_u8)
            .prop_map(|(skipped, on_the_way, readings)| Step::Killed { skipped, on_the_way, readings }),
        1 => (0..5_u8).prop_map(|readings| Step::OtherLog { readings }),
        1 => Just(Step::LogOff),
        1 => Just(Step::LogOn),
    ]
}

/// The daemon, its log, and all that ever happened.
struct World {
    /// Which log is in use: 0 is none.
    log: u32,
    /// When each of the logs began.
    begun: Vec<u64>,
    last: u64,
    now: u64,
    /// Every reading since the beginning, in the order in which they were taken.
    history: Vec<Taken>,
    /// What the reader was given, in its order.
    given: Vec<Taken>,
    /// What it was told to have missed, by number.
    missed: HashSet<Taken>,
    /// What it was told that nobody knows: stretches of the history.
    lacking: HashSet<Taken>,
    lacks: Vec<(Lack, u32, u32)>,
    bookmark: Bookmark,
    /// The log that the reader's place is in, for the model's own book-keeping.
    followed: u32,
    /// Until here of the history everything was given or told.
    told_to: usize,
}

impl World {
    fn new() -> Self {
        let mut world = Self {
            log: 1,
            begun: vec![0, 1],
            last: 0,
            now: 1000,
            history: Vec::new(),
            given: Vec::new(),
            missed: HashSet::new(),
            lacking: HashSet::new(),
            lacks: Vec::new(),
            bookmark: Bookmark::default(),
            followed: 1,
            told_to: 0,
        };
        world.take(true);
        world.take(false);
        world.told_to = world.history.len();
        world.search(Search::begin(Start::Now));
        world
    }

    fn take(&mut self, is_ours: bool) -> Taken {
        self.last += 1;
        self.now += 1000;
        let is_logged = self.log != 0;
        // Without a log numbers begin at 1 with each start; the model tells them apart by their time.
        let taken = Taken { log: self.log, sequence: self.last, at: self.now, is_ours, is_logged };
        self.history.push(taken);
        taken
    }

    fn logged(&self) -> impl Iterator<Item = Taken> + '_ {
        self.history.iter().copied().filter(|taken| taken.log == self.log && taken.is_logged)
    }

    fn give(&mut self, taken: Taken) {
        if taken.is_ours {
            if let Some(gap) = self.bookmark.pass(&reading(taken)) {
                self.tell(gap, taken);
            }
            self.given.push(taken);
        }
    }

    /// A gap is told, before `next` where its numbers aren't known.
    fn tell(&mut self, gap: Gap, next: Taken) {
        let from_last =
            self.given.iter().rev().find(|given| given.log == self.log).map_or(0, |last| last.sequence);
        let (from, to) = gap.range.unwrap_or((from_last + 1, next.sequence.saturating_sub(1)));
        let log = self.log;
        let within =
            |taken: &&Taken| taken.log == log && (from..=to).contains(&taken.sequence) && taken.is_ours;
        let now: Vec<Taken> = self.history.iter().filter(within).copied().collect();
        self.missed.extend(now.iter().filter(|taken| !self.given.contains(taken)));
    }

    fn answer(&self, ask: Ask) -> Answer {
        let log = (self.log != 0).then_some(());
        let last = log.map(|()| self.logged().last().map_or(0, |taken| taken.sequence));
        match ask {
            Ask::Last => Answer::Place(last),
            _ if log.is_none() && !matches!(ask, Ask::Subscribe(_)) => Answer::Unknown,
            Ask::Reading(0) => {
                let at = Timestamp::from_unix_ns(self.begun[self.log as usize]);
                Answer::Reading(Some(Mark { sequence: 0, at }))
            }
            Ask::Reading(sequence) => Answer::Reading(
                self.logged().find(|taken| taken.sequence == sequence).map(|taken| Mark::of(&reading(taken))),
            ),
            Ask::Before(at) => {
                let found = self.logged().find(|taken| taken.is_ours && taken.at >= at.unix_ns());
                Answer::Place(found.map(|taken| taken.sequence - 1).or(last))
            }
            Ask::Subscribe(Some(_)) if log.is_none() => Answer::NoLog,
            Ask::Subscribe(Some(after)) if after > self.last => Answer::Beyond,
            Ask::Subscribe(_) => Answer::Subscribed,
        }
    }

    /// Looks for the place, and gives what the log has from there.
    fn search(&mut self, mut search: Search) {
        let mut after = None;
        let mut asked = 0;
        while let Some(ask) = search.ask() {
            asked += 1;
            assert!(asked < 10, "it asks for ever: {search:?}");
            if let Ask::Subscribe(place) = ask {
                after = place;
            }
            search.take(self.answer(ask));
        }
        let (bookmark, lack) = search.found();
        self.bookmark = bookmark;
        let fresh = self.logged().filter(|taken| after.is_some_and(|after| taken.sequence > after));
        let fresh: Vec<Taken> = fresh.collect();
        if let Some(lack) = lack {
            self.lacks.push((lack, self.followed, self.log));
            let told = |taken: &&Taken| fresh.contains(taken) || self.given.contains(taken);
            self.lacking.extend(self.history[self.told_to..].iter().filter(|taken| !told(taken)));
        }
        self.followed = self.log;
        for taken in fresh {
            self.give(taken);
        }
        self.advance();
    }

    /// Everything so far is given or told, unless something is held back.
    fn advance(&mut self) {
        if self.bookmark.held.is_none() {
            self.told_to = self.history.len();
        }
    }

    fn back(&mut self) {
        self.search(Search::resume(&self.bookmark.clone()));
    }

    fn restart(&mut self, log: u32, last: u64) {
        (self.log, self.last) = (log, last);
        if log == 0 {
            self.last = 0;
        }
    }

    fn run(&mut self, step: &Step) {
        match *step {
            Step::Reading { is_ours } => {
                let taken = self.take(is_ours);
                self.give(taken);
                self.advance();
            }
            Step::Missed { count, with_numbers } => {
                let lost: Vec<Taken> = (0..count).map(|_| self.take(true)).collect();
                let range = with_numbers.then(|| (lost[0].sequence, lost[lost.len() - 1].sequence));
                let gap = Gap { count: count.into(), range, why: MissedWhy::SlowReader };
                if let Some(told) = self.bookmark.miss(gap) {
                    let next = Taken { sequence: self.last + 1, ..lost[0] };
                    self.tell(told, next);
                    if range.is_none() {
                        self.missed.extend(lost);
                    }
                }
                self.advance();
            }
            Step::Away { readings } => {
                for _ in 0..readings {
                    self.take(true);
                }
                self.back();
            }
            Step::Killed { skipped, on_the_way, readings } => {
                if on_the_way {
                    self.take(true);
                }
                self.restart(self.log, self.last + u64::from(skipped));
                for index in 0..readings {
                    self.take(index % 2 == 0);
                }
                self.back();
            }
            Step::OtherLog { readings } => {
                self.now += 1000;
                self.begun.push(self.now);
                self.restart(u32::try_from(self.begun.len()).unwrap() - 1, 0);
                for _ in 0..readings {
                    self.take(true);
                }
                self.back();
            }
            Step::LogOff => {
                self.restart(0, 0);
                self.back();
            }
            Step::LogOn => {
                let last =
                    self.history.iter().filter(|taken| taken.log == 1).map(|taken| taken.sequence).max();
                self.restart(1, last.unwrap_or(0));
                self.back();
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4000))]

    #[test]
    fn whatever_becomes_of_the_daemon_each_reading_is_given_once_or_told_to_be_missed(
        steps in proptest::collection::vec(step(), 1..40)
    ) {
        let mut world = World::new();
        for step in &steps {
            world.run(step);
        }
        // A last one, so that what was held back is said.
        world.run(&Step::Reading { is_ours: true });
        let unique: HashSet<Taken> = world.given.iter().copied().collect();
        prop_assert_eq!(unique.len(), world.given.len(), "twice: {:?}", world.given);
        for taken in world.history[2..].iter().filter(|taken| taken.is_ours) {
            let [given, missed, lacking] =
                [&unique, &world.missed, &world.lacking].map(|set| set.contains(taken));
            prop_assert!(given || missed || lacking, "{taken:?} is neither given nor told");
            prop_assert!(!(given && (missed || lacking)), "{taken:?} is given and told to be missed");
        }
        prop_assert!(world.given.iter().all(|given| given.is_ours));
        // Within a log, numbers rise: there is no going back but to a log that was followed before.
        for pair in world.given.windows(2).filter(|pair| pair[0].log == pair[1].log && pair[0].log > 1) {
            prop_assert!(pair[0].sequence < pair[1].sequence, "{pair:?}");
        }
    }

    #[test]
    fn as_long_as_the_log_is_the_same_nothing_is_ever_unknown_whatever_numbers_are_skipped(
        steps in proptest::collection::vec(step(), 1..40)
    ) {
        let mut world = World::new();
        for step in &steps {
            if !matches!(step, Step::OtherLog { .. } | Step::LogOff | Step::LogOn) {
                world.run(step);
            }
        }
        prop_assert!(world.lacks.is_empty(), "{:?}", world.lacks);
    }

    #[test]
    fn another_log_is_always_found_out(
        before in proptest::collection::vec(step(), 0..10), readings in 0..9_u8
    ) {
        let mut world = World::new();
        for step in before.iter().filter(|step| !matches!(step, Step::LogOff | Step::LogOn)) {
            world.run(step);
        }
        let told = world.lacks.len();
        world.run(&Step::OtherLog { readings });
        prop_assert!(world.lacks.len() > told, "the log was replaced unnoticed");
    }
}

#[test]
fn a_reader_that_is_given_nothing_knows_its_log_again_by_the_reading_before_it() {
    let at = Timestamp::from_unix_ns(5);
    let mark = Mark { sequence: 7, at };
    let mut search = Search::begin(Start::Now);
    for (ask, answer) in [
        (Ask::Last, Answer::Place(Some(7))),
        (Ask::Reading(7), Answer::Reading(Some(mark))),
        (Ask::Subscribe(None), Answer::Subscribed),
    ] {
        assert_eq!(search.ask(), Some(ask));
        search.take(answer);
    }
    assert_eq!(search.ask(), None);
    let (bookmark, lack) = search.found();
    assert_eq!(lack, None);
    let mut again = Search::resume(&bookmark);
    assert_eq!(again.ask(), Some(Ask::Reading(7)));
    again.take(Answer::Reading(Some(Mark { at: Timestamp::from_unix_ns(6), ..mark })));
    assert_eq!(again.ask(), Some(Ask::Before(at)));
    again.take(Answer::Place(Some(3)));
    assert_eq!(again.ask(), Some(Ask::Reading(3)));
    again.take(Answer::Reading(None));
    assert_eq!(again.ask(), Some(Ask::Reading(0)));
    again.take(Answer::Reading(Some(mark)));
    assert_eq!(again.ask(), Some(Ask::Subscribe(Some(3))));
    again.take(Answer::Subscribed);
    assert_eq!(again.found().1, Some(Lack::OtherLog));
}

#[test]
fn a_log_that_is_behind_is_another_and_one_that_is_off_tells_nothing() {
    let mark = Mark { sequence: 7, at: Timestamp::from_unix_ns(5) };
    let bookmark = Bookmark { place: Some(9), mark: Some(mark), held: None };
    // A guest that may not look at the log goes on by number alone.
    let mut search = Search::resume(&bookmark);
    search.take(Answer::Unknown);
    assert_eq!(search.ask(), Some(Ask::Subscribe(Some(9))));
    search.take(Answer::Beyond);
    assert_eq!(search.ask(), Some(Ask::Before(mark.at)));
    search.take(Answer::Unknown);
    assert_eq!(search.ask(), Some(Ask::Subscribe(None)));
    search.take(Answer::Subscribed);
    assert_eq!(search.found().1, Some(Lack::OtherLog));
    let mut search = Search::resume(&bookmark);
    search.take(Answer::Unknown);
    search.take(Answer::NoLog);
    assert_eq!(search.ask(), Some(Ask::Subscribe(None)));
    search.take(Answer::Subscribed);
    let (bookmark, lack) = search.found();
    assert_eq!(lack, Some(Lack::NoLog));
    // What comes without a log has numbers that are no place in one.
    let mut bookmark = bookmark;
    let taken = Taken { log: 0, sequence: 3, at: 1, is_ours: true, is_logged: false };
    assert_eq!(bookmark.pass(&reading(taken)), None);
    assert_eq!(Search::resume(&bookmark).ask(), Some(Ask::Last));
}
