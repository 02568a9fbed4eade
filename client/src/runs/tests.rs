//! Against daemons that do what the test tells them, on a real socket.

use serde_json::{Value, json};
use settled_protocol::run::RunState;

use super::*;
use crate::fake::{Fake, Place, hello};

/// How long anything may take: a hang fails instead of hanging.
const PATIENCE: Duration = Duration::from_secs(20);

fn run(number: u64, state: &str, alerts: &[Value]) -> Value {
    json!({
        "run": number, "plan": {"meter": "bench", "kind": "drift"}, "state": state, "created": "2026-11-27T18:00:00Z",
        "begins": "2026-11-27T18:00:00Z", "elapsed_s": 1.0, "points": 1, "readings": 1, "missed": 0, "gaps": 0, "gap_s": 0.0,
        "alerts": alerts.len(), "standing": alerts, "flags": [], "message": "m",
    })
}

fn alert() -> Value {
    json!({"kind": "meter_lost", "at": "2026-11-27T22:13:00Z", "message": "m"})
}

fn known(run: Value) -> Run {
    serde_json::from_value(run).unwrap()
}

impl Fake {
    /// Answers what is asked, of a log that has these runs, until all has been that a watching asks; gives the methods.
    async fn serve(&mut self, instance: &str, runs: &[Value], lists: usize) -> Vec<String> {
        let mut asked = Vec::new();
        while asked.iter().filter(|method| *method == "runs.list").count() < lists {
            let request = self.hear().await.expect("the client went");
            let method = request["method"].as_str().unwrap().to_owned();
            let result = match method.as_str() {
                "hello" => hello(instance),
                "runs.observe" => json!({"subscription": "s1"}),
                "runs.list" => {
                    let params = &request["params"];
                    let fits = |run: &&Value| {
                        params.get("state").is_none_or(|state| run["state"] == *state)
                            && params.get("before").is_none_or(|before| run["run"].as_u64() < before.as_u64())
                    };
                    json!({"runs": runs.iter().filter(fits).collect::<Vec<_>>()})
                }
                other => panic!("{other} is asked"),
            };
            self.answer(&request, result).await;
            asked.push(method);
        }
        asked
    }

    async fn tell(&mut self, run: Value, alert: Option<Value>) {
        let mut params = json!({"subscription": "s1", "run": run});
        if let Some(alert) = alert {
            params["alert"] = alert;
        }
        self.say(&json!({"jsonrpc": "2.0", "method": "runs.changed", "params": params})).await;
    }
}

async fn next(watching: &mut Watching) -> Event {
    loop {
        let event = timeout(PATIENCE, watching.next()).await.unwrap().unwrap().unwrap();
        if !matches!(event, Event::Trying { .. }) {
            return event;
        }
    }
}

fn state_of(event: &Event) -> (u64, RunState, bool) {
    let Event::Run { run, alert } = event else { panic!("{event:?}") };
    (run.run, run.state, alert.is_some())
}

#[tokio::test]
async fn a_run_that_ends_while_the_daemon_is_away_is_told_with_what_was_alarming() {
    let place = Place::new();
    let listener = place.listen();
    let connection = Connection::open(&place.socket()).await.unwrap();
    let begun = known(run(7, "running", &[]));
    let (watching, mut fake) = tokio::join!(Watching::one(connection, begun), async {
        let mut fake = Fake::of(&listener).await;
        assert_eq!(
            fake.serve("a", &[run(7, "running", &[])], 1).await,
            ["hello", "runs.observe", "runs.list"]
        );
        fake
    });
    let mut watching = watching.unwrap();
    assert_eq!(state_of(&next(&mut watching).await), (7, RunState::Running, false));
    fake.tell(run(7, "running", &[]), None).await;
    assert_eq!(state_of(&next(&mut watching).await), (7, RunState::Running, false));
    drop(fake);
    assert_eq!(next(&mut watching).await, Event::Lost);
    let server = async {
        let mut fake = Fake::of(&listener).await;
        fake.serve("b", &[run(7, "done", &[alert()])], 1).await;
        fake
    };
    let (back, _fake) = tokio::join!(next(&mut watching), server);
    assert_eq!(back, Event::Back { anew: true });
    assert_eq!(state_of(&next(&mut watching).await), (7, RunState::Done, true));
    assert!(watching.is_idle());
}

#[tokio::test]
async fn a_log_without_the_run_is_another_log() {
    let place = Place::new();
    let listener = place.listen();
    let connection = Connection::open(&place.socket()).await.unwrap();
    let (watching, fake) = tokio::join!(Watching::one(connection, known(run(7, "running", &[]))), async {
        let mut fake = Fake::of(&listener).await;
        fake.serve("a", &[run(7, "running", &[])], 1).await;
        fake
    });
    let mut watching = watching.unwrap();
    let _first = next(&mut watching).await;
    drop(fake);
    assert_eq!(next(&mut watching).await, Event::Lost);
    let server = async {
        let mut fake = Fake::of(&listener).await;
        fake.serve("b", &[run(3, "running", &[])], 1).await;
        fake
    };
    let (back, _fake) = tokio::join!(next(&mut watching), server);
    assert_eq!(back, Event::Back { anew: true });
    assert_eq!(next(&mut watching).await, Event::Gone(7));
}

#[tokio::test]
async fn all_that_are_not_over_are_watched_and_what_was_missed_is_looked_up() {
    let place = Place::new();
    let listener = place.listen();
    let connection = Connection::open(&place.socket()).await.unwrap();
    let runs = [run(9, "planned", &[]), run(7, "running", &[alert()]), run(3, "done", &[])];
    let (watching, mut fake) = tokio::join!(Watching::all(connection), async {
        let mut fake = Fake::of(&listener).await;
        fake.serve("a", &runs, 2).await;
        fake
    });
    let mut watching = watching.unwrap();
    // What stood already is no news.
    assert_eq!(state_of(&next(&mut watching).await), (7, RunState::Running, false));
    assert_eq!(state_of(&next(&mut watching).await), (9, RunState::Planned, false));
    let missed = json!({"subscription": "s1", "count": 4, "why": "slow_reader"});
    fake.say(&json!({"jsonrpc": "2.0", "method": "missed", "params": missed})).await;
    let now = [run(9, "running", &[]), run(7, "done", &[])];
    let server = async {
        // Those that run, those that are planned, and the one that is neither any more.
        fake.serve("a", &now, 3).await;
    };
    let (first, ()) = tokio::join!(next(&mut watching), server);
    assert_eq!(state_of(&first), (7, RunState::Done, false));
    assert_eq!(state_of(&next(&mut watching).await), (9, RunState::Running, false));
    fake.tell(run(9, "stopped", &[]), None).await;
    assert_eq!(state_of(&next(&mut watching).await), (9, RunState::Stopped, false));
    assert!(watching.is_idle());
}
