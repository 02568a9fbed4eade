//! Leases where things happen at the wrong moment.

use std::future::poll_fn;
use std::task::Poll;

use super::*;
use crate::meter_task::{Taken, Terms};

fn terms(ttl_s: f64, wait_s: f64) -> Terms {
    Terms { ttl_s, wait_s, purpose: None }
}

impl Bench {
    pub(super) async fn lease(&self, ttl_s: f64) -> (Taken, By) {
        let taken = self.meter().lease(&By::itself(), terms(ttl_s, 20.0)).await.unwrap();
        let token = taken.lease().lease;
        (taken, By::itself().under(&token))
    }

    pub(super) fn meter(&self) -> MeterHandle {
        self.daemon.meter("m0").unwrap().clone()
    }

    fn is_leased(&self) -> bool {
        self.daemon.list()[0].lease.is_some()
    }

    /// A reading by somebody who waits until `until_s` while somebody else has the meter.
    pub(super) async fn read_by(&self, by: &By) -> Outcome {
        self.meter().read(by, Exposure::default()).await
    }

    fn soon_s(&self) -> f64 {
        settled_drivers::clock::Clock::now_s(&*self.daemon.clock) + 0.2
    }

    async fn wait_for_waiting(&self, count: usize) {
        until(|| self.daemon.status().meters[0].waiting == count).await;
    }
}

/// Lets a future begin, and no more.
pub(super) async fn begin<T>(future: std::pin::Pin<&mut impl Future<Output = T>>) {
    let mut future = future;
    poll_fn(|context| {
        assert!(future.as_mut().poll(context).is_pending(), "it should have to wait");
        Poll::Ready(())
    })
    .await;
}

#[tokio::test]
async fn a_reading_whose_lease_ends_while_it_is_exposed_is_given_to_all_but_who_asked_for_it() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let mut follow = bench.meter().follow();
    let (taken, by) = bench.lease(600.0).await;
    let mut reads = Box::pin(bench.read_by(&by));
    begin(reads.as_mut()).await;
    puppet.began.notified().await;
    // It expires in mid-exposure, and that is told at once.
    assert!(bench.meter().renew(&taken.lease().lease, Some(0.1)).is_some());
    assert_eq!(kind(reads.await), ErrorKind::LeaseLost);
    assert!(!bench.is_leased());
    puppet.permits.add_permits(1);
    loop {
        match follow.recv().await.unwrap() {
            Published::Reading { logged, lease, .. } => {
                assert_eq!((logged.reading.sequence, lease), (1, by.lease.clone()));
                break;
            }
            other => assert!(matches!(other, Published::Leased), "{other:?}"),
        }
    }
    puppet.permits.add_permits(1);
    assert_eq!(bench.read("m0").await.unwrap().reading.sequence, 2);
    assert_eq!(bench.events().await, [EventKind::MeterReady, EventKind::LeaseLost]);
}

#[tokio::test]
async fn a_grant_that_nobody_waits_for_any_more_leaves_no_lease_behind() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let meter = bench.meter();
    let by = By::itself();
    let mut asks = Box::pin(meter.lease(&by, terms(60.0, 60.0)));
    begin(asks.as_mut()).await;
    // The grant is on its way when the request is taken back.
    until(|| bench.is_leased()).await;
    drop(asks);
    assert!(!bench.is_leased());
    puppet.permits.add_permits(1);
    assert!(bench.read("m0").await.is_ok());
    // One that is taken back while it waits is passed over.
    let (taken, _) = bench.lease(60.0).await;
    let mut asks = Box::pin(meter.lease(&by, terms(60.0, 60.0)));
    begin(asks.as_mut()).await;
    let other = By::itself();
    let mut behind = Box::pin(meter.lease(&other, terms(60.0, 60.0)));
    begin(behind.as_mut()).await;
    drop((asks, taken));
    assert!(behind.await.unwrap().is_in_force());
}

#[tokio::test]
async fn a_lease_is_kept_while_the_meter_is_away_and_when_its_task_panics() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let (taken, by) = bench.lease(600.0).await;
    puppet.act(Act::Panic);
    puppet.act(Act::Give(1.0));
    puppet.act(Act::Fail(FaultKind::Gone));
    puppet.permits.add_permits(10);
    assert_eq!(kind(bench.read_by(&by).await), ErrorKind::Internal);
    // The next task serves its holder and nobody else.
    let waits = By::itself().until(f64::INFINITY);
    let waits = bench.read_by(&waits);
    tokio::pin!(waits);
    begin(waits.as_mut()).await;
    assert!(bench.is_leased());
    assert!(bench.read_by(&by).await.is_ok());
    assert_eq!(kind(bench.read("m0").await), ErrorKind::Leased);
    // As the meter goes away, whoever waits for a reading is told so.
    assert_eq!(kind(bench.read_by(&by).await), ErrorKind::MeterAbsent);
    assert!(bench.read_by(&by).await.is_ok() && bench.is_leased());
    assert_eq!(kind(bench.read("m0").await), ErrorKind::Leased);
    drop(taken);
    assert!(waits.await.is_ok());
    assert!(bench.read("m0").await.is_ok());
}

#[tokio::test]
async fn a_lease_that_is_renewed_for_less_is_lost_that_much_sooner() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(1);
    let (taken, _) = bench.lease(600.0).await;
    let waits = By::itself().until(f64::INFINITY);
    let mut waits = Box::pin(bench.read_by(&waits));
    begin(waits.as_mut()).await;
    bench.wait_for_waiting(1).await;
    assert!(bench.meter().renew(&taken.lease().lease, Some(0.2)).is_some());
    assert!(tokio::time::timeout(Duration::from_secs(5), waits).await.unwrap().is_ok());
}

#[tokio::test]
async fn who_waits_for_a_lease_when_the_meters_task_panics_waits_for_nothing_that_came_later() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let (meter, by, other) = (bench.meter(), By::itself(), By::itself());
    puppet.act(Act::Panic);
    let early = By::itself();
    let mut reads = Box::pin(meter.read(&early, Exposure::default()));
    begin(reads.as_mut()).await;
    puppet.began.notified().await;
    let mut asks = Box::pin(meter.lease(&by, terms(60.0, 60.0)));
    begin(asks.as_mut()).await;
    puppet.permits.add_permits(1);
    assert_eq!(kind(reads.await), ErrorKind::Internal);
    // The next task takes this in first: its place in the queue is the first there ever was.
    let mut later = Box::pin(meter.read(&other, Exposure::default()));
    begin(later.as_mut()).await;
    assert!(asks.await.unwrap().is_in_force());
    drop(later);
}

#[tokio::test]
async fn a_meter_that_is_not_there_can_be_leased_all_the_same() {
    let puppet = Puppet::new();
    puppet.openings.lock().unwrap().extend([FaultKind::Busy; 3]);
    let bench = bench(&[&puppet]);
    let (taken, by) = bench.lease(600.0).await;
    assert_eq!(kind(bench.read("m0").await), ErrorKind::Leased);
    drop(taken);
    assert_eq!(kind(bench.read_by(&by).await), ErrorKind::LeaseLost);
}

#[tokio::test]
async fn whoever_waits_no_longer_is_told_so_in_the_middle_of_an_exposure() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let (taken, by) = bench.lease(600.0).await;
    let holder = bench.read_by(&by);
    tokio::pin!(holder);
    begin(holder.as_mut()).await;
    puppet.began.notified().await;
    let soon_s = bench.soon_s();
    let (meter, patient) = (bench.meter(), By::itself().until(soon_s));
    let other = By::itself();
    let (read, zeroed, leased) = tokio::join!(
        meter.read(&patient, Exposure::default()),
        meter.zero(&patient),
        meter.lease(&other, terms(60.0, 0.2))
    );
    assert_eq!([kind(read), kind(zeroed), kind(leased)], [ErrorKind::Leased; 3]);
    assert!(bench.soon_s() >= soon_s + 0.2);
    // Nobody has it, but an exposure is under way.
    drop(taken);
    let refused = meter.lease(&other, terms(60.0, 0.2)).await.unwrap_err();
    assert!(refused.message.contains("what is under way isn't over"), "{refused}");
    assert_eq!(kind(holder.await), ErrorKind::LeaseLost);
}

#[tokio::test]
async fn now_or_never_waits_for_an_exposure_and_for_nobody_in_the_queue() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let (meter, by, early, late) = (bench.meter(), By::itself(), By::itself(), By::itself());
    let early = bench.read_by(&early);
    tokio::pin!(early);
    begin(early.as_mut()).await;
    puppet.began.notified().await;
    let never = async {
        let late = bench.read_by(&late);
        tokio::pin!(late);
        begin(late.as_mut()).await;
        bench.wait_for_waiting(1).await;
        meter.lease(&by, terms(60.0, 0.0)).await
    };
    let refused = never.await.unwrap_err();
    assert_eq!(refused.kind(), ErrorKind::Leased);
    assert!(refused.message.contains("a reading of another program came first"), "{refused}");
    let now = meter.lease(&by, terms(60.0, 0.0));
    tokio::pin!(now);
    begin(now.as_mut()).await;
    puppet.permits.add_permits(1);
    assert!(early.await.is_ok());
    assert!(now.await.unwrap().is_in_force());
}

#[tokio::test]
async fn a_zero_that_has_begun_goes_on_to_its_end_though_its_lease_be_over() {
    let puppet = Puppet::zeroed(ZeroNeed {
        at_start: false,
        every_s: None,
        within_k: None,
        overdue: settled_drivers::meter::Overdue::Flag,
    });
    let bench = bench(&[&puppet]);
    let (taken, by) = bench.lease(600.0).await;
    let meter = bench.meter();
    let zeroing = meter.zero(&by);
    tokio::pin!(zeroing);
    begin(zeroing.as_mut()).await;
    puppet.began.notified().await;
    let waits = meter.zero(&by);
    tokio::pin!(waits);
    begin(waits.as_mut()).await;
    bench.wait_for_waiting(1).await;
    drop(taken);
    assert_eq!([kind(zeroing.await), kind(waits.await)], [ErrorKind::LeaseLost; 2]);
    puppet.permits.add_permits(2);
    assert!(bench.read("m0").await.is_ok());
    let zeroed = bench.events().await.iter().filter(|kind| **kind == EventKind::MeterZeroed).count();
    assert_eq!(zeroed, 1);
}

#[tokio::test]
async fn what_a_holder_sees_is_no_evidence_for_who_settles_beside_it() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let (meter, by, early) = (bench.meter(), By::itself(), By::itself());
    let early = bench.read_by(&early);
    tokio::pin!(early);
    begin(early.as_mut()).await;
    puppet.began.notified().await;
    let asks = meter.lease(&by, terms(60.0, 60.0));
    tokio::pin!(asks);
    begin(asks.as_mut()).await;
    // It begins after the lease was asked for, and before that begins.
    let reports = Plain::new(Vec::new());
    let criteria = Criteria { hold_s: 0.5, max_wait_s: 20.0, ..Criteria::default() };
    let other = By::itself();
    let settles = settle(&bench.daemon, &other, "m0", criteria, Exposure::default(), |report| {
        reports.lock().unwrap().push(report.waiting.map(|error| error.kind()));
    });
    tokio::pin!(settles);
    begin(settles.as_mut()).await;
    let holds = async {
        puppet.permits.add_permits(1);
        early.await.unwrap();
        let taken = asks.await.unwrap();
        let holder = By::itself().under(&taken.lease().lease);
        puppet.permits.add_permits(20);
        let mut last = 0;
        for _ in 0..20 {
            puppet.act(Act::Give(300.0));
            last = bench.read_by(&holder).await.unwrap().reading.sequence;
        }
        drop(taken);
        puppet.permits.add_permits(100_000);
        last
    };
    let (settled, last) = tokio::join!(settles, holds);
    let settled = settled.unwrap();
    assert_eq!(settled.verdict, Verdict::Settled);
    assert_eq!(last, 21, "who settles caused readings under the lease");
    assert!(settled.readings.unwrap().first > last, "{settled:?}");
    assert!((settled.value.unwrap().y - 100.0).abs() < 0.1);
}

#[tokio::test]
async fn who_would_settle_waits_for_a_lease_to_end_as_long_as_it_says() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(100_000);
    let (taken, by) = bench.lease(600.0).await;
    let criteria = Criteria { hold_s: 0.3, max_wait_s: 20.0, ..Criteria::default() };
    let settles = |by: By| {
        let daemon = Arc::clone(&bench.daemon);
        async move { settle(&daemon, &by, "m0", criteria, Exposure::default(), |_| {}).await }
    };
    assert_eq!(kind(settles(By::itself()).await), ErrorKind::Leased);
    assert_eq!(kind(settles(By::itself().until(bench.soon_s())).await), ErrorKind::Leased);
    assert_eq!(bench.daemon.status().meters[0].exposures, 0);
    // The holder's settling is nobody else's business, and over with its lease.
    assert_eq!(settles(by.clone()).await.unwrap().verdict, Verdict::Settled);
    let waits = settles(By::itself().until(f64::INFINITY));
    tokio::pin!(waits);
    begin(waits.as_mut()).await;
    let long = Criteria { hold_s: 600.0, ..criteria };
    let lost = settle(&bench.daemon, &by, "m0", long, Exposure::default(), |_| {});
    tokio::pin!(lost);
    begin(lost.as_mut()).await;
    drop(taken);
    assert_eq!(kind(lost.await), ErrorKind::LeaseLost);
    assert_eq!(waits.await.unwrap().verdict, Verdict::Settled);
}

/// A client that does this and that: the readings it got, by sequence, and the lease it asked for each under.
async fn restless(meter: MeterHandle, soon: impl Fn() -> f64, mut seed: u64) -> Vec<(u64, Option<Arc<str>>)> {
    let (own, mut taken, mut got) = (By::itself(), None::<Taken>, Vec::new());
    for _ in 0..150 {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let by = match &taken {
            Some(taken) => own.clone().under(&taken.lease().lease),
            None => own.clone(),
        };
        let by = if seed >> 40 & 1 == 0 { by } else { by.until(soon()) };
        match seed >> 33 & 7 {
            0 => taken = meter.lease(&own, terms(0.005, 0.1)).await.ok(),
            1 => taken = meter.lease(&own, terms(10.0, 0.0)).await.ok(),
            2 => taken = None,
            3 => drop(tokio::time::timeout(Duration::ZERO, meter.lease(&own, terms(10.0, 1.0))).await),
            _ => match meter.read(&by, Exposure::default()).await {
                Ok(logged) => got.push((logged.reading.sequence, by.lease)),
                Err(error) => {
                    let kind = error.kind();
                    let expected = if by.lease.is_some() { ErrorKind::LeaseLost } else { ErrorKind::Leased };
                    assert_eq!(kind, expected, "{error}");
                }
            },
        }
    }
    got
}

#[tokio::test]
async fn whoever_comes_and_goes_each_reading_is_its_holders_alone_or_everybodys() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(1_000_000);
    let mut follow = bench.meter().follow();
    let mut clients = tokio::task::JoinSet::new();
    for seed in 0..6 {
        let clock = Arc::clone(&bench.daemon.clock);
        let soon = move || settled_drivers::clock::Clock::now_s(&*clock) + 0.05;
        clients.spawn(restless(bench.meter(), soon, seed));
    }
    let (mut got, mut under) = (Vec::new(), std::collections::BTreeMap::new());
    while !clients.is_empty() {
        tokio::select! {
            Some(ended) = clients.join_next() => got.extend(ended.unwrap()),
            news = follow.recv() => if let Published::Reading { logged, lease, .. } = news.unwrap() {
                under.insert(logged.reading.sequence, lease);
            }
        }
    }
    while let Ok(news) = follow.try_recv() {
        if let Published::Reading { logged, lease, .. } = news {
            under.insert(logged.reading.sequence, lease);
        }
    }
    assert!(got.iter().any(|(_, lease)| lease.is_some()) && got.iter().any(|(_, lease)| lease.is_none()));
    for (sequence, lease) in got {
        assert_eq!(under[&sequence], lease, "{sequence}");
    }
    // Nobody is left who has it, or waits for it.
    assert!(bench.lease(1.0).await.0.is_in_force());
}
