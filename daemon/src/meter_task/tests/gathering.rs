//! Clients that ask again as soon as they are answered.

use super::*;

/// How long the puppet's exposures take, in s.
const LASTS_S: f64 = 0.05;

/// Lets exposures go on, each for so long after it began; for ever.
async fn pace(puppet: Arc<Puppet>) {
    let clock = Clock::system();
    loop {
        puppet.began.notified().await;
        clock.sleep_until(clock.now_s() + LASTS_S).await;
        puppet.permits.add_permits(1);
    }
}

#[tokio::test]
async fn clients_that_ask_again_at_once_come_to_share_every_exposure() {
    const CLIENTS: usize = 8;
    const READINGS: u64 = 20;
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let mut pacing = tokio::task::JoinSet::new();
    pacing.spawn(pace(puppet));
    let mut clients = tokio::task::JoinSet::new();
    for _ in 0..CLIENTS {
        let (handle, by) = (bench.daemon.meter("m0").unwrap().clone(), By::itself());
        clients.spawn(async move {
            for _ in 0..READINGS {
                handle.read(&by, Exposure::default()).await.unwrap();
            }
        });
    }
    while clients.join_next().await.transpose().unwrap().is_some() {}
    let exposures = bench.daemon.status().meters[0].exposures;
    // In two groups they would take twice as many as they get readings, but for the first.
    assert!(exposures <= READINGS * 3 / 2, "{exposures} exposures for {READINGS} readings each");
}

#[tokio::test]
async fn nobody_waits_long_for_a_client_that_does_not_come_back() {
    let puppet = Puppet::new();
    let bench = bench(&[&puppet]);
    let mut clients = tokio::task::JoinSet::new();
    let first = clients.spawn(bench.read("m0")).id();
    puppet.began.notified().await;
    clients.spawn(bench.read("m0"));
    let clock = Clock::system();
    clock.sleep_until(clock.now_s() + LASTS_S).await;
    puppet.permits.add_permits(2);
    let (mut ended_s, mut began_s) = (0.0, 0.0);
    while let Some(outcome) = clients.join_next_with_id().await {
        let (id, logged) = outcome.unwrap();
        let reading = &logged.as_ref().unwrap().reading;
        if id == first { ended_s = reading.t_s } else { began_s = reading.began_s }
    }
    let waited_s = began_s - ended_s;
    // The grace is 1 ms; the rest is for a machine that has other things to do.
    assert!((0.0..LASTS_S).contains(&waited_s), "{waited_s} s");
}
