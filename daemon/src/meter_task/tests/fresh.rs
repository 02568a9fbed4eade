//! Fresh light: whatever clients do at the same time, a reading is never of light from before the request for it.
//!
//! Random schedules, of which each seed gives another. The meter sees the stimulus at the very beginning of an exposure, and says so
//! only at its end: nothing that is given to a later request could be later.

use std::collections::BTreeMap;

use settled_drivers::meter::Overdue;
use tokio::task::yield_now;

use super::*;

/// Schedules that are tried.
const SEEDS: u64 = 1500;

/// What each client does so many times.
const ROUNDS: usize = 6;

/// How much faster than real time the daemon's clock runs.
const SPEED: f64 = 1000.0;

/// Numbers that look like chance.
#[derive(Debug)]
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        // Marsaglia's xorshift.
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % sides
    }
}

/// A display and the meter before it.
#[derive(Debug)]
struct Stage {
    clock: Arc<Clock>,
    dice: Plain<Dice>,
    /// When each stimulus was shown, in s. The light of one is its place.
    shown_s: Plain<Vec<f64>>,
    /// What the next exposures, zeroings and openings fail with.
    faults: Plain<VecDeque<FaultKind>>,
}

impl Stage {
    fn roll(&self, sides: u64) -> u64 {
        self.dice.lock().unwrap().roll(sides)
    }

    /// Lets others do something, or not.
    async fn rest(&self) {
        for _ in 0..self.roll(8) {
            yield_now().await;
        }
    }

    fn show(&self) {
        let now_s = self.clock.now_s();
        self.shown_s.lock().unwrap().push(now_s);
    }

    /// The stimulus that is shown now.
    fn shown(&self) -> u32 {
        u32::try_from(self.shown_s.lock().unwrap().len()).unwrap()
    }

    /// The stimulus that was shown then.
    fn shown_at(&self, t_s: f64) -> u32 {
        let shown_s = self.shown_s.lock().unwrap();
        u32::try_from(shown_s.partition_point(|since_s| *since_s <= t_s)).unwrap()
    }

    async fn see(&self) -> Result<u32, Fault> {
        let seen = self.shown();
        self.rest().await;
        let fault = self.faults.lock().unwrap().pop_front();
        fault.map_or(Ok(seen), |kind| Err(Fault::new(kind, "the schedule says so")))
    }
}

#[derive(Debug)]
struct Watch(Arc<Stage>, Description);

#[derive(Debug)]
struct Watching(Arc<Stage>);

impl Driver for Watching {
    fn name(&self) -> &'static str {
        "watching"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, _: &'a Arc<dyn Spans>) -> Boxed<'a, Result<Box<dyn Instrument>, Fault>> {
        Box::pin(async move {
            self.0.see().await?;
            let instrument = About {
                model: "watching".to_owned(),
                serial: None,
                kind: Kind::Photometer,
                quantities: vec![Quantity::Luminance],
                integration_s: Some(Span { min: 0.001, max: 10.0 }),
                range: None,
                resolution: None,
            };
            let zero =
                ZeroNeed { at_start: false, every_s: None, within_k: None, overdue: Overdue::default() };
            let description = Description { instrument, warm_up_s: 0.0, zero: Some(zero) };
            Ok(Box::new(Watch(Arc::clone(&self.0), description)) as Box<dyn Instrument>)
        })
    }
}

impl Instrument for Watch {
    fn describe(&self) -> &Description {
        &self.1
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_secs(3600)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            let light = Light::amount(Photometric::Luminance, f64::from(self.0.see().await?)).unwrap();
            let integration_s = exposure.integration_s.or(Some(0.01));
            Ok(Sample { seen: Seen::Light(light), integration_s, temperature_c: None })
        })
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async { self.0.see().await.map(|_| ()) })
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async {
            self.0.rest().await;
            Ok(())
        })
    }
}

/// Clients of one daemon, and what they found.
struct Schedule {
    daemon: Arc<Daemon>,
    stage: Arc<Stage>,
    /// The stimulus that each reading is of.
    seen: Plain<BTreeMap<u64, u32>>,
    /// Readings that were looked at.
    checked: Plain<usize>,
}

/// What a client does.
#[derive(Clone, Copy, Debug)]
enum Client {
    Shows,
    Reads(Option<f64>),
    TakesOld,
    Settles,
    Observes(Option<f64>),
    GivesUp,
    Zeroes,
    Breaks,
}

/// Integration times that are asked for exactly, in s. Settlings come to one of them by lengthening.
const EXACTLY: [f64; 2] = [0.02, 0.5];

impl Schedule {
    fn meter(&self) -> &MeterHandle {
        self.daemon.meter("m0").unwrap()
    }

    /// Looks at a reading that must be of no stimulus before this one.
    fn check(&self, logged: &Logged, from: u32, what: &str) {
        let Reading { light, sequence, .. } = &logged.reading;
        let index = (1..=self.stage.shown()).find(|index| f64::from(*index) == light.value());
        let index = index.unwrap_or_else(|| panic!("{what}: light that was never shown: {light:?}"));
        assert!(index >= from, "{what}: reading {sequence} is of stimulus {index}, not of {from} or later");
        *self.checked.lock().unwrap() += 1;
    }

    async fn act(&self, client: Client) {
        let (stage, by) = (&self.stage, By::itself());
        for _ in 0..ROUNDS {
            stage.rest().await;
            let (from, asked_s) = (stage.shown(), stage.clock.now_s());
            match client {
                Client::Shows => stage.show(),
                Client::Reads(integration_s) => {
                    if let Ok(logged) = self.meter().read(&by, Exposure { integration_s }).await {
                        self.check(&logged, from, "a single reading");
                        assert!(logged.reading.began_s >= asked_s);
                        assert!(integration_s.is_none() || logged.reading.integration_s == integration_s);
                    }
                }
                Client::TakesOld => {
                    let since_s = asked_s - f64::from(u32::try_from(stage.roll(50)).unwrap()) / 10.0;
                    if let Some(logged) = self.meter().recent(Exposure::default(), since_s) {
                        self.check(&logged, stage.shown_at(since_s), "one that may be so old");
                    }
                }
                Client::Settles => self.settle(&by, from).await,
                Client::Observes(integration_s) => self.observe(&by, integration_s).await,
                Client::GivesUp => {
                    tokio::select! {
                        biased;
                        _ = self.meter().read(&by, Exposure::default()) => {}
                        () = stage.rest() => {}
                    }
                }
                Client::Zeroes => drop(self.meter().zero(&by).await),
                Client::Breaks => {
                    let kinds =
                        [FaultKind::Silent, FaultKind::AboveRange, FaultKind::Unsupported, FaultKind::Gone];
                    let kind = kinds[usize::try_from(stage.roll(4)).unwrap()];
                    stage.faults.lock().unwrap().push_back(kind);
                }
            }
        }
    }

    /// All that a settling judges must be of the stimulus that was shown when it was asked for, or of a later one.
    async fn settle(&self, by: &By, from: u32) {
        let criteria = Criteria { hold_s: 1.0, min_wait_s: 0.5, max_wait_s: 3.0, ..Criteria::default() };
        let settled = settle(&self.daemon, by, "m0", criteria, Exposure::default(), |_| {}).await;
        let Some(readings) = settled.ok().and_then(|settled| settled.readings) else { return };
        let noted = || self.seen.lock().unwrap().get(&readings.first).copied();
        until(|| noted().is_some()).await;
        let index = noted().unwrap();
        assert!(
            index >= from,
            "a settling judges reading {} of stimulus {index}, not {from}",
            readings.first
        );
        *self.checked.lock().unwrap() += 1;
    }

    /// An observer is told of what others cause: each reading says when it began.
    async fn observe(&self, by: &By, integration_s: Option<f64>) {
        let mut follow = self.meter().follow();
        let wanted = Wanted { exposure: Exposure { integration_s }, ..every(0.0) };
        let Ok(_demanded) = self.meter().demand(by, wanted).await else { return };
        for _ in 0..3 {
            match follow.recv().await {
                Ok(Published::Reading { logged, .. }) => {
                    self.check(&logged, self.stage.shown_at(logged.reading.began_s), "an observer's");
                }
                Ok(Published::Failed { exposure: None, .. }) => return,
                _ => {}
            }
        }
    }

    /// Notes what each reading is of, in the order they are published.
    async fn note(&self, mut follow: broadcast::Receiver<Published>) {
        let mut last = 0;
        while let Ok(published) = follow.recv().await {
            if let Published::Reading { logged, .. } = published {
                let index =
                    (1..=self.stage.shown()).find(|index| f64::from(*index) == logged.reading.light.value());
                let index = index.unwrap();
                assert!(index >= last, "what is published goes back in time");
                last = index;
                self.seen.lock().unwrap().insert(logged.reading.sequence, index);
            }
        }
    }
}

/// Plays one schedule; how many readings were looked at.
async fn play(seed: u64) -> usize {
    let clock = Arc::new(Clock::simulated(SPEED));
    // The first roll of a small seed is small.
    let dice = Plain::new(Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1));
    let (shown_s, faults) = Default::default();
    let stage = Arc::new(Stage { clock: Arc::clone(&clock), dice, shown_s, faults });
    stage.show();
    let driver = Arc::new(Watching(Arc::clone(&stage)));
    let meter = MeterConfig { id: "m0".to_owned(), driver, sums: Default::default() };
    let (_stopper, stop) = stop::pair();
    let (daemon, supervisor): (_, Supervisor) =
        Daemon::new(vec![meter], clock, Log::off(), Terms::default(), stop);
    let (seen, checked) = Default::default();
    let schedule = Arc::new(Schedule { daemon, stage, seen, checked });
    let mut running = tokio::task::JoinSet::new();
    running.spawn(supervisor.run());
    let (noting, follow) = (Arc::clone(&schedule), schedule.meter().follow());
    running.spawn(async move { noting.note(follow).await });
    let kinds = [
        Client::Shows,
        Client::Reads(None),
        Client::Reads(Some(EXACTLY[0])),
        Client::TakesOld,
        Client::Settles,
        Client::Observes(None),
        Client::Observes(Some(EXACTLY[1])),
        Client::GivesUp,
        Client::Zeroes,
        Client::Breaks,
    ];
    let mut clients = tokio::task::JoinSet::new();
    let shows = [Client::Shows, Client::Reads(None)].into_iter();
    let others =
        (0..4 + schedule.stage.roll(8)).map(|_| kinds[usize::try_from(schedule.stage.roll(10)).unwrap()]);
    for client in shows.chain(others).collect::<Vec<_>>() {
        let schedule = Arc::clone(&schedule);
        clients.spawn(async move { schedule.act(client).await });
    }
    // Where nothing happens any more, the runtime's time passes at once.
    let all = async { while clients.join_next().await.transpose().unwrap().is_some() {} };
    tokio::time::timeout(Duration::from_secs(600), all).await.expect("nobody waits for ever");
    *schedule.checked.lock().unwrap()
}

#[test]
fn in_no_schedule_is_a_reading_of_light_from_before_the_request() {
    let mut checked = 0;
    for seed in 1..=SEEDS {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
        checked += std::panic::catch_unwind(|| runtime.block_on(play(seed)))
            .unwrap_or_else(|_| panic!("in the schedule with the seed {seed}"));
    }
    assert!(checked > 20 * usize::try_from(SEEDS).unwrap(), "only {checked} readings were looked at");
}
