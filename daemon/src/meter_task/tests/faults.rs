//! What becomes of faults, against a driver that does what the test says.

use super::*;

#[tokio::test]
async fn a_fault_fails_its_own_requests_alone() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let faults = [
        (FaultKind::Silent, ErrorKind::MeterSilent),
        (FaultKind::Garbled, ErrorKind::MeterGarbled),
        (FaultKind::Refused, ErrorKind::MeterRefused),
        (FaultKind::BelowRange, ErrorKind::OutOfRange),
        (FaultKind::Unsupported, ErrorKind::Unsupported),
    ];
    for (fault, expected) in faults {
        puppet.act(Act::Fail(fault));
        puppet.permits.add_permits(2);
        assert_eq!(kind(bench.read("m0").await), expected);
        assert!(bench.read("m0").await.is_ok());
    }
}

#[tokio::test]
async fn what_a_driver_cannot_do_is_no_fault_of_the_meter_and_delays_nobody() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let meter = bench.daemon.meter("m0").unwrap();
    puppet.permits.add_permits(6);
    for _ in 0..6 {
        puppet.act(Act::Fail(FaultKind::Unsupported));
        assert_eq!(kind(bench.read("m0").await), ErrorKind::Unsupported);
    }
    let mut follow = meter.follow();
    let _demanded = meter.demand(&By::itself(), every(1.0)).await.unwrap();
    puppet.permits.add_permits(1);
    let published = tokio::time::timeout(Duration::from_secs(2), follow.recv()).await;
    assert!(matches!(published, Ok(Ok(Published::Reading { .. }))), "{published:?}");
    assert_eq!(bench.daemon.list()[0].faults, 0);
    assert_eq!(bench.events().await, [EventKind::MeterReady]);
}

#[tokio::test]
async fn only_what_leaves_a_line_in_disorder_leads_to_opening_anew() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    for fault in [FaultKind::BelowRange, FaultKind::Refused].repeat(4).into_iter().chain([FaultKind::Silent])
    {
        puppet.act(Act::Fail(fault));
        puppet.permits.add_permits(1);
        assert!(bench.read("m0").await.is_err());
    }
    puppet.permits.add_permits(1);
    assert!(bench.read("m0").await.is_ok());
    assert!(!bench.events().await.contains(&EventKind::MeterFailed));
}

/// A settling that leaves the integration time to the meter, and has lengthened it to 2 s.
fn lengthened() -> Wanted {
    let purpose = Purpose::Settling(Lengths { longer_s: Some(2.0), longest_s: 4.0 });
    Wanted { purpose, ..every(0.0) }
}

#[tokio::test]
async fn where_a_lengthened_exposure_is_refused_a_single_reading_is_not_and_readings_go_on() {
    for fault in [FaultKind::AboveRange, FaultKind::BelowRange, FaultKind::Unsupported, FaultKind::Refused] {
        let puppet = Puppet::new();
        let bench = bench(&[&puppet]);
        let meter = bench.daemon.meter("m0").unwrap();
        let mut follow = meter.follow();
        let _demanded = meter.demand(&By::itself(), lengthened()).await.unwrap();
        puppet.began.notified().await;
        let mut readings = tokio::task::JoinSet::new();
        let exactly = Exposure { integration_s: Some(2.0) };
        let (free, exact) = (bench.read("m0"), meter.clone());
        readings.spawn(free);
        readings.spawn(async move { exact.read(&By::itself(), exactly).await });
        until(|| bench.daemon.status().meters[0].waiting >= 2).await;
        puppet.act(Act::Give(100.0));
        puppet.act(Act::Fail(fault));
        puppet.permits.add_permits(3);
        let mut outcomes = Vec::new();
        while let Some(outcome) = readings.join_next().await {
            outcomes.push(outcome.unwrap().map(|logged| logged.reading.flags.contains(&Flag::Shared)));
        }
        // Only who asked for just this hears of it. The other shares the next exposure, which is as the meter chooses.
        assert!(outcomes[0].is_err() && outcomes[1] == Ok(true), "{fault:?}: {outcomes:?}");
        let exposed = [exposed(&mut follow).await, exposed(&mut follow).await, exposed(&mut follow).await];
        assert_eq!(exposed, [Some(2.0), Some(2.0), None]);
        assert_eq!(bench.daemon.status().meters[0].exposures, 3);
    }
}

/// What is exposed next, be it that it fails.
async fn exposed(follow: &mut broadcast::Receiver<Published>) -> Option<f64> {
    match follow.recv().await.unwrap() {
        Published::Reading { exposure, .. } | Published::Failed { exposure: Some(exposure), .. } => {
            exposure.exposure.integration_s
        }
        other => panic!("{other:?}"),
    }
}

#[tokio::test]
async fn a_reading_that_a_settling_has_lengthened_will_do_where_the_integration_time_is_left_to_the_meter() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let meter = bench.daemon.meter("m0").unwrap();
    let _demanded = meter.demand(&By::itself(), lengthened()).await.unwrap();
    puppet.permits.add_permits(1);
    let mut follow = meter.follow();
    assert_eq!(exposed(&mut follow).await, Some(2.0));
    let recent = |integration_s| meter.recent(Exposure { integration_s }, f64::NEG_INFINITY).is_some();
    assert!(recent(None) && recent(Some(2.0)) && !recent(Some(1.0)));
}
