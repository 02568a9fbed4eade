//! Zeroing, against a driver that does what the test says.

use settled_drivers::meter::Overdue;

use super::*;

const NEVER: ZeroNeed = ZeroNeed { at_start: false, every_s: None, within_k: None, overdue: Overdue::Flag };
const AT_START: ZeroNeed = ZeroNeed { at_start: true, ..NEVER };

impl Bench {
    fn zero(&self) -> impl Future<Output = ZeroOutcome> + use<> {
        let handle = self.daemon.meter("m0").unwrap().clone();
        async move { handle.zero(&By::itself()).await }
    }

    fn needed(&self) -> bool {
        self.daemon.list()[0].zero.as_ref().unwrap().needed
    }

    async fn is_ready(&self) {
        until(|| self.daemon.list()[0].state == State::Ready).await;
    }

    async fn waiting(&self, count: usize) {
        until(|| self.daemon.status().meters[0].waiting == count).await;
    }
}

#[tokio::test]
async fn zeroing_is_a_turn_of_its_own_and_is_never_shared() {
    let puppet = Puppet::zeroed(AT_START);
    let bench = bench(&[&puppet]);
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..2 {
        tasks.spawn(bench.zero());
    }
    let mut reads = tokio::task::JoinSet::new();
    puppet.began.notified().await;
    assert_eq!(bench.daemon.list()[0].state, State::Zeroing);
    // The first has begun; a reading that is asked for meanwhile waits behind the second.
    bench.waiting(1).await;
    reads.spawn(bench.read("m0"));
    bench.waiting(2).await;
    assert_eq!(bench.daemon.status().meters[0].exposures, 0);
    puppet.permits.add_permits(2);
    let mut ends = Vec::new();
    while let Some(outcome) = tasks.join_next().await {
        ends.push(outcome.unwrap().unwrap().t_s);
    }
    puppet.permits.add_permits(1);
    let reading = reads.join_next().await.unwrap().unwrap().unwrap();
    assert!(ends.iter().all(|end| reading.reading.began_s >= *end), "{ends:?} {reading:?}");
    assert_ne!(ends[0], ends[1]);
    assert_eq!(reading.reading.flags, []);
    let expected =
        [EventKind::MeterReady, EventKind::ZeroDue, EventKind::MeterZeroed, EventKind::MeterZeroed];
    assert_eq!(bench.events().await, expected);
}

#[tokio::test]
async fn zeroing_is_taken_back_only_before_it_begins() {
    let puppet = Puppet::zeroed(AT_START);
    let bench = bench(&[&puppet]);
    let mut tasks = tokio::task::JoinSet::new();
    let begun = tasks.spawn(bench.zero());
    puppet.began.notified().await;
    let waiting = tasks.spawn(bench.zero());
    bench.waiting(1).await;
    begun.abort();
    waiting.abort();
    while tasks.join_next().await.is_some() {}
    assert!(bench.needed());
    puppet.permits.add_permits(2);
    // The one that had begun counts, the other never was.
    let logged = bench.read("m0").await.unwrap();
    assert_eq!(logged.reading.flags, []);
    assert!(!bench.needed());
    let zeroed = bench.events().await.iter().filter(|kind| **kind == EventKind::MeterZeroed).count();
    assert_eq!(zeroed, 1);
}

#[tokio::test]
async fn each_fault_of_zeroing_is_told_and_the_meter_goes_on() {
    let puppet = Puppet::zeroed(AT_START);
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(1);
    bench.zero().await.unwrap();
    let cases = [
        // What the meter itself refuses leaves it as it was.
        (FaultKind::Refused, ErrorKind::MeterRefused, false),
        (FaultKind::Unsupported, ErrorKind::Unsupported, false),
        // Here nobody knows what it did.
        (FaultKind::Silent, ErrorKind::MeterSilent, true),
        (FaultKind::Garbled, ErrorKind::MeterGarbled, true),
        (FaultKind::Gone, ErrorKind::MeterAbsent, true),
    ];
    for (fault, expected, needed) in cases {
        puppet.zeros.lock().unwrap().push_back(Act::Fail(fault));
        puppet.permits.add_permits(1);
        assert_eq!(kind(bench.zero().await), expected);
        puppet.permits.add_permits(1);
        let flags = bench.read("m0").await.unwrap().reading.flags.clone();
        assert_eq!(flags.contains(&Flag::ZeroOverdue), needed, "{fault:?}");
        puppet.permits.add_permits(1);
        bench.zero().await.unwrap();
        assert!(!bench.needed(), "{fault:?}");
    }
    let failed = bench.events().await.iter().filter(|kind| **kind == EventKind::ZeroFailed).count();
    // The one that was lost counts once more.
    assert_eq!((failed, bench.daemon.list()[0].faults), (4, 5));
}

#[tokio::test]
async fn a_meter_that_cannot_be_zeroed_says_so_and_is_left_alone() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    // The driver would wait for a permit.
    assert_eq!(kind(bench.zero().await), ErrorKind::Unsupported);
    assert_eq!((bench.daemon.list()[0].zero.as_ref(), bench.daemon.list()[0].faults), (None, 0));
    puppet.permits.add_permits(1);
    bench.read("m0").await.unwrap();
    assert_eq!(bench.events().await, [EventKind::MeterReady]);
}

#[tokio::test]
async fn readings_are_flagged_once_the_meters_temperature_has_moved() {
    let puppet = Puppet::zeroed(ZeroNeed { within_k: Some(2.0), ..NEVER });
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(100);
    let read = async |celsius: f64| {
        *puppet.celsius.lock().unwrap() = Some(celsius);
        bench.read("m0").await.unwrap().reading.flags.contains(&Flag::ZeroOverdue)
    };
    assert!(read(25.0).await, "it is not known when it was zeroed");
    let zeroed = bench.zero().await.unwrap();
    assert_eq!((zeroed.temperature_c, zeroed.due_within_k, zeroed.due), (Some(25.0), Some(2.0), None));
    let mut changes = bench.daemon.observe();
    assert!(!read(25.0).await && !read(26.9).await);
    assert!(read(27.1).await);
    assert!(changes.recv().await.unwrap().zero.as_ref().unwrap().needed);
    assert!(read(25.0).await, "it must be zeroed all the same");
    bench.zero().await.unwrap();
    assert!(!read(25.0).await);
}

#[tokio::test]
async fn a_meter_becomes_due_by_itself_and_says_so_at_once() {
    let puppet = Puppet::zeroed(ZeroNeed { every_s: Some(1.0), ..NEVER });
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(1);
    let zeroed = bench.zero().await.unwrap();
    let mut changes = bench.daemon.observe();
    let changed = loop {
        let meter = changes.recv().await.unwrap();
        if meter.zero.as_ref().unwrap().needed {
            break meter;
        }
    };
    assert_eq!(
        (changed.zero.as_ref().unwrap().at, changed.zero.as_ref().unwrap().due),
        (Some(zeroed.at), zeroed.due)
    );
    let late_s = bench.daemon.clock.now_s() - zeroed.t_s - 1.0;
    assert!((0.0..5.0).contains(&late_s), "{late_s} s late");
    while bench.events().await.iter().filter(|kind| **kind == EventKind::ZeroDue).count() < 2 {
        tokio::task::yield_now().await;
    }
}

#[tokio::test]
async fn a_meter_that_refuses_while_it_is_due_tells_everyone_and_demands_resume_once_it_is_zeroed() {
    let puppet = Puppet::zeroed(ZeroNeed { within_k: Some(2.0), overdue: Overdue::Refuse, ..NEVER });
    let bench = bench(&[&puppet]);
    bench.is_ready().await;
    let meter = bench.daemon.meter("m0").unwrap();
    puppet.permits.add_permits(1000);
    assert_eq!(kind(bench.read("m0").await), ErrorKind::ZeroNeeded);
    let criteria = Criteria { hold_s: 0.5, max_wait_s: 20.0, ..Criteria::default() };
    let refused = settle(&bench.daemon, &By::itself(), "m0", criteria, Exposure::default(), |_| {}).await;
    assert_eq!(kind(refused), ErrorKind::ZeroNeeded);
    // Somebody who wants readings to go on waits, and causes none.
    let mut follow = meter.follow();
    let _demanded = meter.demand(&By::itself(), every(0.0)).await.unwrap();
    assert_eq!(kind(meter.read_dark(&By::itself(), Exposure::default()).await), ErrorKind::ZeroNeeded);
    assert_eq!(bench.daemon.status().meters[0].exposures, 0);
    *puppet.celsius.lock().unwrap() = Some(25.0);
    let error = meter.zero_needed(bench.daemon.clock.now_s()).unwrap();
    assert!(error.message.contains("settle zero m0"), "{error}");
    bench.zero().await.unwrap();
    assert!(matches!(follow.recv().await, Ok(Published::Anew { why: Anew::Zeroed, .. })));
    assert!(matches!(follow.recv().await, Ok(Published::Reading { .. })));
    // The reading that shows how warm the meter has become is not given, and the settling that waits is told.
    let long = Criteria { max_wait_s: 600.0, min_wait_s: 500.0, hold_s: 60.0, ..criteria };
    let mut settling = tokio::task::JoinSet::new();
    let daemon = Arc::clone(&bench.daemon);
    settling
        .spawn(async move { settle(&daemon, &By::itself(), "m0", long, Exposure::default(), |_| {}).await });
    assert!(bench.read("m0").await.is_ok());
    *puppet.celsius.lock().unwrap() = Some(28.0);
    puppet.permits.add_permits(1000);
    assert_eq!(kind(settling.join_next().await.unwrap().unwrap()), ErrorKind::ZeroNeeded);
    assert_eq!(kind(bench.read("m0").await), ErrorKind::ZeroNeeded);
    let page =
        bench.daemon.log.readings(Selection { limit: Some(1000), ..Selection::default() }).await.unwrap();
    assert!(page.readings.iter().all(|reading| reading.temperature_c == Some(25.0)));
}

/// A settled answer about light that is `before` until the meter is zeroed, and `after` from then on.
async fn settled_across(before: f64, after: f64) -> settled_protocol::settling::Settled {
    let puppet = Puppet::zeroed(AT_START);
    let bench = bench(&[&puppet]);
    // Long enough that it isn't over before the meter is zeroed, however busy the machine is.
    let criteria = Criteria { hold_s: 0.5, min_wait_s: 5.0, max_wait_s: 40.0, ..Criteria::default() };
    let daemon = Arc::clone(&bench.daemon);
    let mut settling = tokio::task::JoinSet::new();
    settling.spawn(async move {
        settle(&daemon, &By::itself(), "m0", criteria, Exposure::default(), |_| {}).await
    });
    // Half the hold is there, and more, as the meter is zeroed.
    for _ in 0..40 {
        puppet.act(Act::Give(before));
    }
    let mut follow = bench.daemon.meter("m0").unwrap().follow();
    for _ in 0..40 {
        puppet.permits.add_permits(1);
        follow.recv().await.unwrap();
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let mut zeroing = tokio::task::JoinSet::new();
    zeroing.spawn(bench.zero());
    bench.waiting(1).await;
    // One exposure has begun already.
    for _ in 0..2 {
        puppet.act(Act::Give(before));
    }
    puppet.permits.add_permits(2);
    zeroing.join_next().await.unwrap().unwrap().unwrap();
    puppet.acts.lock().unwrap().clear();
    for _ in 0..100_000 {
        puppet.act(Act::Give(after));
    }
    puppet.permits.add_permits(100_000);
    settling.join_next().await.unwrap().unwrap().unwrap()
}

#[tokio::test]
async fn an_offset_that_goes_while_somebody_settles_is_neither_a_drift_nor_a_step() {
    // A fifth of a band, which would be a drift, and many, which would be a step.
    for after in [99.9, 80.0] {
        let settled = settled_across(100.0, after).await;
        assert_eq!((settled.verdict, settled.evidence.steps), (Verdict::Settled, 0), "{settled:?}");
        let value = settled.value.unwrap();
        assert!((value.y - after).abs() < 1e-9, "readings from before count: {settled:?}");
        assert!(!settled.flags.contains(&Flag::ZeroOverdue), "{settled:?}");
        assert!(settled.message.contains("The meter was zeroed meanwhile"), "{settled:?}");
        let drift = settled.evidence.luminance_drift.unwrap();
        assert!(drift.bands_per_hold.abs() < 1e-6, "{drift:?}");
    }
}

#[tokio::test]
async fn what_was_seen_before_zeroing_is_not_given_afterwards() {
    let puppet = Puppet::zeroed(AT_START);
    let bench = bench(&[&puppet]);
    let meter = bench.daemon.meter("m0").unwrap();
    puppet.permits.add_permits(4);
    meter.read_dark(&By::itself(), Exposure::default()).await.unwrap();
    bench.read("m0").await.unwrap();
    assert!(meter.recent(Exposure::default(), 0.0).is_some());
    assert!(format!("{:?}", meter.darks()).contains('('));
    bench.zero().await.unwrap();
    assert!(meter.recent(Exposure::default(), 0.0).is_none());
    assert_eq!(format!("{:?}", meter.darks()), format!("{:?}", Darks::default()));
}

#[tokio::test]
async fn a_zero_outlives_the_daemon_where_the_meter_needs_none_at_start() {
    for (need, counts) in [
        (ZeroNeed { every_s: Some(3600.0), within_k: Some(2.0), ..NEVER }, true),
        (ZeroNeed { every_s: Some(3600.0), ..AT_START }, false),
    ] {
        let puppet = Puppet::zeroed(need);
        *puppet.celsius.lock().unwrap() = Some(30.0);
        let first = bench(&[&puppet]);
        puppet.permits.add_permits(100);
        let zeroed = first.zero().await.unwrap();
        assert!(first.read("m0").await.unwrap().reading.flags.is_empty());
        let Bench { daemon, _running: mut running, _stopper: stopper, _written: written, _folder: folder } =
            first;
        drop(stopper);
        while running.join_next().await.is_some() {}
        // The log is another daemon's once nobody holds it.
        drop(daemon);
        written.wait();
        let second = bench_in(folder, &[&puppet]);
        second.is_ready().await;
        let zero = second.daemon.list()[0].zero.clone().unwrap();
        assert_eq!((zero.needed, zero.at), (!counts, counts.then_some(zeroed.at)), "{need:?}");
        // The temperature at the zero is known, too.
        *puppet.celsius.lock().unwrap() = Some(33.0);
        let flags = second.read("m0").await.unwrap().reading.flags.clone();
        assert_eq!(flags, [Flag::ZeroOverdue], "{need:?}");
    }
}

#[tokio::test]
async fn a_zero_that_was_cut_off_by_the_daemons_end_does_not_count_as_the_one_before() {
    let puppet = Puppet::zeroed(ZeroNeed { every_s: Some(3600.0), ..NEVER });
    let first = bench(&[&puppet]);
    puppet.permits.add_permits(1);
    first.zero().await.unwrap();
    puppet.began.notified().await;
    let mut zeroing = tokio::task::JoinSet::new();
    zeroing.spawn(first.zero());
    puppet.began.notified().await;
    let Bench { daemon, _running: mut running, _stopper: stopper, _written: written, _folder: folder } =
        first;
    // As a kill does.
    running.shutdown().await;
    zeroing.shutdown().await;
    drop((stopper, daemon));
    written.wait();
    let second = bench_in(folder, &[&puppet]);
    second.is_ready().await;
    assert!(second.needed(), "nobody knows what its offset is now");
}

#[tokio::test]
async fn a_panic_while_zeroing_leaves_no_offset_that_counts() {
    let puppet = Puppet::zeroed(ZeroNeed { every_s: Some(3600.0), ..NEVER });
    let bench = bench(&[&puppet]);
    let meter = bench.daemon.meter("m0").unwrap();
    puppet.permits.add_permits(4);
    bench.zero().await.unwrap();
    meter.read_dark(&By::itself(), Exposure::default()).await.unwrap();
    bench.read("m0").await.unwrap();
    let mut follow = meter.follow();
    puppet.zeros.lock().unwrap().push_back(Act::Panic);
    assert_eq!(kind(bench.zero().await), ErrorKind::Internal);
    assert!(matches!(follow.recv().await, Ok(Published::Anew { why: Anew::Zeroed, .. })));
    assert!(matches!(follow.recv().await, Ok(Published::Failed { exposure: None, .. })));
    assert!(meter.recent(Exposure::default(), 0.0).is_none());
    assert_eq!(format!("{:?}", meter.darks()), format!("{:?}", Darks::default()));
    bench.is_ready().await;
    assert!(bench.needed());
}

#[tokio::test]
async fn a_zero_outlives_an_absence_where_the_meter_needs_none_at_start() {
    for (at_start, every_s, needed) in [(false, Some(3600.0), false), (true, None, true)] {
        let puppet = Puppet::zeroed(ZeroNeed { at_start, every_s, ..NEVER });
        let bench = bench(&[&puppet]);
        puppet.act(Act::Fail(FaultKind::Gone));
        puppet.permits.add_permits(3);
        bench.zero().await.unwrap();
        assert_eq!(kind(bench.read("m0").await), ErrorKind::MeterAbsent);
        let flags = bench.read("m0").await.unwrap().reading.flags.clone();
        assert_eq!(flags.contains(&Flag::ZeroOverdue), needed);
    }
}
