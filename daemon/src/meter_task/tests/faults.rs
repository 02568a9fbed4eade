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
