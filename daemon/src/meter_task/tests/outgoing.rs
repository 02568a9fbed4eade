//! Readings on their way to the disk, whatever becomes of the meter meanwhile.

use super::*;

#[tokio::test]
async fn a_reading_on_its_way_to_the_disk_outlives_a_panic_and_comes_before_the_news_of_it() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let meter = bench.daemon.meter("m0").unwrap();
    let mut follow = meter.follow();
    puppet.act(Act::Give(42.0));
    puppet.act(Act::Panic);
    puppet.permits.add_permits(2);
    // Unlike settings: the first gets its reading; the second exposure panics before that is durable.
    let by = By::itself();
    let (first, second) = tokio::join!(
        meter.read(&by, Exposure::default()),
        meter.read(&by, Exposure { integration_s: Some(1.0) })
    );
    assert_eq!(first.unwrap().reading.light.value(), 42.0);
    assert_eq!(kind(second), ErrorKind::Internal);
    assert!(matches!(follow.recv().await, Ok(Published::Reading { .. })));
    assert!(matches!(follow.recv().await, Ok(Published::Failed { exposure: None, .. })));
    let restarting = &bench.daemon.list()[0];
    assert_eq!(restarting.state, State::Failed, "{restarting:?}");
    assert_eq!(bench.daemon.status().meters[0].waiting, 0);
    puppet.permits.add_permits(1);
    assert!(bench.read("m0").await.is_ok());
    assert_eq!(bench.daemon.list()[0].state, State::Ready);
}

#[tokio::test]
async fn while_a_meter_is_brought_back_to_order_requests_are_taken_in_and_readings_given_out() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let meter = bench.daemon.meter("m0").unwrap();
    let disorder = puppet.order.lock().await;
    puppet.act(Act::Give(42.0));
    puppet.act(Act::Fail(FaultKind::Silent));
    puppet.permits.add_permits(2);
    let during = async {
        // Unlike settings: the second exposure fails, as a rule before the first one's reading is durable.
        let by = By::itself();
        let (first, second) = tokio::join!(
            meter.read(&by, Exposure::default()),
            meter.read(&by, Exposure { integration_s: Some(1.0) })
        );
        assert_eq!(first.unwrap().reading.light.value(), 42.0);
        assert_eq!(kind(second), ErrorKind::MeterSilent);
        let mut later = tokio::task::JoinSet::new();
        later.spawn(bench.read("m0"));
        until(|| bench.daemon.status().meters[0].waiting >= 1).await;
        later
    };
    let mut later = tokio::time::timeout(Duration::from_secs(20), during).await.unwrap();
    drop(disorder);
    puppet.permits.add_permits(1);
    assert!(later.join_next().await.unwrap().unwrap().is_ok());
}
