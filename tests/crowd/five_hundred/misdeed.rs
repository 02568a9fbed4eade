//! What a bad client does. Each for a while, over a connection of its own; whatever is answered is held against what was asked for.

use std::time::Duration;

use serde_json::json;
use tokio::time::{Instant, sleep, sleep_until};

use super::Place;
use super::member::{reading, subscription};
use super::wire::{TurnedAway, USUAL, Wire};
use crate::book::Right;
use crate::noise::Dice;

/// Requests that a connection may have waiting, and calls that a batch may have.
const MOST: usize = 64;

/// Bytes that a line may have.
const LONGEST_LINE: usize = 1 << 20;

/// Lines that are no requests, an answer each.
const GARBAGE: &[&[u8]] = &[
    b"not json",
    b"{\"jsonrpc\":\"2.0\",\"id\":",
    b"\xff\xfe\x00\x80",
    b"[]",
    b"{}",
    b"7",
    b"{\"jsonrpc\":\"2.0\",\"id\":1.5,\"method\":\"hello\"}",
    b"[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[",
];

/// Follows several times over, and takes a line now and then.
pub(crate) async fn read_slowly(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "reading slowly").await;
    for _ in 0..=dice.below(6) {
        wire.ask("meter.observe", subscription(dice)).await?;
    }
    while Instant::now() < until {
        wire.line_by(until).await?;
        sleep(Duration::from_secs_f64(dice.uniform(0.05, 0.5))).await;
    }
    if dice.chance(0.5) { wire.settle_up().await } else { Ok(()) }
}

/// Connects, maybe asks for something, and is never heard of again.
pub(crate) async fn be_dead(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "dead").await;
    for _ in 0..dice.below(4) {
        wire.ask("meter.observe", subscription(dice)).await?;
        wire.ask("meter.read", reading(dice)).await?;
    }
    sleep_until(until).await;
    Ok(())
}

/// Stops in the middle of a request, and goes on or goes away.
pub(crate) async fn write_half(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "writing half").await;
    let (id, request) = wire.book.ask("meter.read", &reading(dice), USUAL);
    let line = format!("{request}\n").into_bytes();
    let (half, rest) = line.split_at(dice.below(line.len()));
    wire.send(half).await?;
    sleep_until(until).await;
    if dice.chance(0.5) {
        wire.send(rest).await?;
        wire.answer(id).await?;
    }
    Ok(())
}

/// Writes byte by byte.
pub(crate) async fn trickle(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "trickling").await;
    while Instant::now() < until {
        let (id, request) = wire.book.ask("meter.read", &reading(dice), USUAL);
        for byte in format!("{request}\n").into_bytes() {
            wire.send(&[byte]).await?;
            sleep(Duration::from_millis(1)).await;
        }
        wire.answer(id).await?;
    }
    Ok(())
}

/// Asks for more than it may, and for as many integration times.
pub(crate) async fn flood(place: &Place, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "flooding").await;
    while Instant::now() < until {
        for number in 0..MOST + 16 {
            let integration_s = 0.05 + 0.0002 * number as f64;
            wire.ask("meter.read", json!({"meter": "m", "integration_s": integration_s})).await?;
        }
        while !wire.book.is_settled() && wire.line_by(until).await?.is_some() {}
    }
    wire.settle_up().await
}

/// Talks nonsense, and asks for what there isn't; now and then a line that is far too long.
pub(crate) async fn babble(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "babbling").await;
    while Instant::now() < until {
        for _ in 0..=dice.below(20) {
            wire.book.garbage();
            wire.send(GARBAGE[dice.below(GARBAGE.len())]).await?;
            wire.send(b"\n").await?;
        }
        if dice.chance(0.02) {
            wire.book.garbage();
            let mut line = vec![b'x'; LONGEST_LINE + 2 + dice.below(LONGEST_LINE)];
            line.push(b'\n');
            wire.send(&line).await?;
        }
        wire.ask_for("meter.read", json!({"meter": "none"}), Right::Error(&["no_such_meter"])).await?;
        wire.ask_for(
            "meter.read",
            json!({"meter": "m", "integration_s": 77}),
            Right::Error(&["unsupported"]),
        )
        .await?;
        wire.ask_for(
            "meter.zero",
            json!({"meter": "m", "covered": true}),
            Right::Error(&["unsupported", "overloaded"]),
        )
        .await?;
        wire.ask_for("subscription.cancel", json!({"subscription": "s9"}), Right::Error(&["invalid_params"]))
            .await?;
        wire.ask_for(
            "meter.observe",
            json!({"meter": "m", "after": 1e15}),
            Right::Error(&["invalid_params"]),
        )
        .await?;
        let id = wire.ask("meter.read", reading(dice)).await?;
        wire.answer(id).await?;
        while !wire.book.is_settled() {
            wire.line().await?;
        }
    }
    wire.settle_up().await
}

/// As many calls in a line as there may be, and one too many.
pub(crate) async fn batch(place: &Place, dice: &mut Dice) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "batching").await;
    let count = if dice.chance(0.2) { MOST + 1 } else { MOST };
    let mut calls = Vec::new();
    if count > MOST {
        wire.book.garbage();
        calls.extend((0..count).map(|id| json!({"jsonrpc": "2.0", "id": id, "method": "hello"})));
    } else {
        let mut ids = Vec::new();
        for number in 0..count {
            let (method, params) = match number % 8 {
                0 => ("log.readings", json!({"limit": 1 + dice.below(100)})),
                1 => ("hello", json!({})),
                2 => ("daemon.status", json!({})),
                _ => ("meter.read", reading(dice)),
            };
            let (id, call) = wire.book.ask(method, &params, USUAL);
            ids.push(id);
            calls.push(call);
        }
        wire.book.batch(ids);
    }
    wire.send(format!("{}\n", json!(calls)).as_bytes()).await?;
    while !wire.book.is_settled() {
        wire.line().await?;
    }
    Ok(())
}

/// Comes and goes: in mid-request, with answers unread, or while it still listens.
pub(crate) async fn vanish(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    while Instant::now() < until {
        let mut wire = Wire::connect(place, "vanishing").await;
        for _ in 0..=dice.below(8) {
            match dice.below(3) {
                0 => wire.ask("meter.observe", subscription(dice)).await?,
                1 => wire.ask("meter.settle", json!({"meter": "m", "progress": true})).await?,
                _ => wire.ask("meter.read", reading(dice)).await?,
            };
        }
        match dice.below(3) {
            // With what has come unread: the daemon finds its connection reset.
            0 => sleep(Duration::from_secs_f64(dice.uniform(0.0, 0.3))).await,
            1 => {
                wire.line().await?;
                wire.send(b"{\"jsonrpc\":\"2.0\",\"id\":1,\"met").await?;
            }
            _ => {
                wire.finish_speaking().await;
                while !wire.book.is_settled() && wire.line_by(until).await?.is_some() {}
            }
        }
        drop(wire);
        sleep(Duration::from_secs_f64(dice.uniform(0.0, 0.2))).await;
    }
    Ok(())
}
