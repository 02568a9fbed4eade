use std::path::Path;

use settled_drivers::driver::Registry;
use settled_drivers::sample::Exposure;
use settled_protocol::correction::{Colour, CorrectParams, CorrectionWarning, Derivation, Subject};
use settled_protocol::log::Selection;
use settled_protocol::matrix::Matrix;
use settled_protocol::meter::{Instrument, Kind, Quantity};
use settled_protocol::quantity::Xyz;
use settled_protocol::text::Text;

use super::*;
use crate::client::By;
use crate::config::{Config, Survives};
use crate::daemon::{Daemon, Terms};
use crate::log::Written;
use crate::meter_task::Terms as MeterTerms;
use crate::stop;

fn text(words: &str) -> Text {
    words.to_owned().try_into().unwrap()
}

fn matrix(x: f64) -> Matrix {
    Matrix::new([[x, 0.1, 0.0], [0.0, 1.0 / 3.0, 0.0], [0.0, 0.0, 1.1]]).unwrap()
}

fn given(name: &str, x: f64) -> NewCorrection {
    NewCorrection {
        name: text(name),
        method: Derivation::Given,
        matrix: Some(matrix(x)),
        meter: Subject { id: text("m"), model: Some(text("filters")), serial: Some(text("7")) },
        reference: None,
        display: Some(text("Field monitor 4")),
        at: None,
        colours: Vec::new(),
        undo: None,
        note: None,
        simulated: true,
    }
}

fn opened(path: &Path) -> (Corrections, Log, Written) {
    let (log, written) = Log::open(path.join("log.sqlite"), Survives::Crash).unwrap();
    (Corrections::new(&log, &Arc::new(Clock::system()), STALE_AFTER_S), log, written)
}

#[tokio::test]
async fn what_was_added_comes_back_after_reopening_with_its_matrix_to_the_last_bit() {
    let folder = tempfile::tempdir().unwrap();
    let (corrections, log, written) = opened(folder.path());
    let mut expected = Vec::new();
    // A third, and others that text may not bring back to the last bit.
    for x in [1.0 / 3.0, 1.1, 0.812_345_678_901_234_6, 1.000_000_000_000_000_2] {
        let added = corrections.add(given("one", x)).await.unwrap();
        assert!(added.durable);
        expected.push(added.correction);
    }
    let ids: Vec<&str> = expected.iter().map(|correction| correction.id.as_str()).collect();
    assert_eq!(ids, ["c1", "c2", "c3", "c4"]);
    drop((corrections, log));
    written.wait();
    let (corrections, _log, _written) = opened(folder.path());
    assert_eq!(corrections.page(&ListCorrections::default()).unwrap().corrections, expected);
}

#[tokio::test]
async fn an_id_is_never_given_twice_though_nothing_is_left_of_its_correction() {
    let folder = tempfile::tempdir().unwrap();
    for round in 1..=3 {
        let (corrections, log, written) = opened(folder.path());
        let id = corrections.add(given("unused", 1.0)).await.unwrap().correction.id;
        assert_eq!(id, correction_id(round));
        let removed = corrections.remove(&id, &[]).await.unwrap();
        assert!(removed.correction.removed.is_some());
        let everything = ListCorrections { removed: true, ..ListCorrections::default() };
        assert_eq!(corrections.page(&everything).unwrap().corrections, [], "no reading ever went through it");
        assert_eq!(corrections.remove(&id, &[]).await.unwrap_err().kind(), ErrorKind::NoSuchCorrection);
        let events = log.events_as(Selection::default(), |page| Ok(page.clone())).await.unwrap().events;
        assert_eq!(events.len() as u64, round);
        drop((corrections, log));
        written.wait();
    }
}

#[tokio::test]
async fn without_a_log_they_live_in_memory_and_say_so() {
    let corrections = Corrections::new(&Log::off(), &Arc::new(Clock::system()), STALE_AFTER_S);
    let added = corrections.add(given("one", 1.0)).await.unwrap();
    let page = corrections.page(&ListCorrections::default()).unwrap();
    assert_eq!((added.durable, page.durable, page.corrections), (false, false, vec![added.correction]));
}

#[tokio::test]
async fn pages_follow_one_another() {
    let corrections = Corrections::new(&Log::off(), &Arc::new(Clock::system()), STALE_AFTER_S);
    for _ in 0..5 {
        corrections.add(given("one", 1.0)).await.unwrap();
    }
    let (mut ids, mut after) = (Vec::new(), None);
    loop {
        let params = ListCorrections { after, limit: Some(2), ..ListCorrections::default() };
        let page = corrections.page(&params).unwrap();
        ids.extend(page.corrections.into_iter().map(|correction| correction.id));
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!(ids, ["c1", "c2", "c3", "c4", "c5"]);
    for (after, limit, kind) in
        [(Some("x"), None, ErrorKind::NoSuchCorrection), (None, Some(0), ErrorKind::InvalidParams)]
    {
        let params = ListCorrections { after: after.map(str::to_owned), limit, ..ListCorrections::default() };
        assert_eq!(corrections.page(&params).unwrap_err().kind(), kind);
    }
}

#[tokio::test]
async fn what_makes_no_sense_is_refused_with_its_kind() {
    let corrections = Corrections::new(&Log::off(), &Arc::new(Clock::system()), STALE_AFTER_S);
    let ahead = Timestamp::from_unix_ns(corrections.clock.now().at.unix_ns() + 2 * AHEAD_NS);
    let cases = [
        (NewCorrection { name: text(" "), ..given("x", 1.0) }, ErrorKind::InvalidParams),
        (NewCorrection { at: Some(ahead), ..given("x", 1.0) }, ErrorKind::InvalidParams),
        (NewCorrection { matrix: None, ..given("x", 1.0) }, ErrorKind::InvalidParams),
        (NewCorrection { undo: Some("c9".to_owned()), ..given("x", 1.0) }, ErrorKind::NoSuchCorrection),
        (given("mirrors", -1.0), ErrorKind::CorrectionRefused),
    ];
    for (new, kind) in cases {
        assert_eq!(corrections.add(new).await.unwrap_err().kind(), kind);
    }
}

#[tokio::test]
async fn readings_that_went_through_a_correction_are_brought_back_before_another_is_made() {
    let corrections = Corrections::new(&Log::off(), &Arc::new(Clock::system()), STALE_AFTER_S);
    let first = corrections.add(given("first", 1.2)).await.unwrap().correction;
    let colours = [
        ("white", [95.0, 100.0, 109.0]),
        ("red", [41.0, 21.0, 2.0]),
        ("blue", [18.0, 7.0, 95.0]),
        ("green", [36.0, 72.0, 12.0]),
    ];
    let seen = colours.map(|(name, seen)| (name, Xyz::try_from(seen).unwrap()));
    // The reference agrees with what the meter says through the first correction.
    let through = |xyz| first.matrix.apply(xyz).unwrap();
    let pairs =
        seen.map(|(name, xyz)| Colour { name: text(name), meter: through(xyz), reference: through(xyz) });
    let new = NewCorrection {
        method: Derivation::FourColour,
        matrix: None,
        colours: pairs.into(),
        undo: Some(first.id.clone()),
        ..given("second", 1.0)
    };
    let second = corrections.add(new).await.unwrap().correction;
    for (element, expected) in
        second.matrix.rows().as_flattened().iter().zip(first.matrix.rows().as_flattened())
    {
        assert!((element - expected).abs() < 1e-12, "{second:?}");
    }
    assert!((second.colours[0].meter.y() - 100.0).abs() < 1e-10, "what is kept is what the meter saw");
}

#[test]
fn warnings_say_what_one_must_know_and_another_meter_is_not_corrected() {
    let clock = Clock::system();
    let now = clock.now();
    let instrument = |serial: &str, kind| Instrument {
        model: "filters".to_owned(),
        serial: Some(serial.to_owned()),
        kind,
        quantities: vec![Quantity::Luminance, Quantity::Xyz],
        integration_s: None,
        range: None,
        resolution: None,
    };
    let corrections = Corrections::new(&Log::off(), &Arc::new(clock), STALE_AFTER_S);
    let year_ns = 365 * AHEAD_NS;
    let state = |age_ns: u64, shown: &str, forced, serial: &str, kind, later_s: f64| {
        let at = Some(Timestamp::from_unix_ns(now.at.unix_ns() - age_ns));
        let made = corrections.made(NewCorrection { at, ..given("one", 1.0) }, now.at).unwrap();
        let forced = Forced { number: 1, shown: Some(text(shown)), since: now.at, forced };
        let through = Through::new(Arc::new(made), &forced, now, STALE_AFTER_S);
        let state = through.in_force("m", Some(&instrument(serial, kind)), now.t_s + later_s);
        (state.applied, state.warnings)
    };
    use CorrectionWarning as W;
    let (meter, spectrometer) = (Kind::Colorimeter, Kind::Spectrometer);
    assert_eq!(state(0, " field MONITOR 4", false, "7", meter, 0.0), (true, vec![]));
    assert_eq!(state(year_ns - 1_000_000_000, "Field monitor 4", false, "7", meter, 0.0), (true, vec![]));
    // It gets old while it is in force.
    assert_eq!(
        state(year_ns - 1_000_000_000, "Field monitor 4", false, "7", meter, 2.0),
        (true, vec![W::Stale])
    );
    assert_eq!(state(0, "Field monitor 5", false, "7", meter, 0.0), (true, vec![W::OtherDisplay]));
    assert_eq!(state(0, "Field monitor 4", false, "8", meter, 0.0), (false, vec![W::OtherMeter]));
    assert_eq!(state(0, "Field monitor 4", true, "8", meter, 0.0), (true, vec![W::OtherMeter]));
    assert_eq!(state(0, "Field monitor 4", true, "7", spectrometer, 0.0), (false, vec![W::OtherMeter]));
}

#[tokio::test]
async fn a_correction_from_a_simulation_that_is_played_back_is_simulated_too() {
    let folder = tempfile::tempdir().unwrap();
    let row = "meter,t_s,X,Y,Z,flags\nm,1,95,100,108,simulated\n";
    std::fs::write(folder.path().join("log.csv"), row).unwrap();
    let text = "[[meter]]\nid = \"m\"\ndriver = \"replay\"\nfile = \"log.csv\"\npace = \"asked\"\n";
    let config = Config::load(&folder.path().join("c.toml"), text, &Registry::built_in()).unwrap();
    let (_stopper, stop) = stop::pair();
    let clock = Arc::new(Clock::system());
    let (daemon, supervisor) = Daemon::new(config.meters, clock, Log::off(), Terms::default(), stop);
    let mut running = tokio::task::JoinSet::new();
    running.spawn(supervisor.run());
    daemon.meter("m").unwrap().read(&By::itself(), Exposure::default()).await.unwrap();
    let meter = Subject { id: self::text("m"), model: None, serial: None };
    let new = NewCorrection { meter, simulated: false, ..given("one", 1.0) };
    assert!(daemon.add_correction(new).await.unwrap().correction.simulated);
}

#[tokio::test]
async fn where_the_log_can_not_be_written_nothing_is_added_and_nothing_put_in_force() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let (log, _written) = Log::open(path.clone(), Survives::Crash).unwrap();
    let text = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";
    let config = Config::load(Path::new("c.toml"), text, &Registry::built_in()).unwrap();
    let (_stopper, stop) = stop::pair();
    let clock = Arc::new(Clock::system());
    let (daemon, supervisor) = Daemon::new(config.meters, clock, log, Terms::default(), stop);
    let mut running = tokio::task::JoinSet::new();
    running.spawn(supervisor.run());
    let meter = daemon.meter("m").unwrap();
    meter.read(&By::itself(), Exposure::default()).await.unwrap();
    let execute = |sql| rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    let new = NewCorrection {
        meter: Subject { id: self::text("m"), model: None, serial: None },
        ..given("one", 1.0)
    };
    execute("ALTER TABLE corrections RENAME TO away");
    let error = daemon.add_correction(new.clone()).await.unwrap_err();
    assert_eq!(error.kind(), ErrorKind::LogUnavailable);
    execute("ALTER TABLE away RENAME TO corrections");
    let id = daemon.add_correction(new).await.unwrap().correction.id;
    assert_eq!(id, "c1", "what was not added has no number");
    execute("ALTER TABLE in_force RENAME TO away");
    let put = CorrectParams {
        meter: "m".to_owned(),
        correction: Some(id.clone()),
        display: None,
        force: false,
        lease: None,
    };
    assert_eq!(daemon.correct(put.clone()).await.unwrap_err().kind(), ErrorKind::LogUnavailable);
    assert_eq!(meter.read(&By::itself(), Exposure::default()).await.unwrap().reading.correction, None);
    execute("ALTER TABLE away RENAME TO in_force");
    daemon.correct(put).await.unwrap();
    assert_eq!(meter.read(&By::itself(), Exposure::default()).await.unwrap().reading.correction, Some(id));
}

#[tokio::test]
async fn a_correction_whose_row_was_lost_is_put_in_force_and_written_anew_and_costs_no_reading_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let (corrections, log, _written) = opened(folder.path());
    let added = corrections.add(given("one", 1.25)).await.unwrap().correction;
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("DELETE FROM corrections").unwrap();
    let number = correction_number(&added.id).unwrap();
    let now = Clock::system().now();
    let forced = Forced { number, shown: None, since: now.at, forced: false };
    let change = Change::Force("m".to_owned(), Some((forced, Arc::new(added.clone()))));
    let (written, is_written) = tokio::sync::oneshot::channel();
    let then = Then::new(move |is_written| written.send(is_written).unwrap());
    log.keep(&Clock::system(), change, None, then).await;
    assert!(is_written.await.unwrap());
    assert_eq!(log.status().reason, None);
    let kept: (i64, f64, bool) = other
        .query_row("SELECT number, m11, used FROM corrections", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .unwrap();
    assert_eq!(kept, (1, 1.25, true));
    assert_eq!(
        other.query_row("SELECT correction FROM in_force", [], |row| row.get::<_, i64>(0)).unwrap(),
        1
    );
}

fn spawned<T: Send + 'static>(future: impl Future<Output = T> + Send + 'static) -> tokio::task::JoinSet<T> {
    let mut tasks = tokio::task::JoinSet::new();
    tasks.spawn(future);
    tasks
}

#[tokio::test]
async fn nobody_changes_a_correction_under_somebody_elses_lease_however_long_the_disk_takes() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let text = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";
    let config = Config::load(Path::new("c.toml"), text, &Registry::built_in()).unwrap();
    let (_stopper, stop) = stop::pair();
    let clock = Arc::new(Clock::system());
    let (daemon, supervisor) = Daemon::new(config.meters, clock, log, Terms::default(), stop);
    let mut running = tokio::task::JoinSet::new();
    running.spawn(supervisor.run());
    let meter = daemon.meter("m").unwrap();
    meter.read(&By::itself(), Exposure::default()).await.unwrap();
    let subject = Subject { id: self::text("m"), model: None, serial: None };
    let new = NewCorrection { meter: subject, ..given("one", 1.0) };
    let id = daemon.add_correction(new).await.unwrap().correction.id;
    // The disk stalls until this is dropped.
    let (goes_on, stalls) = std::sync::mpsc::channel::<()>();
    let then = Then::new(move |_| assert!(stalls.recv().is_err()));
    daemon.log.keep(&daemon.clock, Change::Force("none".to_owned(), None), None, then).await;
    let correct = |correction: Option<&str>| {
        let (daemon, correction) = (Arc::clone(&daemon), correction.map(str::to_owned));
        let params =
            CorrectParams { meter: "m".to_owned(), correction, display: None, force: false, lease: None };
        spawned(async move { daemon.correct(params).await })
    };
    let (mut put, mut take_out) = (correct(Some(&id)), correct(None));
    let mut leased = spawned({
        let meter = meter.clone();
        async move {
            let taken =
                meter.lease(&By::itself(), MeterTerms { ttl_s: 60.0, wait_s: 60.0, purpose: None }).await;
            let correction = meter.meter(0.0).correction.map(|correction| correction.id);
            (taken.unwrap(), correction)
        }
    });
    for _ in 0..100 {
        tokio::task::yield_now().await;
    }
    assert!(leased.try_join_next().is_none(), "it begins while a correction is on its way");
    drop(goes_on);
    assert_eq!(put.join_next().await.unwrap().unwrap().unwrap().correction.unwrap().id, id);
    let (taken, before) = leased.join_next().await.unwrap().unwrap();
    // It comes before the lease, or is refused.
    let outcome = take_out.join_next().await.unwrap().unwrap();
    assert!(outcome.is_ok() == before.is_none(), "{outcome:?}");
    let after = meter.meter(0.0).correction.map(|correction| correction.id);
    assert_eq!(after, before, "it was changed under a lease");
    drop(taken);
    correct(None).join_next().await.unwrap().unwrap().unwrap();
}
