//! What keeps a run from its readings, and how it goes on.

use settled_protocol::text::Text;

use super::*;
use crate::meter_task::Terms as LeaseTerms;

#[tokio::test]
async fn a_run_whose_meter_is_unplugged_for_an_hour_is_alarmed_and_goes_on_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|_| 100.0);
    let bench = bench(folder.path(), &lamp);
    let members = json!({"duration_s": 6000.0, "interval_s": 300, "alert": {"lost_s": 300}});
    let run = bench.start(members).await.run;
    let began_s = bench.now_s();
    bench.at(began_s + 1000.0).await;
    lamp.unplug(true);
    let lost = bench.until(run, |run| !run.standing.is_empty()).await;
    assert_eq!((lost.standing[0].kind, lost.alerts), (AlertKind::MeterLost, 1));
    assert!(lost.standing[0].message.starts_with("m has given no readings for "), "{lost:?}");
    assert_eq!(lost.waiting.as_ref().map(RpcError::kind), Some(ErrorKind::MeterAbsent));
    bench.at(began_s + 4600.0).await;
    lamp.unplug(false);
    let back = bench.until(run, |run| run.standing.is_empty()).await;
    assert_eq!((back.waiting, back.gaps), (None, 1));
    let done = bench.over(run).await;
    assert_eq!((done.state, done.verdict), (RunState::Done, Some(RunVerdict::Within)), "{done:?}");
    // The meter is tried again each minute, and the gap begins with the reading before.
    assert!((3590.0..4100.0).contains(&done.gap_s), "{done:?}");
    assert!((11..=13).contains(&done.missed) && (7..=10).contains(&done.points), "{done:?}");
    let expected = [
        EventKind::RunStarted,
        EventKind::Alert,
        EventKind::RunGap,
        EventKind::AlertOver,
        EventKind::RunEnded,
    ];
    assert_eq!(bench.kinds(run).await, expected);
    let gap = &bench.events(run).await[2].detail;
    assert!(gap.contains("has no readings for 1 h") && gap.contains("unplugged"), "{gap}");
}

#[tokio::test]
async fn a_gap_of_a_run_without_pause_is_as_long_as_it_is_and_counts_no_points() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::exposed(0.1, |_| 100.0);
    let bench = bench_at(folder.path(), &lamp, 100.0);
    let warm_up = json!({"kind": "warm_up", "criteria": {"hold_s": 3600.0}});
    let held = json!({"kind": "stability", "duration_s": 7200.0});
    let runs = [bench.start(warm_up).await.run, bench.start(held).await.run];
    for run in runs {
        bench.until(run, |run| run.points >= 3).await;
    }
    lamp.unplug(true);
    let began_s = bench.now_s();
    for run in runs {
        bench.until(run, |run| run.waiting.is_some()).await;
    }
    bench.at(began_s + 60.0).await;
    lamp.unplug(false);
    for run in runs {
        let back = bench.until(run, |run| run.gaps > 0 && run.waiting.is_none()).await;
        assert!(back.missed == 0 && back.gap_s > 59.0, "{back:?}");
        let stopped = in_time(bench.stop(run)).await.unwrap();
        assert!(stopped.message.contains(" in all"), "{}", stopped.message);
    }
}

#[tokio::test]
async fn a_run_waits_while_somebody_has_the_meter_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|_| 100.0);
    let bench = bench(folder.path(), &lamp);
    let run =
        bench.start(json!({"duration_s": 3600.0, "interval_s": 300, "alert": {"lost_s": 600}})).await.run;
    bench.until(run, |run| run.points >= 1).await;
    let meter = bench.daemon.meter("m").unwrap().clone();
    let purpose = Text::try_from("a review of a display".to_owned()).ok();
    let terms = LeaseTerms { ttl_s: 3600.0, wait_s: 60.0, purpose };
    let lease = in_time(meter.lease(&By::itself(), terms)).await.unwrap();
    let waits = bench.until(run, |run| run.waiting.is_some()).await;
    assert_eq!(waits.waiting.map(|error| error.kind()), Some(ErrorKind::Leased));
    let standing = bench.until(run, |run| !run.standing.is_empty()).await.standing;
    let said = &standing[0].message;
    assert!(
        standing[0].kind == AlertKind::MeterLost && said.starts_with("m has given no readings for "),
        "{said}"
    );
    let who = "has it for itself, for \"a review of a display\", until ";
    assert!(said.contains(who) && !said.contains("params") && !said.contains("leased"), "{said}");
    drop(lease);
    let done = bench.over(run).await;
    assert_eq!((done.state, done.gaps, done.alerts), (RunState::Done, 1, 1), "{done:?}");
    assert!(done.gap_s > 600.0 && done.points > 5, "{done:?}");
}

#[tokio::test]
async fn light_that_leaves_its_band_is_an_alert_until_it_is_back_and_one_outlier_is_none() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|_| 100.0);
    let bench = bench_at(folder.path(), &lamp, 300.0);
    let mut changes = bench.daemon.runs.observe();
    let run = bench.start(json!({"burst": 3, "alert": {"luminance": 0.02, "lost_s": 3600}})).await.run;
    bench.until(run, |run| run.points >= 2).await;
    let outlier = AtomicBool::new(true);
    lamp.shines(move |_| if outlier.swap(false, Ordering::Relaxed) { 150.0 } else { 100.0 });
    let calm = bench.until(run, |run| run.points >= 6).await;
    assert_eq!(calm.alerts, 0, "{calm:?}");
    lamp.shines(|_| 103.0);
    let alarmed = bench.until(run, |run| !run.standing.is_empty()).await;
    let message = "103.0 cd/m² is 3.000 % off the 100.0 cd/m² that it began with";
    assert_eq!(
        (alarmed.standing[0].kind, alarmed.standing[0].message.as_str()),
        (AlertKind::Luminance, message)
    );
    lamp.shines(|_| 101.9);
    bench.until(run, |now| now.points >= alarmed.points + 4).await;
    assert_eq!(bench.show(run).await.standing.len(), 1, "at its edge it still stands");
    lamp.shines(|_| 101.0);
    let back = bench.until(run, |run| run.standing.is_empty()).await;
    assert_eq!(back.alerts, 1);
    let mut alerts = Vec::new();
    while let Ok(changed) = changes.try_recv() {
        alerts.extend(changed.alert.map(|alert| (changed.is_progress, alert.kind)));
    }
    assert_eq!(alerts, [(false, AlertKind::Luminance)]);
    let expected = [EventKind::RunStarted, EventKind::Alert, EventKind::AlertOver];
    in_time(async {
        loop {
            let mut kinds = bench.kinds(run).await;
            kinds.retain(|kind| *kind != EventKind::RunGap);
            if kinds == expected {
                break;
            }
            assert!(expected.starts_with(&kinds), "{kinds:?}");
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
}

#[tokio::test]
async fn a_run_goes_on_after_a_panic_of_its_meters_task() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|_| 100.0);
    let bench = bench(folder.path(), &lamp);
    let run = bench.start(json!({"duration_s": 2000.0})).await.run;
    bench.until(run, |run| run.points >= 3).await;
    lamp.shines(|_| panic!("the test says so"));
    bench.until(run, |run| run.waiting.is_some()).await;
    lamp.shines(|_| 100.0);
    let done = bench.over(run).await;
    assert_eq!(done.state, RunState::Done, "{done:?}");
}

#[tokio::test]
async fn a_run_that_ends_while_the_log_can_not_be_written_is_over_in_it_once_it_can() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    let run = bench.start(json!({})).await.run;
    let other = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let stopped = in_time(bench.stop(run)).await.unwrap();
    // Its row says that it goes on: nobody is told so.
    let row = bench.daemon.log.run(run).await.unwrap().unwrap().run;
    assert_eq!((row.state, bench.show(run).await.state), (RunState::Running, RunState::Stopped));
    for (state, expected) in [(None, 1), (Some(RunState::Stopped), 1), (Some(RunState::Running), 0)] {
        let which = ListRuns { state, ..ListRuns::default() };
        let page = super::super::list(&bench.daemon, which).await.unwrap();
        assert!(page.runs.len() == expected && page.next.is_none(), "{state:?}: {page:?}");
        assert!(page.runs.iter().all(|run| run.state == RunState::Stopped), "{page:?}");
    }
    assert_eq!(bench.stop(run).await.unwrap_err().message, format!("run {run} is over already: stopped"));
    other.execute_batch("ROLLBACK").unwrap();
    in_time(async {
        while !bench.daemon.log.run(run).await.unwrap().unwrap().run.state.is_over()
            || !bench.kinds(run).await.contains(&EventKind::RunEnded)
        {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
    let kept = bench.show(run).await;
    assert_eq!((kept.state, kept.message), (stopped.state, stopped.message));
}

#[tokio::test]
async fn a_warm_up_that_begins_while_the_log_can_not_be_written_counts_its_readings() {
    let folder = tempfile::tempdir().unwrap();
    // Never settled within its time.
    let bench = bench_at(folder.path(), &Lamp::exposed(60.0, |t_s| 100.0 + t_s / 100.0), 20_000.0);
    let now = i128::from(bench.daemon.clock.now().at.unix_ns());
    let soon = jiff::Timestamp::from_nanosecond(now).unwrap() + jiff::SignedDuration::from_hours(2);
    let at = soon.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%H:%M").to_string();
    let members = json!({"kind": "warm_up", "duration_s": 14_400.0, "nightly": {"at": at, "nights": 2}});
    let first = bench.start(members).await.run;
    let other = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    bench.over(first).await;
    let second = bench.list().await.into_iter().find(|run| run.night_of == Some(first)).unwrap().run;
    let over = bench.over(second).await;
    assert!(over.state == RunState::Done && over.points > 10 && over.reference.is_some(), "{over:?}");
    assert_eq!(
        bench.daemon.log.run(second).await.unwrap().map(|kept| kept.run.run),
        None,
        "it has no row yet"
    );
    other.execute_batch("ROLLBACK").unwrap();
    in_time(async {
        while bench.daemon.log.run(second).await.unwrap().is_none() {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
    assert_eq!(bench.show(second).await.points, over.points);
}

#[tokio::test]
async fn an_alert_that_stood_as_the_daemon_ended_is_over_once_the_light_is_back() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::exposed(0.1, |_| 100.0);
    let first = bench_at(folder.path(), &lamp, 20.0);
    let run = first.start(json!({"interval_s": 0, "alert": {"luminance": 0.02, "lost_s": 3600}})).await.run;
    first.until(run, |run| run.points >= 2).await;
    lamp.shines(|_| 103.0);
    first.until(run, |run| !run.standing.is_empty()).await;
    first.end().await;
    lamp.shines(|_| 100.0);
    let second = bench_at(folder.path(), &lamp, 20.0);
    let back = second.until(run, |run| run.standing.is_empty()).await;
    assert_eq!((back.state, back.alerts), (RunState::Running, 1));
    assert!(second.kinds(run).await.contains(&EventKind::AlertOver));
}
