//! Another instrument in the place of one, against a driver that does what the test says.

use super::*;

/// A settled answer about light that one instrument sees as 100, and another, that takes its place meanwhile, as `after`.
async fn settled_across(after: f64) -> settled_protocol::settling::Settled {
    let puppet = Puppet::new();
    *puppet.serial.lock().unwrap() = Some("one");
    let bench = bench(&[&puppet]);
    let criteria = Criteria { hold_s: 0.5, min_wait_s: 1.0, max_wait_s: 20.0, ..Criteria::default() };
    let daemon = Arc::clone(&bench.daemon);
    let mut settling = tokio::task::JoinSet::new();
    settling.spawn(async move {
        settle(&daemon, &By::itself(), "m0", criteria, Exposure::default(), |_| {}).await
    });
    let mut follow = bench.daemon.meter("m0").unwrap().follow();
    for _ in 0..40 {
        puppet.act(Act::Give(100.0));
        puppet.permits.add_permits(1);
        follow.recv().await.unwrap();
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    *puppet.serial.lock().unwrap() = Some("other");
    puppet.act(Act::Fail(FaultKind::Gone));
    for _ in 0..100_000 {
        puppet.act(Act::Give(after));
    }
    puppet.permits.add_permits(100_000);
    let settled = settling.join_next().await.unwrap().unwrap().unwrap();
    assert!(bench.events().await.contains(&EventKind::MeterReplaced));
    settled
}

#[tokio::test]
async fn what_another_instrument_saw_is_no_part_of_a_settled_reading() {
    let settled = settled_across(80.0).await;
    assert_eq!(settled.verdict, Verdict::Settled, "{settled:?}");
    let (readings, value) = (settled.readings.unwrap(), settled.value.unwrap());
    assert!((value.y - 80.0).abs() < 1e-9, "{settled:?}");
    assert!(readings.first > 40 && readings.count < 1 + readings.last - 40, "{readings:?}");
    assert!(settled.message.contains("Another instrument"), "{}", settled.message);
}

#[tokio::test]
async fn the_steps_of_a_scale_count_though_the_meter_was_not_open_yet() {
    let mut widths = Vec::new();
    for early in [false, true] {
        let puppet = Arc::new(Puppet { resolution: Some(1.0), ..Puppet::with(0.0, None) });
        let bench = bench(&[&puppet]);
        puppet.permits.add_permits(100_000);
        if !early {
            bench.read("m0").await.unwrap();
        }
        let criteria = Criteria { hold_s: 0.5, min_wait_s: 0.6, max_wait_s: 1.0, ..Criteria::default() };
        let settled =
            settle(&bench.daemon, &By::itself(), "m0", criteria, Exposure::default(), |_| {}).await.unwrap();
        widths.push(settled.value.unwrap().y_u95);
    }
    assert!(widths[0] > 0.0 && (widths[0] / widths[1] - 1.0).abs() < 0.5, "{widths:?}");
}

#[tokio::test]
async fn what_an_instrument_saw_comes_before_the_news_that_it_is_gone_though_the_disk_be_slow() {
    let puppet = Puppet::new();
    *puppet.serial.lock().unwrap() = Some("one");
    let bench = bench(&[&puppet]);
    puppet.permits.add_permits(1);
    bench.read("m0").await.unwrap();
    let meter = bench.daemon.meter("m0").unwrap();
    let mut follow = meter.follow();
    let slow = rusqlite::Connection::open(bench._folder.path().join("log.sqlite")).unwrap();
    slow.execute_batch("BEGIN IMMEDIATE").unwrap();
    *puppet.serial.lock().unwrap() = Some("other");
    puppet.act(Act::Give(42.0));
    puppet.act(Act::Fail(FaultKind::Gone));
    puppet.permits.add_permits(2);
    let mut changes = bench.daemon.observe();
    let release = async {
        while changes.recv().await.unwrap().state != State::Absent {}
        slow.execute_batch("COMMIT").unwrap();
    };
    let by = By::itself();
    let (first, second, ()) = tokio::join!(
        meter.read(&by, Exposure::default()),
        meter.read(&by, Exposure { integration_s: Some(1.0) }),
        release
    );
    assert_eq!(first.unwrap().reading.light.value(), 42.0);
    assert_eq!(kind(second), ErrorKind::MeterAbsent);
    let mut news = Vec::new();
    while !matches!(news.last(), Some(Published::Anew { why: Anew::Replaced, .. })) {
        news.push(follow.recv().await.unwrap());
    }
    let of_exposure = |news: &Published| matches!(news, Published::Failed { exposure: Some(_), .. });
    news.retain(|news| !of_exposure(news));
    let order = "reading, gone, replaced";
    assert!(matches!(news[0], Published::Reading { .. }), "{order}: {news:?}");
    assert!(matches!(news[1], Published::Failed { exposure: None, .. }), "{order}: {news:?}");
    assert_eq!(news.len(), 3, "{order}: {news:?}");
    assert!(meter.recent(Exposure::default(), 0.0).is_none(), "the other saw nothing yet");
}
