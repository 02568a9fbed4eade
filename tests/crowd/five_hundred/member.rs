//! One of a crowd: it does one thing after another, a connection each, as the dice fall.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::time::{Instant, sleep_until};

use super::wire::{TurnedAway, Wire};
use super::{Place, misdeed};
use crate::book::Right;
use crate::noise::Dice;

/// Integration times that many ask for.
const POPULAR: &[f64] = &[0.05, 0.06];

/// The integration time that is asked for of the other meters.
pub(crate) const QUICK: f64 = 0.02;

/// How long one thing is done, in s.
const SPANS_S: (f64, f64) = (0.1, 3.0);

/// Does one thing after another until the crowd disperses.
pub(crate) async fn run(place: Place, mut dice: Dice) {
    while Instant::now() < place.until {
        let span_s = dice.uniform(SPANS_S.0, SPANS_S.1);
        let until = place.until.min(Instant::now() + Duration::from_secs_f64(span_s));
        if act(&place, &mut dice, until).await.is_err() {
            sleep_until(until).await;
        }
    }
}

async fn act(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    match dice.below(100) {
        0..16 => read(place, dice, until).await,
        16..27 => watch(place, dice, until).await,
        27..32 => lease(place, dice, until).await,
        32..40 => settle(place, dice, until).await,
        40..48 => take_back(place, dice, until).await,
        48..56 => misdeed::read_slowly(place, dice, until).await,
        56..64 => misdeed::be_dead(place, dice, until).await,
        64..70 => misdeed::write_half(place, dice, until).await,
        70..76 => misdeed::trickle(place, dice, until).await,
        76..82 => misdeed::flood(place, until).await,
        82..88 => misdeed::babble(place, dice, until).await,
        88..92 => misdeed::batch(place, dice).await,
        _ => misdeed::vanish(place, dice, until).await,
    }
}

/// A meter: mostly the one that everybody wants.
fn meter(dice: &mut Dice) -> &'static str {
    ["m", "m", "m", "m", "m", "m", "m", "quick", "quick", "spare"][dice.below(10)]
}

/// Params of some reading or other.
pub(crate) fn reading(dice: &mut Dice) -> Value {
    let mut params = json!({"meter": meter(dice)});
    if params["meter"] != "m" {
        params["integration_s"] = json!(QUICK);
    } else if dice.chance(0.7) {
        params["integration_s"] = json!(POPULAR[dice.below(POPULAR.len())]);
    }
    if dice.chance(0.2) {
        params["max_age_s"] = json!(dice.uniform(0.0, 0.5));
    }
    params
}

/// Params of some subscription or other.
pub(crate) fn subscription(dice: &mut Dice) -> Value {
    let mut params = json!({"meter": meter(dice)});
    if dice.chance(0.2) {
        params["every_s"] = json!(dice.uniform(0.1, 2.0));
    }
    if params["meter"] == "quick" && dice.chance(0.2) {
        params["interval_s"] = json!(QUICK);
        params["integration_s"] = json!(QUICK);
    } else if params["meter"] == "m" && dice.chance(0.4) {
        params["interval_s"] = json!(dice.uniform(0.0, 1.0));
        params["integration_s"] = json!(POPULAR[dice.below(POPULAR.len())]);
    }
    params
}

/// One reading after another.
async fn read(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "reading").await;
    while Instant::now() < until {
        let id = wire.ask("meter.read", reading(dice)).await?;
        wire.answer(id).await?;
    }
    wire.settle_up().await
}

/// Follows a meter, or several times the same; sometimes from some way back.
async fn watch(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "watching").await;
    for _ in 0..=dice.below(3) {
        let mut params = subscription(dice);
        if dice.chance(0.3) {
            let page = wire.ask("log.readings", json!({"limit": 1 + dice.below(50)})).await?;
            let page = wire.answer(page).await?;
            let last = page["result"]["readings"].as_array().and_then(|readings| readings.last());
            params["after"] = last.map_or(json!(0), |reading| reading["sequence"].clone());
        }
        wire.ask("meter.observe", params).await?;
    }
    wire.read_until(until).await?;
    wire.settle_up().await
}

/// Has a meter for itself for a while: gives it back, keeps it for too long, or forgets that it has it.
async fn lease(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "leasing").await;
    while Instant::now() < until {
        let terms = json!({"meter": "spare", "ttl_s": 1, "wait_s": dice.uniform(0.0, 1.0)});
        let id = wire.ask("meter.lease", terms).await?;
        let lease = wire.answer(id).await?["result"]["lease"].take();
        if lease.is_null() {
            continue;
        }
        let params = json!({"meter": "spare", "lease": lease, "integration_s": QUICK});
        let lost = Right::ResultOr(&["lease_lost"]);
        for _ in 0..dice.below(3) {
            let id = wire.ask_for("meter.read", params.clone(), lost).await?;
            wire.answer(id).await?;
        }
        if dice.chance(0.3) {
            let id = wire.ask_for("meter.renew", json!({"lease": lease}), lost).await?;
            wire.answer(id).await?;
        }
        if dice.chance(0.1) {
            // Whoever comes late with it is refused, and never served.
            wire.read_until(Instant::now() + Duration::from_millis(1100)).await?;
        } else {
            let id = wire.ask_for("meter.release", json!({"lease": lease}), lost).await?;
            wire.answer(id).await?;
        }
        let gone = Right::Error(&["lease_lost"]);
        for (method, params) in [("meter.read", params), ("meter.renew", json!({"lease": lease}))] {
            let id = wire.ask_for(method, params, gone).await?;
            wire.answer(id).await?;
        }
        if dice.chance(0.1) {
            let id = wire.ask("meter.lease", json!({"meter": "spare", "ttl_s": 1, "wait_s": 0.5})).await?;
            wire.answer(id).await?;
            return Ok(());
        }
    }
    Ok(())
}

/// Waits for settled readings by criteria that are soon met.
async fn settle(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "settling").await;
    let criteria = json!({"luminance": 0.2, "chromaticity": 0.02, "hold_s": 1});
    let mut params = json!({"meter": "m", "criteria": criteria, "progress": dice.chance(0.5)});
    if dice.chance(0.7) {
        params["integration_s"] = json!(POPULAR[dice.below(POPULAR.len())]);
    }
    wire.ask("meter.settle", params).await?;
    wire.read_until(until).await?;
    wire.settle_up().await
}

/// Asks, and takes back some of what it asked for.
async fn take_back(place: &Place, dice: &mut Dice, until: Instant) -> Result<(), TurnedAway> {
    let mut wire = Wire::connect(place, "taking back").await;
    while Instant::now() < until {
        let mut ids = Vec::new();
        for _ in 0..=dice.below(5) {
            ids.push(wire.ask("meter.read", reading(dice)).await?);
        }
        ids.push(wire.ask("meter.settle", json!({"meter": "m", "integration_s": POPULAR[0]})).await?);
        if dice.chance(0.5) {
            wire.line().await?;
        }
        wire.take_back(ids[dice.below(ids.len())]).await?;
        let last = ids.len() - 1;
        wire.take_back(ids[last]).await?;
        while !wire.book.is_settled() {
            wire.line().await?;
        }
    }
    wire.settle_up().await
}
