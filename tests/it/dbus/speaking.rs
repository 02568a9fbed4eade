//! A program that speaks to the bus itself: what it hears, and how much it may ask for.

use std::collections::HashMap;
use std::future::poll_fn;
use std::pin::Pin;
use std::time::{Duration, Instant};

use serde_json::json;
use zbus::connection::Builder;
use zbus::export::futures_core::Stream;
use zbus::message::{Flags, Message};
use zbus::{Connection, MatchRule, MessageStream, OwnedVariant, Variant};

use super::{CONFIG, M};
use crate::cancelling::is_idle;
use crate::support::bus::{Bus, NAME};
use crate::support::daemon::{PATIENCE, wait_until};

const METER: &str = "io.github.settled1.Meter";

type Members = HashMap<String, OwnedVariant>;

async fn connect(bus: &Bus) -> Connection {
    Builder::address(bus.address().as_str()).build().await.unwrap()
}

/// What the meter `m` tells that has changed.
async fn changes(connection: &Connection) -> MessageStream {
    let rule = MatchRule::builder().interface("org.freedesktop.DBus.Properties").path(M).build().unwrap();
    MessageStream::for_match_rule(rule, connection, None).await.unwrap()
}

/// The next change; nothing if none comes for so long.
async fn next(stream: &mut MessageStream, within: Duration) -> Option<Members> {
    let next = poll_fn(|context| Pin::new(&mut *stream).poll_next(context));
    let message = tokio::time::timeout(within, next).await.ok()?.expect("the bus is there").unwrap();
    let (interface, changed, invalidated): (String, Members, Vec<String>) =
        message.body().deserialize().unwrap();
    assert!(interface == METER && invalidated.is_empty() && !changed.is_empty());
    Some(changed)
}

/// The sequence of the reading that a change tells.
fn sequence(changed: &Members) -> Option<u64> {
    let Variant::Dict(reading) = &**changed.get("Reading")? else { panic!("{changed:?}") };
    reading.get(&"sequence").unwrap()
}

async fn call(connection: &Connection, method: &str, options: &[(&str, f64)]) -> zbus::Result<Message> {
    let options: HashMap<&str, Variant<'_>> =
        options.iter().map(|(name, value)| (*name, Variant::from(*value))).collect();
    connection.call_method(Some(NAME), M, Some(METER), method, &options).await
}

#[tokio::test]
async fn changes_are_told_at_a_bounded_pace_the_last_always_and_none_while_nothing_happens() {
    let bus = Bus::start();
    let daemon = bus.daemon(CONFIG);
    let connection = connect(&bus).await;
    let mut changes = changes(&connection).await;
    let mut client = daemon.client();
    client.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(sequence(&next(&mut changes, PATIENCE).await.unwrap()), Some(1));
    assert!(next(&mut changes, Duration::from_millis(500)).await.is_none(), "nothing happens");

    let begin = Instant::now();
    let last = (0..60).map(|_| client.call("meter.read", &json!({"meter": "m", "integration_s": 0.02})));
    let last = last.last().unwrap()["sequence"].as_u64().unwrap();
    let mut told = 0;
    while let Some(changed) = next(&mut changes, PATIENCE).await {
        told += 1;
        if sequence(&changed) == Some(last) {
            break;
        }
    }
    let most = begin.elapsed().as_secs_f64() / 0.2 + 2.0;
    assert!(f64::from(told) <= most && told < 30, "{told} signals of 60 readings, {most} at most");
    assert!(next(&mut changes, Duration::from_millis(500)).await.is_none(), "the last has been told");
    assert_eq!(client.exposures("m"), 61, "nobody who listens costs an exposure");
}

#[tokio::test]
async fn one_caller_may_have_so_many_calls_waiting_and_none_that_wants_no_answer() {
    let bus = Bus::start();
    let daemon = bus.daemon(CONFIG);
    let mut client = daemon.client();
    let (greedy, other) = (connect(&bus).await, connect(&bus).await);
    let silent = Message::method_call(M, "Read")
        .destination(NAME)
        .interface(METER)
        .with_flags(Flags::NO_REPLY_EXPECTED)
        .build(&Members::new())
        .unwrap();
    greedy.send(&silent).await.unwrap();
    let mut calls = tokio::task::JoinSet::new();
    for _ in 0..17 {
        let greedy = greedy.clone();
        calls.spawn(async move { call(&greedy, "Settle", &[("timeout_s", 600.0)]).await });
    }
    let refused = tokio::time::timeout(PATIENCE, calls.join_next()).await.unwrap().unwrap().unwrap();
    let Err(zbus::Error::MethodError(name, Some(message), _)) = refused else { panic!("{refused:?}") };
    assert_eq!(name.as_str(), "io.github.settled1.Error.Overloaded");
    assert_eq!(message, "a caller may have at most 16 calls waiting");
    assert!(call(&other, "Read", &[]).await.is_ok(), "others are served meanwhile");
    let before = client.exposures("m");
    wait_until("it measures", || client.exposures("m") > before + 3);
    calls.shutdown().await;
    greedy.close().await.unwrap();
    wait_until("the meter stands still", || is_idle(&daemon));
    let before = client.exposures("m");
    other.send(&silent).await.unwrap();
    assert!(call(&other, "Read", &[]).await.is_ok(), "what was asked for before has been seen");
    assert_eq!(client.exposures("m"), before + 1, "who wants no answer gets no exposure");
}
