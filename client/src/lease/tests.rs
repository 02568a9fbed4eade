//! Against a daemon that says what the test tells it.

use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::UnixStream;

use super::*;

struct Fake(BufReader<UnixStream>);

impl Fake {
    async fn hear(&mut self) -> Value {
        let mut line = String::new();
        self.0.read_line(&mut line).await.unwrap();
        serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line:?}"))
    }

    async fn say(&mut self, line: &Value) {
        self.0.get_mut().write_all(format!("{line}\n").as_bytes()).await.unwrap();
    }

    /// Hears a request for this method, answers it, and gives its params.
    async fn answer(&mut self, method: &str, result: &Value) -> Value {
        let request = self.hear().await;
        assert_eq!(request["method"], method);
        self.say(&json!({"jsonrpc": "2.0", "id": request["id"], "result": result})).await;
        request["params"].clone()
    }

    async fn lose(&mut self) {
        let request = self.hear().await;
        assert_eq!(request["method"], "meter.renew");
        let error = json!({"code": -32018, "message": "it was not renewed", "data": {"kind": "lease_lost"}});
        self.say(&json!({"jsonrpc": "2.0", "id": request["id"], "error": error})).await;
    }
}

fn terms() -> Value {
    json!({"lease": "t0k", "meter": "m", "ttl_s": 30, "expires_at": "2026-11-25T18:00:00Z", "expires_t_s": 9})
}

/// A lease of half a minute by a clock that runs a thousand times as fast.
async fn taken() -> (Lease, Fake) {
    let (ours, theirs) = UnixStream::pair().unwrap();
    let (connection, mut fake) = (Arc::new(Connection::over(ours)), Fake(BufReader::new(theirs)));
    let hello = json!({
        "protocol": 1, "daemon": "d", "instance": "i", "clock": {"kind": "simulated", "speed": 1000.0},
        "limits": {
            "line_bytes": 1, "batch": 1, "connections": 1, "pending_requests": 1, "subscriptions": 1,
            "waiting_notifications": 1, "waiting_bytes": 1, "connections_of_user": 1, "pending_bytes": 1,
        },
    });
    let daemon = async {
        fake.answer("hello", &hello).await;
        assert_eq!(fake.answer("meter.lease", &terms()).await, json!({"meter": "m", "wait_s": 5.0}));
        fake
    };
    let params = LeaseParams { meter: "m".to_owned(), wait_s: Some(5.0), ..LeaseParams::default() };
    let (lease, fake) = tokio::join!(connection.lease(&params), daemon);
    (lease.unwrap(), fake)
}

#[tokio::test]
async fn it_is_renewed_for_as_long_as_it_lives_and_given_back_when_it_is_dropped() {
    let (lease, mut fake) = taken().await;
    assert_eq!((lease.token(), lease.meter()), ("t0k", "m"));
    for _ in 0..3 {
        assert_eq!(fake.answer("meter.renew", &terms()).await, json!({"lease": "t0k"}));
    }
    let connection = Arc::clone(&lease.connection);
    drop(lease);
    // A renewal may have been under way.
    let mut last = fake.hear().await;
    while last["method"] != "meter.release" {
        last = fake.hear().await;
    }
    assert_eq!((&last["params"], last.get("id")), (&json!({"lease": "t0k"}), None));
    drop(connection);
    let mut rest = String::new();
    // A renewal that nobody has heard makes its end a reset.
    while matches!(fake.0.read_line(&mut rest).await, Ok(count) if count > 0) {
        assert!(rest.contains("request.cancel"), "{rest}");
        rest.clear();
    }
}

#[tokio::test]
async fn it_can_be_given_back_and_is_then_given_back_once() {
    let (lease, mut fake) = taken().await;
    let daemon = async {
        while fake.answer_any().await != "meter.release" {}
        fake
    };
    let (released, mut fake) = tokio::join!(lease.release(), daemon);
    released.unwrap();
    let mut rest = String::new();
    assert_eq!(fake.0.read_line(&mut rest).await.unwrap(), 0, "{rest}");
}

impl Fake {
    /// Grants whatever comes next, and tells what it was.
    async fn answer_any(&mut self) -> String {
        let request = self.hear().await;
        let method = request["method"].as_str().unwrap().to_owned();
        let result = if method == "meter.release" { json!({}) } else { terms() };
        self.say(&json!({"jsonrpc": "2.0", "id": request["id"], "result": result})).await;
        method
    }
}

#[tokio::test]
async fn that_it_is_lost_is_known_at_the_next_renewal_and_it_is_not_given_back() {
    let (lease, mut fake) = taken().await;
    let (loss, ()) = tokio::join!(lease.lost(), fake.lose());
    assert_eq!(loss, Loss::Refused("it was not renewed".to_owned()));
    assert_eq!(lease.lost().await, loss, "it stays lost");
    drop(lease);
    let mut rest = String::new();
    assert_eq!(fake.0.read_line(&mut rest).await.unwrap(), 0, "{rest}");
}

#[tokio::test]
async fn a_daemon_that_goes_takes_the_lease_with_it() {
    let (lease, fake) = taken().await;
    drop(fake);
    assert_eq!(lease.lost().await, Loss::Closed);
}

#[test]
fn programs_find_their_lease_among_others_and_the_innermost_counts() {
    let one = handed_on(None, "bench", "t1");
    let two = handed_on(Some(&one), "other.meter", "t2=");
    let three = handed_on(Some(&two), "bench", "t3");
    assert_eq!(three, "bench=t1,other.meter=t2=,bench=t3");
    assert_eq!(token_in(&two, "bench").as_deref(), Some("t1"));
    assert_eq!(token_in(&three, "bench").as_deref(), Some("t3"));
    assert_eq!(token_in(&three, "other.meter").as_deref(), Some("t2="));
    assert_eq!(token_in(&three, "meter"), None);
    assert_eq!(token_in("", "bench"), None);
    assert_eq!(handed_on(Some(" "), "bench", "t"), "bench=t");
}

#[tokio::test]
async fn that_the_connection_has_ended_is_known_long_before_the_next_renewal() {
    let (ours, theirs) = UnixStream::pair().unwrap();
    let connection = Arc::new(Connection::over(ours));
    let (lost, loss) = watch::channel(None);
    let terms: Terms = serde_json::from_value(terms()).unwrap();
    let mut renewal = JoinSet::new();
    // Of 30 s by a clock that hardly moves: it will never be renewed.
    renewal.spawn(renew(Arc::clone(&connection), terms.clone(), 1e-6, lost));
    let lease = Lease { connection, terms, loss, given_back: false, _renewal: renewal };
    drop(theirs);
    assert_eq!(tokio::time::timeout(Duration::from_secs(20), lease.lost()).await, Ok(Loss::Closed));
    assert_eq!(lease.release().await, Err(Loss::Closed), "it is told again to who gives it back");
}

#[test]
fn only_what_names_meters_and_tokens_is_taken_for_leases() {
    for text in ["", " ", "m=t", "m=t,n=u", " m=t , n=u=="] {
        assert!(!is_mistaken(text), "{text:?}");
    }
    for text in ["t", "m=", "=t", "m=t,", "m=t,u", ","] {
        assert!(is_mistaken(text), "{text:?}");
    }
    let tokens = |meters: &[&'static str]| tokens_in("m=t,other=x,n=u,m=v", meters.iter().copied());
    assert_eq!(tokens(&["m", "n", "k"]).as_deref(), Some("v,u"));
    assert_eq!(tokens(&["k"]), None);
}

#[test]
fn renewals_keep_to_the_daemons_clock() {
    assert_eq!(pause(60.0, 1.0), Duration::from_secs(20));
    assert_eq!(pause(60.0, 60.0), Duration::from_millis(333) + Duration::from_nanos(333_333));
    assert_eq!(pause(1.0, 1e9), SHORTEST);
    assert_eq!(pause(1.0, 0.0), Duration::MAX);
}
