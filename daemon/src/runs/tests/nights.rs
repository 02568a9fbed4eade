//! Runs that start later, and those that come again each day.

use super::*;

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
