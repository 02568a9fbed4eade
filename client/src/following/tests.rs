//! Against daemons that do what the test tells them, on a real socket.

use std::sync::Arc;

use serde_json::{Value, json};
use tokio::net::UnixListener;

use super::*;
use crate::fake::{Fake, Place, hello};

impl Fake {
    /// Answers what a following asks, of a log that is off, until it has its subscription. Gives what it subscribed with.
    async fn subscribe(&mut self, instance: &str) -> Value {
        while let Some(request) = self.hear().await {
            let params = request["params"].clone();
            let result = match request["method"].as_str().unwrap() {
                "hello" => hello(instance),
                "daemon.status" => json!({
                    "version": "1", "uptime_s": 1, "clients": 1, "meters": [],
                    "log": {"writing": false, "reason": "off in the config"},
                }),
                "meter.observe" => json!({"subscription": "s1"}),
                other => panic!("{other} is asked"),
            };
            self.answer(&request, result).await;
            if request["method"] == "meter.observe" {
                return params;
            }
        }
        panic!("the client went before it had its subscription");
    }

    async fn refuse(&mut self, code: i32, kind: &str) {
        let request = self.hear().await.unwrap();
        let error = json!({"code": code, "message": "no", "data": {"kind": kind}});
        self.say(&json!({"jsonrpc": "2.0", "id": request["id"], "error": error})).await;
    }

    async fn reading(&mut self, sequence: u64) {
        let reading = json!({
            "sequence": sequence, "meter": "m", "at": "2026-11-25T18:00:00Z", "t_s": 1, "began_s": 0, "boot": "b",
            "luminance_cd_m2": 1.5, "flags": ["unlogged"],
        });
        let params = json!({"subscription": "s1", "reading": reading});
        self.say(&json!({"jsonrpc": "2.0", "method": "reading", "params": params})).await;
    }
}

fn params() -> ObserveParams {
    ObserveParams { meter: "m".to_owned(), interval_s: Some(1.0), ..ObserveParams::default() }
}

/// A following that has begun, and the daemon's side of it.
async fn begun(place: &Place, patience: Option<Duration>) -> (Following, UnixListener, Fake) {
    let listener = place.listen();
    let connection = Connection::open(&place.socket()).await.unwrap();
    let mut fake = Fake::of(&listener).await;
    let begin = Following::begin(connection, params(), Start::Now, patience);
    let (following, _) = tokio::join!(begin, fake.subscribe("first"));
    (following.unwrap(), listener, fake)
}

/// The next event that isn't about an attempt.
async fn next(following: &mut Following) -> Result<Event, FollowError> {
    loop {
        match following.next().await.expect("an event") {
            Ok(Event::Trying { .. }) => {}
            other => return other,
        }
    }
}

#[tokio::test]
async fn what_was_asked_for_is_asked_for_again_and_a_gap_that_no_log_fills_is_told() {
    let place = Place::new();
    let (mut following, listener, mut fake) = begun(&place, None).await;
    fake.reading(7).await;
    assert!(matches!(next(&mut following).await, Ok(Event::Reading(reading)) if reading.sequence == 7));
    drop((fake, listener));
    assert_eq!(next(&mut following).await.unwrap(), Event::Lost);
    // Nobody is there for some attempts.
    for _ in 0..3 {
        assert!(matches!(following.next().await, Some(Ok(Event::Trying { .. }))));
    }
    let listener = place.listen();
    let daemon = async {
        let mut fake = Fake::of(&listener).await;
        let params = fake.subscribe("second").await;
        assert_eq!(params, json!({"meter": "m", "interval_s": 1.0}));
        fake.reading(1).await;
        fake
    };
    let (back, mut fake) = tokio::join!(next(&mut following), daemon);
    assert_eq!(back.unwrap(), Event::Back { anew: true, lack: Some(Lack::NoLog) });
    assert!(matches!(next(&mut following).await, Ok(Event::Reading(reading)) if reading.sequence == 1));
    // Dropped, it takes its connection with it.
    drop(following);
    assert_eq!(fake.hear().await, None);
}

#[tokio::test]
async fn the_first_reading_of_a_daemon_without_a_log_is_shown_however_soon_it_comes() {
    let place = Place::new();
    let listener = place.listen();
    let connection = Connection::open(&place.socket()).await.unwrap();
    let thinned = ObserveParams { every_s: Some(60.0), ..params() };
    let begun = async {
        let mut daemon = Fake::of(&listener).await;
        daemon.subscribe("first").await;
        daemon
    };
    let following = Following::begin(connection, thinned, Start::Now, None);
    let (following, mut daemon) = tokio::join!(following, begun);
    let mut following = following.unwrap();
    daemon.reading(1).await;
    assert!(matches!(next(&mut following).await.unwrap(), Event::Reading(reading) if reading.sequence == 1));
    drop(daemon);
    assert_eq!(next(&mut following).await.unwrap(), Event::Lost);
    let again = async {
        let mut daemon = Fake::of(&listener).await;
        daemon.subscribe("second").await;
        daemon.reading(7).await;
        daemon
    };
    let came = async { (next(&mut following).await.unwrap(), next(&mut following).await.unwrap()) };
    let ((back, reading), _daemon) = tokio::join!(came, again);
    assert_eq!(back, Event::Back { anew: true, lack: Some(Lack::NoLog) });
    assert!(matches!(&reading, Event::Reading(reading) if reading.sequence == 7), "{reading:?}");
}

#[tokio::test]
async fn a_caller_that_looks_away_in_the_middle_of_an_attempt_loses_nothing() {
    let place = Place::new();
    let (mut following, listener, fake) = begun(&place, None).await;
    drop(fake);
    assert_eq!(next(&mut following).await.unwrap(), Event::Lost);
    let mut fake = None;
    // Its future is dropped at each step of the attempt.
    let daemon = async {
        let mut first = Fake::of(&listener).await;
        first.subscribe("first").await;
        first.reading(5).await;
        fake = Some(first);
        std::future::pending::<()>().await
    };
    tokio::pin!(daemon);
    let back = loop {
        tokio::select! {
            biased;
            event = next(&mut following) => break event,
            () = tokio::task::yield_now() => {}
        }
        tokio::select! {
            biased;
            () = &mut daemon => unreachable!(),
            () = tokio::task::yield_now() => {}
        }
    };
    assert_eq!(back.unwrap(), Event::Back { anew: false, lack: Some(Lack::NoLog) });
    assert!(matches!(next(&mut following).await, Ok(Event::Reading(reading)) if reading.sequence == 5));
}

#[tokio::test]
async fn who_has_no_patience_left_is_told_why_nobody_answers() {
    let place = Place::new();
    let (mut following, listener, fake) = begun(&place, Some(Duration::from_millis(300))).await;
    drop((fake, listener));
    assert_eq!(next(&mut following).await.unwrap(), Event::Lost);
    let error = next(&mut following).await.unwrap_err();
    assert!(matches!(&error, FollowError::Open(_)) && error.to_string().contains("socket"), "{error}");
    assert!(following.next().await.is_none());
}

#[tokio::test]
async fn a_daemon_that_is_overloaded_is_tried_again_and_one_without_the_meter_is_the_end() {
    let place = Place::new();
    let (mut following, listener, fake) = begun(&place, None).await;
    drop(fake);
    assert_eq!(next(&mut following).await.unwrap(), Event::Lost);
    let daemon = async {
        Fake::of(&listener).await.refuse(-32010, "overloaded").await;
        Fake::of(&listener).await.refuse(-32000, "no_such_meter").await;
    };
    let (end, ()) = tokio::join!(next(&mut following), daemon);
    assert!(
        matches!(&end, Err(FollowError::Call(CallError::Refused(error))) if error.kind() == ErrorKind::NoSuchMeter),
        "{end:?}"
    );
    assert!(following.next().await.is_none() && following.connection().is_none());
}

#[tokio::test]
async fn what_keeps_it_from_beginning_is_an_error_at_once() {
    let place = Place::new();
    let listener = place.listen();
    let connection = Connection::open(&place.socket()).await.unwrap();
    let mut fake = Fake::of(&listener).await;
    let begin = Following::begin(connection, params(), Start::Now, None);
    let (outcome, ()) = tokio::join!(begin, fake.refuse(-32010, "overloaded"));
    assert!(matches!(outcome, Err(FollowError::Call(CallError::Refused(_)))));
}

#[tokio::test]
async fn a_daemon_that_hangs_up_again_and_again_is_not_asked_without_a_pause() {
    let place = Place::new();
    let (mut following, listener, fake) = begun(&place, None).await;
    drop(fake);
    let (began, mut returns) = (Instant::now(), 0);
    let daemon = async {
        for _ in 0..5 {
            Fake::of(&listener).await.subscribe("first").await;
        }
    };
    let following = async {
        while returns < 5 {
            returns += usize::from(matches!(next(&mut following).await.unwrap(), Event::Back { .. }));
        }
    };
    tokio::join!(daemon, following);
    // Half of what the waits are at most, which double.
    let least = Duration::from_millis(25 * (1 + 2 + 4 + 8 + 16));
    assert!(began.elapsed() >= least, "{:?}", began.elapsed());
}

#[test]
fn it_can_be_handed_from_thread_to_thread() {
    fn is_send<T: Send>() {}
    is_send::<Following>();
    is_send::<Arc<Connection>>();
}
