//! A meter for oneself, for a while, among programs that don't know of each other.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n\
    integration_s = [0.02, 5]\nautomatic_s = 0.05\ncold = [0, 0]\ncold_white = [0, 0]\nsag = 0\nzero_at_start = false\n";

/// A daemon whose meter is ready, and two clients of it.
fn two() -> (Daemon, Client, Client) {
    let daemon = Daemon::start(CONFIG);
    let (mut one, other) = (daemon.client(), daemon.client());
    one.wait_for_state("m", "ready");
    (daemon, one, other)
}

fn lease(client: &mut Client, params: &Value) -> Value {
    let mut all = json!({"meter": "m"});
    all.as_object_mut().unwrap().extend(params.as_object().unwrap().clone());
    client.call("meter.lease", &all)["lease"].clone()
}

/// Whether somebody has the meter for itself.
fn holder(client: &mut Client) -> Value {
    client.call("meters.list", &json!({}))["meters"][0]["lease"].clone()
}

fn wait_for_holder(client: &mut Client, is_held: bool) {
    wait_until(&format!("the meter is held: {is_held}"), || holder(client).is_object() == is_held);
}

/// Waits until so many requests wait for the meter.
fn wait_for_waiting(client: &mut Client, count: u64) {
    wait_until(&format!("{count} requests wait"), || {
        client.call("daemon.status", &json!({}))["meters"][0]["waiting"] == count
    });
}

#[test]
fn a_holder_measures_while_others_wait_or_are_told_who_has_the_meter() {
    let (_daemon, mut one, mut other) = two();
    one.call("hello", &json!({"client": "bench 3"}));
    let token = lease(&mut one, &json!({"purpose": "field monitor 4", "ttl_s": 30}));
    let shown = holder(&mut other);
    assert_eq!((&shown["client"], &shown["purpose"]), (&json!("bench 3"), &json!("field monitor 4")));
    assert_eq!(shown["pid"], std::process::id());
    for (method, params) in [
        ("meter.read", json!({"meter": "m"})),
        ("meter.settle", json!({"meter": "m"})),
        ("meter.zero", json!({"meter": "m", "covered": true})),
        ("meter.correct", json!({"meter": "m", "correction": null})),
        ("stage.show", json!({"stimulus": {"colour": [0, 0, 0]}})),
    ] {
        let id = other.ask(method, &params);
        let error = other.answer(id)["error"].clone();
        assert_eq!(
            (&error["data"]["kind"], &error["code"]),
            (&json!("leased"), &json!(-32017)),
            "{method}: {error}"
        );
        let message = error["message"].as_str().unwrap();
        assert!(message.contains("\"bench 3\" (process") && message.contains("field monitor 4"), "{message}");
        let retry_s = error["data"]["retry_after_s"].as_f64().unwrap();
        assert!((1.0..=30.0).contains(&retry_s), "{error}");
    }
    let ours = |mut params: Value| {
        params["lease"] = token.clone();
        params
    };
    one.call("stage.show", &ours(json!({"stimulus": {"colour": [700, 700, 700]}})));
    one.call("meter.zero", &ours(json!({"meter": "m", "covered": true})));
    one.call("meter.correct", &ours(json!({"meter": "m", "correction": null})));
    let criteria = json!({"luminance": 0.2, "chromaticity": 0.02, "hold_s": 0.5});
    one.call("meter.settle", &ours(json!({"meter": "m", "criteria": criteria})));
    let ours = one.call("meter.read", &ours(json!({"meter": "m"})));
    // What was seen already needs no lease.
    let seen = other.call("meter.read", &json!({"meter": "m", "max_age_s": 600}));
    assert_eq!(seen["sequence"], ours["sequence"]);
    // Somebody else waits, and is served as soon as the meter is free.
    let waits = other.ask("meter.read", &json!({"meter": "m", "wait_s": 60}));
    wait_for_waiting(&mut one, 1);
    one.call("meter.release", &json!({"lease": token}));
    assert!(other.answer(waits)["result"]["sequence"].is_u64());
    assert!(holder(&mut other).is_null());
    assert_eq!(one.refusal("meter.release", &json!({"lease": token})), "lease_lost");
    assert_eq!(one.refusal("meter.renew", &json!({"lease": token})), "lease_lost");
}

#[test]
fn a_lease_that_is_not_renewed_is_lost_and_counts_for_nothing_from_then_on() {
    let (_daemon, mut one, mut other) = two();
    let token = lease(&mut one, &json!({"ttl_s": 1, "purpose": "too long a break"}));
    let renewed = one.call("meter.renew", &json!({"lease": token, "ttl_s": 1.5}));
    assert_eq!(renewed["ttl_s"], 1.5);
    let settles = one.ask("meter.settle", &json!({"meter": "m", "lease": token, "criteria": {"hold_s": 60}}));
    let waits = other.ask("meter.read", &json!({"meter": "m", "wait_s": 60}));
    assert_eq!(one.answer(settles)["error"]["data"]["kind"], "lease_lost");
    assert!(other.answer(waits)["result"]["sequence"].is_u64());
    let own = |mut params: Value| {
        params["lease"] = token.clone();
        params
    };
    for (method, params) in [
        ("meter.read", json!({"meter": "m"})),
        ("meter.read", json!({"meter": "m", "max_age_s": 600})),
        ("meter.settle", json!({"meter": "m"})),
        ("meter.zero", json!({"meter": "m", "covered": true})),
        ("meter.observe", json!({"meter": "m", "interval_s": 1})),
        ("meter.correct", json!({"meter": "m", "correction": null})),
        ("stage.show", json!({"stimulus": {"colour": [0, 0, 0]}})),
        ("meter.renew", json!({})),
    ] {
        assert_eq!(one.refusal(method, &own(params)), "lease_lost", "{method}");
    }
    // A reading that has been given out is in the log, and so is every event from before it.
    other.call("meter.read", &json!({"meter": "m"}));
    let events = other.call("log.events", &json!({"meter": "m"}))["events"].clone();
    let lost = events.as_array().unwrap().iter().filter(|event| event["kind"] == "lease_lost");
    let details: Vec<&str> = lost.map(|event| event["detail"].as_str().unwrap()).collect();
    assert!(details.len() == 1 && details[0].contains("too long a break"), "{events}");
    assert!(details[0].contains("not renewed within 1.5 s"), "{details:?}");
}

#[test]
fn those_who_wait_for_a_lease_have_it_in_the_order_in_which_they_asked() {
    let (daemon, mut one, mut other) = two();
    let first = lease(&mut one, &json!({}));
    let mut waiting: Vec<Client> = (0..5).map(|_| daemon.client()).collect();
    let ids: Vec<u64> = waiting
        .iter_mut()
        .map(|client| {
            let id = client.ask("meter.lease", &json!({"meter": "m", "purpose": "in turn"}));
            // It is in the line before the next asks: a connection's requests are begun in order.
            client.call("meters.list", &json!({}));
            id
        })
        .collect();
    assert_eq!(other.refusal("meter.lease", &json!({"meter": "m", "wait_s": 0})), "leased");
    assert_eq!(waiting[2].refusal("meter.lease", &json!({"meter": "m"})), "overloaded");
    // One of them is gone: nobody waits for it.
    drop(waiting.remove(1));
    one.call("meter.release", &json!({"lease": first}));
    let mut sinces = Vec::new();
    for (client, id) in waiting.iter_mut().zip([ids[0], ids[2], ids[3], ids[4]]) {
        let token = client.answer(id)["result"]["lease"].clone();
        sinces.push(holder(&mut other)["since"].as_str().unwrap().to_owned());
        client.call("meter.read", &json!({"meter": "m", "lease": token}));
        client.call("meter.release", &json!({"lease": token}));
    }
    assert!(sinces.windows(2).all(|pair| pair[0] < pair[1]), "{sinces:?}");
}

/// Two lines of Python would do as well: a client that is not ours, as a process of its own.
struct Other {
    child: Child,
    answers: BufReader<std::process::ChildStdout>,
}

impl Other {
    fn new(daemon: &Daemon) -> Self {
        let mut socat = Command::new("socat");
        socat.arg("-").arg(format!("UNIX-CONNECT:{}", daemon.socket().display()));
        let mut child = socat.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let answers = BufReader::new(child.stdout.take().unwrap());
        Self { child, answers }
    }

    fn call(&mut self, method: &str, params: &Value) -> Value {
        let line = json!({"jsonrpc": "2.0", "id": 1, "method": method, "params": params}).to_string() + "\n";
        self.child.stdin.as_mut().unwrap().write_all(line.as_bytes()).unwrap();
        let mut answer = String::new();
        self.answers.read_line(&mut answer).unwrap();
        serde_json::from_str::<Value>(&answer).unwrap()["result"].take()
    }

    fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), signal).unwrap();
    }
}

impl Drop for Other {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}

#[test]
fn a_holder_that_is_killed_frees_the_meter_at_once_and_one_that_is_stopped_when_its_time_is_over() {
    let (daemon, mut one, _other) = two();
    let holding = Other::new(&daemon);
    let mut holding = holding;
    assert!(holding.call("meter.lease", &json!({"meter": "m", "ttl_s": 3600}))["lease"].is_string());
    let waits = one.ask("meter.read", &json!({"meter": "m", "wait_s": 60}));
    wait_for_waiting(&mut one, 1);
    let start = Instant::now();
    holding.signal(Signal::SIGKILL);
    assert!(one.answer(waits)["result"]["sequence"].is_u64());
    assert!(start.elapsed() < Duration::from_secs(5), "it took {:?}", start.elapsed());
    assert!(!one.events("m").contains(&"lease_lost".to_owned()));

    let mut holding = Other::new(&daemon);
    assert!(holding.call("meter.lease", &json!({"meter": "m", "ttl_s": 1.2}))["lease"].is_string());
    holding.signal(Signal::SIGSTOP);
    let start = Instant::now();
    assert!(one.call("meter.read", &json!({"meter": "m", "wait_s": 60}))["sequence"].is_u64());
    assert!(start.elapsed() > Duration::from_millis(500), "it took {:?}", start.elapsed());
    wait_until("the loss is in the log", || one.events("m").contains(&"lease_lost".to_owned()));
}

#[test]
fn who_watches_sees_every_reading_and_a_logger_pauses_and_goes_on() {
    let (daemon, mut one, mut other) = two();
    let mut logger = daemon.client();
    other.call("meter.observe", &json!({"meter": "m"}));
    logger.call("meter.observe", &json!({"meter": "m", "interval_s": 0}));
    other.notice("reading");
    let token = lease(&mut one, &json!({}));
    // Under the lease nobody but its holder causes readings.
    let mut own = Vec::new();
    for _ in 0..5 {
        let reading = one.call("meter.read", &json!({"meter": "m", "lease": token, "integration_s": 0.03}));
        own.push(reading["sequence"].as_u64().unwrap());
    }
    assert!(own.windows(2).all(|pair| pair[0] + 1 == pair[1]), "others caused readings: {own:?}");
    one.call("meter.release", &json!({"lease": token}));
    let last = own[4] + 3;
    let mut seen = Vec::new();
    while seen.last().is_none_or(|sequence| *sequence < last) {
        seen.push(other.notice("reading")["reading"]["sequence"].as_u64().unwrap());
    }
    assert!(seen.windows(2).all(|pair| pair[0] + 1 == pair[1]), "{seen:?}");
    assert!(own.iter().all(|sequence| seen.contains(sequence)), "{own:?} of {seen:?}");
}

#[test]
fn a_request_that_waits_when_its_lease_ends_is_refused_and_never_served() {
    let (_daemon, mut one, mut other) = two();
    let token = lease(&mut one, &json!({}));
    // An exposure is going on, one of unlike settings waits behind it, and then the lease is given back.
    let exposes = one.ask("meter.read", &json!({"meter": "m", "lease": token, "integration_s": 1.5}));
    one.wait_for_state("m", "reading");
    let waits = one.ask("meter.read", &json!({"meter": "m", "lease": token, "integration_s": 0.5}));
    wait_for_waiting(&mut other, 1);
    other.call("meter.release", &json!({"lease": token}));
    assert_eq!(one.answer(waits)["error"]["data"]["kind"], "lease_lost");
    assert_eq!(one.answer(exposes)["error"]["data"]["kind"], "lease_lost");
    other.call("meter.read", &json!({"meter": "m", "integration_s": 0.02}));
    let integrations: Vec<Value> =
        other.logged().iter().map(|reading| reading["integration_s"].clone()).collect();
    // What had begun is in the log; what waited was never exposed.
    assert_eq!(integrations, [json!(1.5), json!(0.02)]);
}

#[test]
fn a_lease_waits_for_what_came_before_it_and_interrupts_what_came_after() {
    let (daemon, mut one, mut other) = two();
    let mut third = daemon.client();
    let criteria = json!({"hold_s": 1, "min_wait_s": 1.5, "luminance": 0.2, "chromaticity": 0.02});
    let before = other.ask("meter.settle", &json!({"meter": "m", "criteria": criteria}));
    wait_until("it settles", || other.exposures("m") > 0);
    let refused = one.ask("meter.lease", &json!({"meter": "m", "wait_s": 0.2}));
    let error = one.answer(refused)["error"].clone();
    assert_eq!(error["data"]["kind"], "leased", "{error}");
    assert!(error["message"].as_str().unwrap().contains("a settling of process"), "{error}");
    let asked = one.ask("meter.lease", &json!({"meter": "m"}));
    one.call("meters.list", &json!({}));
    let after = third.ask(
        "meter.settle",
        &json!({"meter": "m", "progress": true, "criteria": {"hold_s": 2, "min_wait_s": 1.5, "luminance": 0.2, "chromaticity": 0.02}}),
    );
    assert_eq!(other.answer(before)["result"]["verdict"], "settled");
    let token = one.answer(asked)["result"]["lease"].clone();
    // The light is the holder's to change: none of what it causes is evidence for who waits.
    one.call("stage.show", &json!({"lease": token, "stimulus": {"colour": [300, 300, 300]}}));
    loop {
        let progress = third.notice("settle.progress");
        if progress["waiting"]["data"]["kind"] == "leased" {
            break;
        }
    }
    let own: Vec<Value> = (0..3)
        .map(|_| one.call("meter.read", &json!({"meter": "m", "lease": token}))["sequence"].clone())
        .collect();
    one.call("meter.release", &json!({"lease": token}));
    let settled = third.answer(after)["result"].clone();
    assert_eq!(settled["verdict"], "settled", "{settled}");
    let (first, last) = (&settled["readings"]["first"], &settled["readings"]["last"]);
    let spanned = last.as_u64().unwrap() - first.as_u64().unwrap() + 1;
    assert!(
        settled["readings"]["count"].as_u64().unwrap() <= spanned - own.len() as u64,
        "{settled} {own:?}"
    );
}

#[test]
fn a_request_for_a_lease_that_is_taken_back_leaves_none_behind() {
    let (_daemon, mut one, mut other) = two();
    let token = lease(&mut one, &json!({}));
    let waits = other.ask("meter.lease", &json!({"meter": "m"}));
    other.call("request.cancel", &json!({"id": waits}));
    assert_eq!(other.answer(waits)["error"]["data"]["kind"], "cancelled");
    one.call("meter.release", &json!({"lease": token}));
    assert!(holder(&mut one).is_null());
    // A request that nobody could be told of gets none.
    one.send(br#"{"jsonrpc":"2.0","method":"meter.lease","params":{"meter":"m"}}"#);
    one.call("meter.read", &json!({"meter": "m"}));
    assert!(holder(&mut one).is_null());
    // Whoever comes and goes keeps nothing.
    lease(&mut one, &json!({}));
    drop(one);
    wait_for_holder(&mut other, false);
}

#[test]
fn a_renewal_is_answered_at_once_while_the_meter_exposes() {
    let (_daemon, mut one, mut other) = two();
    let token = lease(&mut one, &json!({"ttl_s": 60}));
    let exposes = one.ask("meter.read", &json!({"meter": "m", "lease": token, "integration_s": 3}));
    one.wait_for_state("m", "reading");
    let renewed = other.call("meter.renew", &json!({"lease": token}));
    assert_eq!(renewed["ttl_s"], 60.0);
    assert_eq!(one.call("meters.list", &json!({}))["meters"][0]["state"], "reading");
    assert_eq!(
        one.call("meters.list", &json!({}))["meters"][0]["lease"]["expires_at"],
        renewed["expires_at"]
    );
    assert_eq!(one.answer(exposes)["result"]["integration_s"], 3.0);
}

#[test]
fn what_a_lease_may_be_is_said_by_the_member_that_is_wrong() {
    let (_daemon, mut one, _other) = two();
    for (method, member, params) in [
        ("meter.lease", "ttl_s", json!({"meter": "m", "ttl_s": 0.5})),
        ("meter.lease", "ttl_s", json!({"meter": "m", "ttl_s": 3601})),
        ("meter.lease", "wait_s", json!({"meter": "m", "wait_s": -1})),
        ("meter.lease", "wait_s", json!({"meter": "m", "wait_s": 86401})),
        ("meter.renew", "ttl_s", json!({"lease": "x", "ttl_s": 0})),
        ("meter.read", "wait_s", json!({"meter": "m", "wait_s": 1e9})),
        ("meter.settle", "wait_s", json!({"meter": "m", "wait_s": -0.1})),
        ("meter.zero", "wait_s", json!({"meter": "m", "covered": true, "wait_s": -0.1})),
    ] {
        let id = one.ask(method, &params);
        let error = one.answer(id)["error"].clone();
        assert_eq!(error["data"]["kind"], "invalid_params", "{method} {params}: {error}");
        assert!(error["message"].as_str().unwrap().contains(&format!("params.{member}")), "{error}");
    }
    let text = "x".repeat(201);
    assert_eq!(one.refusal("meter.lease", &json!({"meter": "m", "purpose": text})), "invalid_params");
    assert_eq!(one.refusal("meter.lease", &json!({"meter": "nope"})), "no_such_meter");
}
