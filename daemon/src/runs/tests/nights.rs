//! Runs that start later, and those that come again each day.

use super::*;

/// The time of day by the machine's zone so many s from now on the daemon's clock.
fn time_of_day(bench: &Bench, after_s: i64) -> String {
    let now = i128::from(bench.daemon.clock.now().at.unix_ns());
    let moment = jiff::Timestamp::from_nanosecond(now).unwrap() + jiff::SignedDuration::from_secs(after_s);
    moment.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%H:%M:%S").to_string()
}

#[tokio::test]
async fn a_run_starts_when_it_is_to_and_not_before() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &Lamp::of(|_| 100.0));
    let start = plan::after(bench.daemon.clock.now().at, 600.0);
    let planned = bench.start(json!({"start": start, "duration_s": 600.0})).await;
    assert_eq!((planned.state, planned.begins, planned.readings), (RunState::Planned, start, 0));
    assert_eq!(planned.ends, Some(plan::after(start, 600.0)));
    let active = bench.daemon.runs.active();
    assert_eq!(*active.borrow(), 0);
    let done = bench.over(planned.run).await;
    let late_s = plan::seconds_between(start, done.begins);
    assert!((0.0..300.0).contains(&late_s) && done.points >= 3, "{late_s} s late: {done:?}");
    assert_eq!((done.state, *active.borrow()), (RunState::Done, 0));
}

#[tokio::test]
async fn nights_come_again_until_there_have_been_all_or_somebody_stops_them() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 20_000.0);
    let members = |nights: Value| json!({"duration_s": 43_200.0, "interval_s": 3600, "nightly": nights});
    let hours = |count: i64| {
        let now = i128::from(bench.daemon.clock.now().at.unix_ns());
        let moment = jiff::Timestamp::from_nanosecond(now).unwrap() + jiff::SignedDuration::from_hours(count);
        moment.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%H:%M").to_string()
    };
    let two = bench.start(members(json!({"at": hours(2), "nights": 2}))).await.run;
    let for_ever = bench.start(members(json!({"at": hours(3)}))).await.run;
    bench.over(two).await;
    let second = bench.list().await.into_iter().find(|run| run.night_of == Some(two)).unwrap();
    assert_eq!(bench.over(second.run).await.state, RunState::Done);
    let day_s = plan::seconds_between(bench.show(two).await.begins, bench.show(second.run).await.begins);
    // An hour more or less where summer time begins or ends just now, and what the machine takes.
    assert!((day_s - 86_400.0).abs() < 10_000.0, "{day_s} s");
    let of = |runs: &[Run], first: u64| runs.iter().filter(|run| run.night_of == Some(first)).count();
    let runs = bench.list().await;
    assert_eq!((of(&runs, two), of(&runs, for_ever) > 0), (1, true), "{runs:?}");
    let going = runs.iter().find(|run| run.night_of == Some(for_ever) && !run.state.is_over()).unwrap();
    bench.stop(going.run).await.unwrap();
    in_time(async {
        while bench.list().await.iter().any(|run| !run.state.is_over()) {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
}

#[tokio::test]
async fn stopping_one_night_leaves_those_to_come_or_ends_them_and_says_which() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    let run = bench.start(json!({"duration_s": 600.0, "nightly": {"at": "03:00", "nights": 3}})).await.run;
    // The one after a planned night isn't planned yet.
    let skipped = in_time(bench.skip(run)).await;
    assert_eq!(skipped.state, RunState::Stopped);
    let next = bench.list().await.into_iter().find(|run| !run.state.is_over()).unwrap();
    let left = format!("The nights to come are left: run {} begins at {}.", next.run, next.begins);
    assert!(skipped.message.contains(&left), "{}", skipped.message);
    let day_s = plan::seconds_between(skipped.begins, next.begins);
    // An hour more or less where summer time begins or ends just now.
    assert!((day_s - 86_400.0).abs() <= 3600.0 && next.night_of == Some(run), "{next:?}");
    let last = in_time(bench.skip(next.run)).await;
    let third = bench.list().await.into_iter().find(|run| !run.state.is_over()).unwrap();
    assert!(last.message.contains(&format!("run {} begins", third.run)), "{}", last.message);
    let over = in_time(bench.skip(third.run)).await;
    assert!(!over.message.contains("nights to come"), "there were three: {}", over.message);
    assert!(bench.list().await.iter().all(|run| run.state == RunState::Stopped));
}

#[tokio::test]
async fn a_night_that_was_skipped_does_not_come_back_where_the_zone_is_changed() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    // At three in the morning, say: the night that begins at six in the evening is skipped.
    let at = time_of_day(&bench, 15 * 3600);
    let run = bench.start(json!({"duration_s": 600.0, "nightly": {"at": at}})).await.run;
    let skipped = in_time(bench.skip(run)).await;
    let next = bench.list().await.into_iter().find(|run| !run.state.is_over()).unwrap();
    let mut changes = bench.daemon.runs.observe();
    bench.daemon.runs.zone_changed();
    let planned = in_time(async {
        loop {
            let changed = changes.recv().await.unwrap();
            if changed.run.run == next.run {
                return changed.run;
            }
        }
    })
    .await;
    assert_eq!(planned.begins, next.begins);
    let day_s = plan::seconds_between(skipped.begins, planned.begins);
    // An hour more or less where summer time begins or ends just now.
    assert!((day_s - 86_400.0).abs() <= 3600.0, "{day_s} s after the one that was skipped");
}

#[tokio::test]
async fn the_night_that_is_left_is_in_the_log_as_that_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    let other = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    let mut run = bench.start(json!({"duration_s": 600.0, "nightly": {"at": "03:00"}})).await.run;
    for _ in 0..20 {
        let message = in_time(bench.skip(run)).await.message;
        let text = "SELECT run FROM runs WHERE state = 'planned'";
        let planned: Vec<u64> = {
            let mut rows = other.prepare(text).unwrap();
            let runs = rows.query_map([], |row| row.get::<_, u32>(0)).unwrap();
            runs.map(|run| u64::from(run.unwrap())).collect()
        };
        assert!(planned.len() == 1 && planned[0] > run, "{planned:?} after {run}: {message}");
        assert!(message.contains(&format!("run {} begins at ", planned[0])), "{message}");
        run = planned[0];
    }
}

#[tokio::test]
async fn where_the_log_can_not_be_written_whoever_skips_a_night_is_told_what_may_become_of_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    let run = bench.start(json!({"duration_s": 600.0, "nightly": {"at": "03:00"}})).await.run;
    let other = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let message = in_time(bench.skip(run)).await.message;
    assert!(message.contains("unless it can be before the daemon ends, that one is lost"), "{message}");
    other.execute_batch("ROLLBACK").unwrap();
    let next = bench.list().await.into_iter().find(|run| !run.state.is_over()).unwrap().run;
    in_time(async {
        while bench.daemon.log.run(next).await.unwrap().is_none() {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
    // It is known to be there by now, whatever was said before.
    let message = in_time(bench.skip(next)).await.message;
    assert!(message.contains("The nights to come are left") && !message.contains("lost"), "{message}");
}

#[tokio::test]
async fn however_a_night_is_stopped_as_it_begins_none_is_left_to_come() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1000.0);
    let (mut before, mut after) = (0, 0);
    for _ in 0..100 {
        let members =
            json!({"duration_s": 3600.0, "interval_s": 600, "nightly": {"at": time_of_day(&bench, 3)}});
        let planned = bench.start(members).await;
        let wait_s = plan::seconds_between(bench.daemon.clock.now().at, planned.begins);
        if wait_s > 60.0 {
            // Its time had come and gone before it was asked for.
            in_time(bench.stop(planned.run)).await.unwrap();
            continue;
        }
        bench.at(bench.now_s() + wait_s).await;
        let stopped = in_time(bench.stop(planned.run)).await.unwrap();
        let nights = bench.list().await;
        assert!(nights.iter().all(|run| run.state.is_over()), "{nights:?}");
        let is_said = stopped.message.contains("The nights to come end with it");
        let others = nights.iter().filter(|run| run.night_of == Some(planned.run)).count();
        assert_eq!(others, usize::from(is_said), "{stopped:?}");
        *(if others == 0 { &mut before } else { &mut after }) += 1;
    }
    // Both were tried.
    assert!(before + after > 20, "{before} stopped before they began, {after} afterwards");
}

#[tokio::test]
async fn a_night_that_is_stopped_while_it_goes_on_takes_the_next_one_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 20_000.0);
    let run = bench
        .start(json!({"duration_s": 80_000.0, "interval_s": 3600, "nightly": {"at": "03:00"}}))
        .await
        .run;
    let going = bench.until(run, |run| run.state == RunState::Running && run.points > 0).await;
    assert_eq!(going.state, RunState::Running);
    let stopped = in_time(bench.stop(run)).await.unwrap();
    // The answer comes once the other is over, too.
    let runs = bench.list().await;
    let next = runs.iter().find(|other| other.night_of == Some(run)).unwrap();
    assert!(runs.iter().all(|run| run.state.is_over()), "{runs:?}");
    let ends = format!("The nights to come end with it: run {}.", next.run);
    assert!(stopped.message.contains(&ends), "{}", stopped.message);
}

#[tokio::test]
async fn a_night_that_somebody_takes_back_leaves_none_to_come() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    let run = bench.start(json!({"duration_s": 600.0, "nightly": {"at": "03:00"}})).await.run;
    let stopped = in_time(bench.stop(run)).await.unwrap();
    assert_eq!((stopped.state, stopped.readings), (RunState::Stopped, 0));
    assert!(stopped.message.starts_with("Stopped by another program"), "{}", stopped.message);
    assert_eq!(bench.list().await.len(), 1);
    assert_eq!(bench.stop(run).await.unwrap_err().kind(), ErrorKind::RunRefused);
}
