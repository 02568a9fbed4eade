//! Against a daemon that says what the test tells it.

use settled_protocol::error::ErrorKind;
use settled_protocol::method::{DaemonStatus, MeterSettle, MetersList, Nothing, SettleParams};
use settled_protocol::notification::MissedWhy;
use settled_protocol::settling::Criteria;
use tokio::io::{AsyncBufReadExt, BufReader};

use super::*;
use crate::subscription::{Event, Gap};

/// The daemon's side of a connection.
struct Fake(BufReader<UnixStream>);

fn pair() -> (Connection, Fake) {
    let (ours, theirs) = UnixStream::pair().unwrap();
    (Connection::over(ours), Fake(BufReader::new(theirs)))
}

impl Fake {
    async fn hear(&mut self) -> serde_json::Value {
        let mut line = String::new();
        self.0.read_line(&mut line).await.unwrap();
        serde_json::from_str(&line).unwrap()
    }

    async fn say(&mut self, line: &str) {
        self.0.get_mut().write_all(format!("{line}\n").as_bytes()).await.unwrap();
    }
}

fn settle() -> SettleParams {
    SettleParams {
        meter: "bench".to_owned(),
        criteria: Criteria::default(),
        progress: true,
        ..SettleParams::default()
    }
}

#[tokio::test]
async fn answers_find_their_calls_in_any_order() {
    let (connection, mut fake) = pair();
    let daemon = async {
        let (first, second) = (fake.hear().await, fake.hear().await);
        fake.say(&format!(r#"{{"jsonrpc":"2.0","id":{},"result":{{"meters":[]}}}}"#, second["id"])).await;
        fake.say(&format!(r#"{{"jsonrpc":"2.0","id":{},"error":{{"code":-32013,"message":"bye","data":{{"kind":"shutting_down"}}}}}}"#, first["id"])).await;
    };
    let (status, list) =
        (connection.call::<DaemonStatus>(&Nothing {}), connection.call::<MetersList>(&Nothing {}));
    let (status, list, ()) = tokio::join!(status, list, daemon);
    assert!(matches!(status, Err(CallError::Refused(error)) if error.kind() == ErrorKind::ShuttingDown));
    assert!(list.unwrap().meters.is_empty());
}

#[tokio::test]
async fn a_dropped_call_is_taken_back() {
    let (connection, mut fake) = pair();
    let params = settle();
    let request = tokio::select! {
        _ = connection.call::<MeterSettle>(&params) => panic!("nobody answered"),
        request = fake.hear() => request,
    };
    let cancel = fake.hear().await;
    assert_eq!(
        (cancel["method"].as_str(), &cancel["params"]["id"]),
        (Some("request.cancel"), &request["id"])
    );
    assert!(cancel.get("id").is_none());
}

#[tokio::test]
async fn progress_comes_before_the_answer() {
    let (connection, mut fake) = pair();
    let daemon = async {
        let id = fake.hear().await["id"].clone();
        fake.say(&format!(r#"{{"jsonrpc":"2.0","method":"settle.progress","params":{{"request":{id},"waited_s":1.5,"count":3,"latest":99.5,"evidence":{{"window_s":0,"n":0,"outliers":0,"steps":0,"failing":["too_few"]}}}}}}"#)).await;
        fake.say(&format!(r#"{{"jsonrpc":"2.0","id":{id},"error":{{"code":-32009,"message":"cancelled","data":{{"kind":"cancelled"}}}}}}"#)).await;
    };
    let (params, mut reports) = (settle(), Vec::new());
    let (outcome, ()) = tokio::join!(
        connection.call_with_progress::<MeterSettle>(&params, |report| reports.push(report.count)),
        daemon
    );
    assert!(outcome.is_err());
    assert_eq!(reports, [3]);
}

#[tokio::test]
async fn readings_that_follow_the_answer_at_once_are_not_lost() {
    let (connection, mut fake) = pair();
    let daemon = async {
        let id = fake.hear().await["id"].clone();
        let reading = |sequence: u32| {
            format!(
                r#"{{"jsonrpc":"2.0","method":"reading","params":{{"subscription":"s1","reading":{{"sequence":{sequence},"meter":"m","at":"2026-11-25T18:00:00Z","t_s":1,"began_s":0,"boot":"b","luminance_cd_m2":1.5,"flags":["from_the_future"]}}}}}}"#
            )
        };
        let answer = format!(r#"{{"jsonrpc":"2.0","id":{id},"result":{{"subscription":"s1"}}}}"#);
        let missed = r#"{"jsonrpc":"2.0","method":"missed","params":{"subscription":"s1","count":2,"from":2,"to":3,"why":"slow_reader"}}"#;
        let unread = missed.replace("slow_reader", "log_unavailable");
        fake.say(&[answer, reading(1), missed.to_owned(), reading(4), unread].join("\n")).await;
    };
    let meter = "m".to_owned();
    let params = ObserveParams { meter, ..ObserveParams::default() };
    let (subscription, ()) = tokio::join!(connection.observe(&params), daemon);
    let mut subscription = subscription.unwrap();
    assert!(matches!(subscription.next().await, Some(Event::Reading(reading)) if reading.sequence == 1));
    let missed = |why| Event::Missed(Gap { count: 2, range: Some((2, 3)), why });
    assert_eq!(subscription.next().await, Some(missed(MissedWhy::SlowReader)));
    assert!(matches!(subscription.next().await, Some(Event::Reading(reading)) if reading.sequence == 4));
    assert_eq!(subscription.next().await, Some(missed(MissedWhy::LogUnavailable)));
}

#[tokio::test]
async fn a_daemon_that_closes_fails_the_calls_that_wait() {
    let (connection, mut fake) = pair();
    let daemon = async {
        fake.hear().await;
        drop(fake);
    };
    let (outcome, ()) = tokio::join!(connection.call::<DaemonStatus>(&Nothing {}), daemon);
    assert!(matches!(outcome, Err(CallError::Closed)));
    assert!(matches!(connection.call::<DaemonStatus>(&Nothing {}).await, Err(CallError::Closed)));
}

#[tokio::test]
async fn no_daemon_says_what_was_tried_and_what_to_do() {
    let error = Connection::open(Path::new("/nonexistent/socket")).await.unwrap_err();
    let words = error.to_string();
    assert!(words.contains("/nonexistent/socket") && words.contains("settle demo"), "{words}");
}
