//! Leases while the disk stalls, or the meter's task is held up.

use std::sync::mpsc;

use super::leasing::begin;
use super::*;
use crate::log::{Change, Happening, Then};
use crate::meter_task::Terms;
use crate::meter_task::commit::MOST_IN_FLIGHT;

/// Soon enough to be no part of how long the disk stalls.
const SOON: Duration = Duration::from_secs(2);

impl Bench {
    /// The log's disk stalls until the result is dropped.
    async fn stall(&self) -> mpsc::Sender<()> {
        let (goes_on, stalls) = mpsc::channel();
        let then = Then::new(move |_| assert!(stalls.recv().is_err()));
        self.daemon.log.keep(&self.daemon.clock, Change::Force("none".to_owned(), None), None, then).await;
        goes_on
    }
}

/// A bench whose meter has given its first reading.
async fn bench_that_reads(puppet: &Arc<Puppet>) -> Bench {
    let bench = bench(&[puppet]);
    puppet.permits.add_permits(1);
    assert!(bench.read("m0").await.is_ok());
    bench
}

#[tokio::test]
async fn a_disk_that_stalls_keeps_nobody_from_hearing_of_a_lease() {
    let puppet = Puppet::new();
    let bench = bench_that_reads(&puppet).await;
    let (_taken, by) = bench.lease(600.0).await;
    let _stalled = bench.stall().await;
    puppet.permits.add_permits(1000);
    let _demanded = bench.meter().demand(&by, every(0.0)).await.unwrap();
    // The meter waits for the disk, with as many readings on their way as there may be.
    until(|| bench.daemon.status().meters[0].exposures > MOST_IN_FLIGHT as u64).await;
    // All there is runs in turns: the task goes on to where it waits for the disk.
    for _ in 0..10 {
        tokio::task::yield_now().await;
    }
    let refused = tokio::time::timeout(SOON, bench.read("m0")).await;
    assert_eq!(kind(refused.expect("it waits for the disk")), ErrorKind::Leased);
}

#[tokio::test]
async fn a_disk_that_stalls_as_the_meter_goes_away_keeps_nobody_from_hearing_of_a_lease() {
    let puppet = Puppet::new();
    let bench = bench_that_reads(&puppet).await;
    let (_taken, by) = bench.lease(600.0).await;
    let _stalled = bench.stall().await;
    puppet.act(Act::Give(1.0));
    puppet.act(Act::Fail(FaultKind::Gone));
    puppet.permits.add_permits(2);
    let _demanded = bench.meter().demand(&by, every(0.0)).await.unwrap();
    until(|| bench.daemon.list()[0].state == State::Absent).await;
    let refused = tokio::time::timeout(SOON, bench.read("m0")).await;
    assert_eq!(kind(refused.expect("it waits for the disk")), ErrorKind::Leased);
}

#[tokio::test]
async fn a_lease_is_lost_on_time_though_nobody_looks_after_the_meter() {
    let puppet = Puppet::new();
    let bench = bench_that_reads(&puppet).await;
    let (_taken, by) = bench.lease(1.0).await;
    let stalled = bench.stall().await;
    // One reading is on its way to the disk as the task panics: the next one begins when it is there.
    puppet.act(Act::Give(1.0));
    puppet.act(Act::Panic);
    puppet.permits.add_permits(2);
    let criteria = Criteria { max_wait_s: 60.0, ..Criteria::default() };
    let settles = settle(&bench.daemon, &by, "m0", criteria, Exposure::default(), |_| {});
    let lost = tokio::time::timeout(SOON, settles).await;
    assert_eq!(kind(lost.expect("it waits for the disk")), ErrorKind::LeaseLost);
    // Renewed, it lasts longer than it was to.
    drop(stalled);
    let (taken, by) = bench.lease(1.0).await;
    let settles = settle(&bench.daemon, &by, "m0", criteria, Exposure::default(), |_| {});
    tokio::pin!(settles);
    begin(settles.as_mut()).await;
    assert!(bench.meter().renew(&taken.lease().lease, Some(600.0)).is_some());
    let over = tokio::time::timeout(Duration::from_millis(1500), settles).await;
    assert!(over.is_err(), "{over:?}");
}

#[tokio::test]
async fn a_lease_counts_for_the_task_after_one_that_panicked_though_the_meter_be_away() {
    let puppet = Puppet::new();
    let bench = bench_that_reads(&puppet).await;
    let (_taken, by) = bench.lease(600.0).await;
    puppet.openings.lock().unwrap().extend([FaultKind::Busy; 1000]);
    puppet.act(Act::Panic);
    puppet.permits.add_permits(1);
    assert_eq!(kind(bench.read_by(&by).await), ErrorKind::Internal);
    assert_eq!(kind(bench.read("m0").await), ErrorKind::Leased);
}

#[tokio::test]
async fn a_lease_that_is_lost_while_the_log_takes_nothing_is_in_it_as_of_then() {
    let puppet = Puppet::new();
    let bench = bench_that_reads(&puppet).await;
    let stalled = bench.stall().await;
    let filler = || bench.daemon.log.event(&bench.daemon.clock, Happening::new(EventKind::ClockStep, "-"));
    while tokio::time::timeout(Duration::from_millis(100), filler()).await.is_ok() {}
    let (taken, _) = bench.lease(0.3).await;
    let (_next, _) = bench.lease(60.0).await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    // The task does something else meanwhile.
    let terms = Terms { ttl_s: 60.0, wait_s: 0.0, purpose: None };
    assert_eq!(kind(bench.meter().lease(&By::itself(), terms).await), ErrorKind::Leased);
    drop(stalled);
    let selection = Selection { meter: Some("m0".to_owned()), ..Selection::default() };
    let of = || bench.daemon.log.events_as(selection.clone(), |page| Ok(page.clone()));
    let lost = loop {
        let events = of().await.unwrap().events;
        if let Some(lost) = events.into_iter().find(|event| event.kind == EventKind::LeaseLost) {
            break lost;
        }
    };
    let late_s = lost.t_s - taken.lease().expires_t_s;
    assert!((0.0..0.4).contains(&late_s), "{late_s}");
}
