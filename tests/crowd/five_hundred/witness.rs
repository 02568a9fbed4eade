//! Well-behaved clients in the midst of a crowd: they are refused nothing, miss nothing and wait no longer than turns take.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::task::JoinSet;
use tokio::time::Instant;

use super::Place;
use super::member::QUICK;
use super::wire::Wire;
use crate::book::Right;

/// Lets the witnesses come.
pub(crate) fn spawn(clients: &mut JoinSet<()>, place: &impl Fn(String) -> Place) {
    clients.spawn(keep_measuring(place("the witness that keeps measuring".to_owned())));
    clients.spawn(watch(place("the witness that watches".to_owned()), "m"));
    clients.spawn(watch(place("the other that watches".to_owned()), "quick"));
    clients.spawn(watch(place("the third that watches".to_owned()), "spare"));
    clients.spawn(read(
        place("the witness that reads".to_owned()),
        json!({"meter": "m", "integration_s": 0.05}),
    ));
    clients
        .spawn(read(place("the other that reads".to_owned()), json!({"meter": "m", "integration_s": 0.055})));
    let patient = json!({"meter": "spare", "wait_s": 60, "integration_s": QUICK});
    clients.spawn(read(place("the witness that waits for leases to end".to_owned()), patient));
    clients.spawn(lease(place("the witness that leases".to_owned())));
    clients.spawn(settle(place("the witness that settles".to_owned())));
}

/// Wants a reading whenever the meter is free.
async fn keep_measuring(place: Place) {
    let mut wire = Wire::connect(&place, "").await;
    let params = json!({"meter": "m", "interval_s": 0, "integration_s": 0.05});
    wire.ask_for("meter.observe", params, Right::Result).await.unwrap();
    go_on(wire, &place).await;
}

/// Only watches, from the beginning of the log on.
async fn watch(place: Place, meter: &str) {
    let mut wire = Wire::connect(&place, "").await;
    wire.ask_for("meter.observe", json!({"meter": meter, "after": 0}), Right::Result).await.unwrap();
    go_on(wire, &place).await;
}

/// Whoever keeps up misses nothing.
async fn go_on(mut wire: Wire, place: &Place) {
    wire.read_until(place.until).await.unwrap();
    wire.settle_up().await.unwrap();
    assert_eq!(wire.book.missed(), 0, "{}", place.name);
}

/// One reading after another.
async fn read(place: Place, params: Value) {
    let mut wire = Wire::connect(&place, "").await;
    let mut longest = Duration::ZERO;
    let mut count = 0;
    while Instant::now() < place.until {
        let asked = Instant::now();
        let id = wire.ask_for("meter.read", params.clone(), Right::Result).await.unwrap();
        wire.answer(id).await.unwrap();
        longest = longest.max(asked.elapsed());
        count += 1;
    }
    eprintln!("{} got {count} readings, after {longest:.1?} at the longest", place.name);
}

/// Has a meter for itself, again and again: while it does, nobody else's exposure begins.
async fn lease(place: Place) {
    let mut wire = Wire::connect(&place, "").await;
    while Instant::now() < place.until {
        let terms = json!({"meter": "spare", "ttl_s": 30, "wait_s": 60});
        let id = wire.ask_for("meter.lease", terms, Right::Result).await.unwrap();
        let lease = wire.answer(id).await.unwrap()["result"]["lease"].take();
        for _ in 0..3 {
            let params = json!({"meter": "spare", "lease": lease, "integration_s": QUICK});
            let id = wire.ask_for("meter.read", params, Right::Result).await.unwrap();
            wire.answer(id).await.unwrap();
        }
        let id = wire.ask_for("meter.release", json!({"lease": lease}), Right::Result).await.unwrap();
        wire.answer(id).await.unwrap();
    }
}

/// One settled reading after another.
async fn settle(place: Place) {
    let mut wire = Wire::connect(&place, "").await;
    while Instant::now() < place.until {
        let criteria = json!({"luminance": 0.2, "chromaticity": 0.02, "hold_s": 1});
        let params = json!({"meter": "m", "criteria": criteria, "progress": true});
        let id = wire.ask_for("meter.settle", params, Right::Result).await.unwrap();
        let answer = wire.answer(id).await.unwrap();
        assert_eq!(answer["result"]["verdict"], "settled", "{answer}");
    }
}
