//! Subscriptions to a simulated meter's readings, each with a real socket at its end.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::Value;
use settled_drivers::clock::Boxed;
use settled_drivers::driver::Registry;
use settled_drivers::sample::Exposure;
use settled_protocol::method::ObserveParams;
use tokio::io::{AsyncBufReadExt, BufReader, Lines};
use tokio::net::UnixStream;
use tokio::task::JoinSet;

use super::*;
use crate::client::Client;
use crate::clock::Clock;
use crate::config::{Config, Survives};
use crate::log;
use crate::meter_task::SERIALISED;
use crate::server::LIMITS;
use crate::server::observe::Source;
use crate::stop::{self, Stopper};

const CONFIG: &str = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// How long anything may take that has no limit of its own.
const SOON: Duration = Duration::from_secs(20);

/// A daemon without its server.
struct Bench {
    daemon: Arc<Daemon>,
    folder: tempfile::TempDir,
    tasks: JoinSet<()>,
    _stopper: Stopper,
    _written: log::Written,
}

/// A client's end of a subscription.
type Told = Lines<BufReader<UnixStream>>;

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = Config::load(Path::new("/settled.toml"), CONFIG, &Registry::built_in()).unwrap();
        let (log, written) = log::Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
        let (stopper, stop) = stop::pair();
        let clock = Arc::new(Clock::system());
        let (daemon, supervisor) =
            Daemon::new(config.meters, clock, log, crate::daemon::Terms::default(), stop);
        let mut tasks = JoinSet::new();
        tasks.spawn(supervisor.run());
        Self { daemon, folder, tasks, _stopper: stopper, _written: written }
    }

    fn log(&self) -> PathBuf {
        self.folder.path().join("log.sqlite")
    }

    async fn read(&self, times: usize) {
        for _ in 0..times {
            self.daemon.meter("m").unwrap().read(&By::itself(), Exposure::default()).await.unwrap();
        }
    }

    /// A subscription that begins now, and is looked after from when its future is.
    fn observe(&mut self, params: ObserveParams) -> (Told, Boxed<'static, ()>) {
        let params = ObserveParams { meter: "m".to_owned(), ..params };
        let source = Source::Readings(Readings::new(&self.daemon, &Client::new(None), &params).unwrap());
        let (daemon, client) = UnixStream::pair().unwrap();
        let outbox = Arc::new(Outbox::new(daemon.into_split().1, &LIMITS));
        let writing = Arc::clone(&outbox);
        self.tasks.spawn(async move { writing.write().await });
        let (observer, listening) = source.forward(Arc::clone(&self.daemon), outbox, "s1".into());
        let observer = Box::pin(async move {
            let _listening = listening;
            observer.await;
        });
        (BufReader::new(client).lines(), observer)
    }
}

/// What each line tells, up to a sequence: a reading, or what was missed and why.
async fn told(lines: &mut Told, last: u64) -> Vec<(u64, u64, Option<String>)> {
    let mut told = Vec::new();
    while told.last().is_none_or(|(_, to, _)| *to < last) {
        let line = tokio::time::timeout(SOON, lines.next_line()).await.unwrap().unwrap().unwrap();
        let params = serde_json::from_str::<Value>(&line).unwrap()["params"].take();
        let number = |value: &Value| value.as_u64().unwrap();
        told.push(match params.get("reading") {
            Some(reading) => (number(&reading["sequence"]), number(&reading["sequence"]), None),
            None => (number(&params["from"]), number(&params["to"]), Some(params["why"].to_string())),
        });
    }
    told
}

fn given(sequences: std::ops::RangeInclusive<u64>) -> Vec<(u64, u64, Option<String>)> {
    sequences.map(|sequence| (sequence, sequence, None)).collect()
}

/// An observer that looks only after a logged reading, 300 that could not be logged, and then some that could.
async fn late(logged_again: usize) -> Vec<(u64, u64, Option<String>)> {
    let mut bench = Bench::new();
    let path = bench.log();
    let execute = |sql| rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    let (mut lines, observer) = bench.observe(ObserveParams { after: Some(0), ..ObserveParams::default() });
    bench.read(1).await;
    execute("ALTER TABLE readings RENAME TO away");
    bench.read(300).await;
    execute("ALTER TABLE away RENAME TO readings");
    bench.read(logged_again).await;
    bench.tasks.spawn(observer);
    told(&mut lines, 301 + logged_again as u64).await
}

#[tokio::test]
async fn who_follows_by_sequence_and_lags_is_told_of_what_could_not_be_logged() {
    let unavailable = Some("\"log_unavailable\"".to_owned());
    for (logged_again, to) in [(0, 45), (100, 301)] {
        let told = late(logged_again).await;
        assert_eq!(told[0], (1, 1, None));
        assert_eq!(told[1], (2, to, unavailable.clone()), "{logged_again}: {told:?}");
        // Whatever there is was told, and once.
        let follows = told.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0);
        assert!(follows, "{logged_again}: {told:?}");
    }
}

#[tokio::test]
async fn a_subscription_begins_with_the_call_and_needs_nobody_to_look_after_it() {
    let mut bench = Bench::new();
    bench.read(3).await;
    let (mut lines, _observer) = bench.observe(ObserveParams::default());
    bench.read(2).await;
    assert_eq!(told(&mut lines, 5).await, given(4..=5));
}

#[tokio::test]
async fn what_went_by_untold_is_told_to_be_missed_or_comes_from_the_log() {
    let mut bench = Bench::new();
    let fan = Arc::clone(&bench.daemon);
    let (mut missing, observer) = bench.observe(ObserveParams::default());
    bench.tasks.spawn(observer);
    let (mut following, observer) =
        bench.observe(ObserveParams { after: Some(0), ..ObserveParams::default() });
    bench.tasks.spawn(observer);
    bench.read(1).await;
    assert_eq!(told(&mut missing, 1).await, given(1..=1));
    assert_eq!(told(&mut following, 1).await, given(1..=1));
    let meter = fan.meter("m").unwrap();
    let draft = meter.recent(Exposure::default(), f64::NEG_INFINITY).unwrap().reading.clone();
    let mut readings = Vec::new();
    for _ in 2..=300 {
        let numbered = fan.log.append(draft.clone()).await.await.unwrap();
        readings.push(Arc::new(Logged::new(log::numbered(draft.clone(), numbered)).unwrap()));
    }
    // Whoever tells of readings doesn't come to it while more of them go out than are kept.
    readings.into_iter().for_each(|logged| meter.publish(logged));
    assert_eq!(told(&mut following, 300).await, given(2..=300));
    let slow = Some("\"slow_reader\"".to_owned());
    let told_missing = told(&mut missing, 300).await;
    assert_eq!(told_missing[0], (2, 44, slow));
    assert_eq!(told_missing[1..], given(45..=300));
}

#[tokio::test]
async fn a_reading_is_serialised_once_however_many_are_told() {
    let mut bench = Bench::new();
    let mut subscriptions: Vec<_> = (0..200).map(|_| bench.observe(ObserveParams::default())).collect();
    let before = SERIALISED.get();
    bench.read(3).await;
    for (lines, _observer) in &mut subscriptions {
        assert_eq!(told(lines, 3).await, given(1..=3));
    }
    assert_eq!(SERIALISED.get() - before, 3);
}

#[tokio::test]
async fn a_subscriber_that_wants_fewer_readings_gets_them_on_its_beat_from_the_log_and_as_they_come() {
    let mut bench = Bench::new();
    bench.read(100).await;
    let everything = ObserveParams { after: Some(0), ..ObserveParams::default() };
    let (mut all, observer) = bench.observe(everything.clone());
    bench.tasks.spawn(observer);
    let (mut none, observer) = bench.observe(ObserveParams { every_s: Some(3600.0), ..everything.clone() });
    bench.tasks.spawn(observer);
    let (mut zero, observer) = bench.observe(ObserveParams { every_s: Some(0.0), ..everything });
    bench.tasks.spawn(observer);
    bench.read(100).await;
    assert_eq!(told(&mut all, 200).await, given(1..=200));
    assert_eq!(told(&mut zero, 200).await, given(1..=200));
    assert_eq!(told(&mut none, 1).await, given(1..=1));
    let more = tokio::time::timeout(Duration::from_millis(50), none.next_line()).await;
    assert!(more.is_err(), "{more:?}");
}
