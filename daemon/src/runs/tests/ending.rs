//! How runs end, what is refused, and what outlives the daemon.

use super::*;

#[tokio::test]
async fn light_that_drifts_is_beyond_and_the_drift_is_that_of_the_light() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|t_s| 100.0 - 2.0 * t_s / 3600.0), 300.0);
    let run = bench.start(json!({"duration_s": 2400.0, "interval_s": 240, "burst": 5})).await.run;
    let done = bench.over(run).await;
    assert_eq!((done.state, done.verdict), (RunState::Done, Some(RunVerdict::Beyond)));
    let drift = done.drift.unwrap();
    assert!((drift.per_h + 2.0).abs() < 0.01, "{drift:?}");
    assert_eq!((done.latest.unwrap().count, done.gaps), (5, 0));
    let counted = bench.daemon.log.count_run(run).await.unwrap();
    assert_eq!((counted.readings, counted.first, counted.last), (done.readings, done.first, done.last));
    assert_eq!(done.readings, 5 * done.points);
    assert!(done.message.starts_with("The light left its bands: "), "{}", done.message);
}

#[tokio::test]
async fn quiet_light_that_bends_is_said_to_keep_to_no_line_and_not_to_be_noisy() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|_| 276.0);
    let bench = bench_at(folder.path(), &lamp, 200.0);
    let from_s = bench.now_s();
    lamp.shines(move |t_s| 300.0 * (1.0 - 0.08 * (-(t_s - from_s) / 300.0).exp()));
    let plan = json!({"duration_s": 1200.0, "interval_s": 10, "criteria": {"luminance": 0.09}});
    let run = bench.start(plan).await.run;
    let done = bench.over(run).await;
    assert_eq!(done.verdict, Some(RunVerdict::Undecided), "{}", done.message);
    assert!(done.message.contains("the light keeps to no line"), "{}", done.message);
    assert!(!done.message.contains("noise"), "{}", done.message);
}

#[tokio::test]
async fn a_run_that_is_over_keeps_what_its_readings_came_to_and_tells_the_drift_of_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &Lamp::of(|t_s| 100.0 - t_s / 3600.0 + (t_s / 70.0).sin()));
    let run = bench.start(json!({"duration_s": 3600.0, "interval_s": 60, "burst": 3})).await.run;
    let early = bench.until(run, |run| run.readings > 0).await;
    assert!(early.points > 0 || early.statistics.is_none(), "{early:?}");
    bench.over(run).await;
    let kept = summed_up(&bench, run).await;
    let figures = kept.statistics.clone().unwrap();
    assert_eq!((figures.value.drift.as_ref(), figures.count), (kept.drift.as_ref(), kept.readings));
    assert!(kept.drift.is_some(), "{kept:?}");
    assert!(bench.list().await.iter().all(|run| run.statistics.is_none()));
    // Without its readings, too: none is looked at.
    let other = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    other.execute_batch("DELETE FROM run_readings").unwrap();
    assert_eq!(bench.show(run).await, kept);
}

/// Waits until the log has what a run's readings came to.
async fn summed_up(bench: &Bench, run: u64) -> Run {
    in_time(async {
        loop {
            match bench.daemon.log.run(run).await.unwrap().unwrap().run {
                run if run.statistics.is_some() => break run,
                _ => tokio::time::sleep(Duration::from_millis(2)).await,
            }
        }
    })
    .await
}

#[tokio::test]
async fn a_daemon_that_stops_waits_for_no_figures_and_they_are_made_for_who_asks_afterwards() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|_| 100.0);
    let first = bench(folder.path(), &lamp);
    let run = first.start(json!({"interval_s": 60})).await.run;
    first.until(run, |run| run.points >= 3).await;
    // Others go through whole logs.
    let mut places = Vec::new();
    for _ in 0..crate::log::FIGURES {
        places.push(first.daemon.log.place().await.unwrap());
    }
    let stopped = in_time(first.stop(run)).await.unwrap();
    in_time(first.end()).await;
    drop(places);
    let second = bench(folder.path(), &lamp);
    let kept = second.daemon.log.run(run).await.unwrap().unwrap().run;
    assert_eq!((kept.state, kept.statistics), (RunState::Stopped, None));
    let shown = second.show(run).await;
    assert_eq!(shown.statistics.map(|figures| figures.count), Some(stopped.readings));
}

#[tokio::test]
async fn figures_of_a_run_that_can_not_be_read_are_made_anew_and_what_is_no_run_keeps_no_other_from_being_listed()
 {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench(folder.path(), &Lamp::of(|t_s| 100.0 - t_s / 3600.0));
    let mut kept = Vec::new();
    for _ in 0..3 {
        let run = bench.start(json!({"duration_s": 600.0, "interval_s": 60})).await.run;
        bench.over(run).await;
        kept.push(summed_up(&bench, run).await);
    }
    let other = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    let change =
        "UPDATE runs SET document = json_set(document, '$.statistics.value.mean', NULL) WHERE run = 1;
        UPDATE runs SET document = json_set(document, '$.drift', json('{\"per_h\": null}')) WHERE run = 2;";
    other.execute_batch(change).unwrap();
    assert_eq!(bench.list().await.len(), 3);
    assert_eq!(bench.show(1).await, kept[0]);
    assert_eq!(bench.show(2).await, Run { drift: None, ..kept[1].clone() });
    other.execute_batch("UPDATE runs SET document = '{\"run\": 2}' WHERE run = 2").unwrap();
    let listed: Vec<u64> = bench.list().await.iter().map(|run| run.run).collect();
    assert_eq!(listed, [3, 1]);
    let unread = super::super::show(&bench.daemon, ShowRun { run: 2 }).await.unwrap_err();
    assert_eq!(unread.kind(), ErrorKind::LogUnavailable);
}

#[tokio::test]
async fn a_warm_up_ends_once_the_light_has_settled_or_at_its_limit() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|t_s| 100.0 - 5.0 * (-t_s / 60.0).exp()), 50.0);
    let run = bench.start(json!({"kind": "warm_up"})).await.run;
    let done = bench.over(run).await;
    assert_eq!((done.state, done.verdict), (RunState::Done, Some(RunVerdict::Settled)), "{done:?}");
    let settled = done.settled.unwrap();
    assert!(settled.waited_s > 60.0 && done.readings >= settled.readings.unwrap().count, "{settled:?}");
    let limit = json!({"kind": "warm_up", "duration_s": 30.0, "criteria": {"hold_s": 600.0}});
    let limited = bench.over(bench.start(limit).await.run).await;
    assert_eq!(
        (limited.state, limited.verdict),
        (RunState::Done, Some(RunVerdict::NotSettled)),
        "{limited:?}"
    );
    assert!(limited.elapsed_s <= 30.0, "{limited:?}");
}

#[tokio::test]
async fn two_runs_of_one_meter_share_their_exposures() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::exposed(0.1, |_| 100.0), 1.0);
    let held = json!({"kind": "stability", "duration_s": 4.0});
    let runs = [bench.start(held.clone()).await.run, bench.start(held).await.run];
    let [one, other] = [bench.over(runs[0]).await, bench.over(runs[1]).await];
    assert_eq!([one.verdict, other.verdict], [Some(RunVerdict::Within); 2]);
    let exposures = bench.daemon.status().meters[0].exposures;
    let both = one.readings + other.readings;
    assert!(exposures as f64 <= 0.75 * both as f64, "{exposures} exposures for {both} readings");
}

#[tokio::test]
async fn what_makes_no_run_is_refused_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let bench = bench_at(folder.path(), &Lamp::of(|_| 100.0), 1.0);
    for (members, expected) in [
        (json!({"meter": "other"}), ErrorKind::NoSuchMeter),
        (json!({"interval_s": -1}), ErrorKind::InvalidParams),
        (json!({"stimulus": {"colour": [0, 0, 0]}}), ErrorKind::Unsupported),
    ] {
        assert_eq!(bench.refused(members.clone()).await.kind(), expected, "{members}");
    }
    let later = plan::after(bench.daemon.clock.now().at, 3600.0);
    for _ in 0..book::MOST_A_METER {
        bench.start(json!({"start": later})).await;
    }
    assert_eq!(bench.refused(json!({"start": later})).await.kind(), ErrorKind::Overloaded);
    bench.stop(3).await.unwrap();
    assert_eq!(bench.start(json!({"start": later})).await.run, 17);
    let none = super::super::show(&bench.daemon, ShowRun { run: 99 }).await.unwrap_err();
    assert_eq!(none.kind(), ErrorKind::NoSuchRun);
    assert_eq!(bench.stop(99).await.unwrap_err().kind(), ErrorKind::NoSuchRun);
    let which = ListRuns { before: Some(10), limit: Some(3), ..ListRuns::default() };
    let page = super::super::list(&bench.daemon, which).await.unwrap();
    let numbers: Vec<u64> = page.runs.iter().map(|run| run.run).collect();
    assert_eq!((numbers, page.next), (vec![9, 8, 7], Some(7)));
    let which = ListRuns { state: Some(RunState::Stopped), ..ListRuns::default() };
    let page = super::super::list(&bench.daemon, which).await.unwrap();
    assert_eq!((page.runs.len(), page.runs[0].run, page.next), (1, 3, None));
}

#[tokio::test]
async fn without_a_log_there_are_no_runs() {
    let bench = with(Log::off(), Written::nothing(), &Lamp::of(|_| 100.0), 1.0);
    assert_eq!(bench.refused(json!({})).await.kind(), ErrorKind::LogUnavailable);
    let list = super::super::list(&bench.daemon, ListRuns::default()).await;
    assert_eq!(list.unwrap_err().kind(), ErrorKind::LogUnavailable);
}

#[tokio::test]
async fn what_a_run_has_seen_is_the_same_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let lamp = Lamp::of(|t_s| 100.0 - t_s / 3600.0);
    let first = bench_at(folder.path(), &lamp, 200.0);
    let run = first.start(json!({"interval_s": 120, "burst": 2})).await.run;
    let before = first.until(run, |run| run.points >= 8).await;
    first.end().await;
    let second = bench_at(folder.path(), &lamp, 1.0);
    in_time(async {
        while !second.kinds(run).await.contains(&EventKind::RunResumed) {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    })
    .await;
    let after = second.show(run).await;
    assert_eq!(after.state, RunState::Running);
    assert_eq!((after.reference, after.first, &after.flags), (before.reference, before.first, &before.flags));
    let counted = second.daemon.log.count_run(run).await.unwrap();
    assert!(after.readings >= before.readings && counted.readings >= after.readings, "{after:?} {counted:?}");
    assert_eq!(second.kinds(run).await, [EventKind::RunStarted, EventKind::RunResumed]);
    let stopped = second.stop(run).await.unwrap();
    assert_eq!(stopped.state, RunState::Stopped);
    assert_eq!(stopped.run, second.start(json!({})).await.run - 1);
}

#[tokio::test]
async fn a_run_whose_meter_is_not_in_the_config_any_more_fails_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let first = bench(folder.path(), &Lamp::of(|_| 100.0));
    let run = first.start(json!({})).await.run;
    first.end().await;
    let (log, written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let (stopper, stop) = stop::pair();
    let (daemon, _supervisor) =
        Daemon::new(Vec::new(), Arc::new(Clock::system()), log, Terms::default(), stop.clone());
    let mut tasks = JoinSet::new();
    let of = Arc::clone(&daemon);
    tasks.spawn(async move { super::super::run(&of, None, stop).await });
    let second = Bench { daemon, tasks, stopper, written, command: watch::Sender::new(None) };
    let failed = second.over(run).await;
    assert_eq!(
        (failed.state, failed.message.as_str()),
        (RunState::Failed, "The config has no meter \"m\" any more.")
    );
}

#[tokio::test]
async fn the_program_that_is_told_of_alerts_hears_what_it_is_about_and_may_be_named_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let told = folder.path().join("told");
    let arguments = vec!["-c".to_owned(), "cat >> \"$0\"".to_owned(), told.display().to_string()];
    let command = Command { program: "/bin/sh".into(), arguments };
    let lamp = Lamp::of(|_| 100.0);
    let bench = bench(folder.path(), &lamp);
    let run = bench.start(json!({"burst": 3, "alert": {"luminance": 0.02}, "label": "$(touch x)"})).await.run;
    bench.until(run, |run| run.points >= 1).await;
    lamp.shines(|_| 110.0);
    bench.until(run, |run| run.alerts == 1).await;
    lamp.shines(|_| 100.0);
    bench.until(run, |run| run.standing.is_empty()).await;
    // Of the first nobody was told.
    bench.command.send_replace(Some(command));
    lamp.shines(|_| 110.0);
    bench.until(run, |run| run.alerts == 2).await;
    let line = in_time(async {
        loop {
            match std::fs::read_to_string(&told) {
                Ok(text) if text.ends_with('\n') => return text,
                _ => tokio::time::sleep(Duration::from_millis(2)).await,
            }
        }
    })
    .await;
    let told: Value = serde_json::from_str(&line).unwrap();
    assert_eq!((&told["alert"]["kind"], &told["run"]["run"]), (&json!("luminance"), &json!(run)));
    assert_eq!(told["run"]["alerts"], 2, "{told}");
    assert_eq!(told["run"]["plan"]["label"], "$(touch x)");
}
