//! The faults, each put into the first reading of a session. The second is as it was.

use std::time::Duration;

use super::super::random::Random;
use super::super::words;
use super::{LATE, Session};
use crate::fault::FaultKind;
use crate::recording::line::Failed;
use crate::replay::exchanges::{End, Exchange, Exchanges, Piece};

/// Bytes of noise.
const NOISE: usize = 10_000;

/// An instrument that never stops talking says so much at once, so many times: more than is ever drained.
const FLOOD: (usize, usize) = (32 * 1024, 64);

/// Bytes of an answer at which something goes wrong: more than a line of numbers has. A spectrum has thousands.
const MOST_PLACES: usize = 250;

/// What the first reading must come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum First {
    /// The value that it had.
    Value,
    /// That value or a fault: never another value.
    NoOther,
    /// That value, or `Gone`.
    Gone,
    /// A fault.
    Fault,
    /// Whatever it is, it ends in time.
    Ends,
    /// It is dropped after so long.
    Dropped(Duration),
}

/// A session with a fault in it.
#[derive(Debug)]
pub(super) struct Case {
    /// The fault, in words.
    pub(super) what: String,
    pub(super) exchanges: Exchanges,
    pub(super) first: First,
    /// Whether the times of the answers count.
    pub(super) timed: bool,
    /// Whether the line can be brought back to order at all.
    pub(super) recovers: bool,
}

/// The cases of a kind of fault.
type Cases = fn(&Session) -> Vec<Case>;

/// Each kind of fault: the clause, and its cases.
pub(super) const FAULTS: [(&str, Cases); 8] = [
    ("however an answer is split, its value is the same", split),
    ("an answer that breaks off anywhere gives no value, and the next reading is good", broken_off),
    ("an instrument that is unplugged within an answer is gone, and good when it is back", unplugged),
    ("an answer that comes twice is not taken for the next", doubled),
    ("an answer to an exposure that was dropped is not taken for the next", late),
    ("an answer with a wrong bit in it ends in time, and the next reading is good", flipped),
    ("10,000 bytes of noise give no value, and the next reading is good", noise),
    ("an instrument that never stops talking keeps nobody", flood),
];

/// For each exchange of the first reading that was answered: its place, its request, and its whole answer.
fn answered(session: &Session) -> Vec<(usize, String, Vec<u8>)> {
    let all = session.exchanges.all.iter().enumerate();
    let first = all.skip(session.first.start).take(session.first.len());
    first
        .filter(|(_, exchange)| !exchange.answer.is_empty())
        .map(|(place, exchange)| {
            let bytes = exchange.answer.iter().flat_map(|piece| piece.bytes.clone()).collect();
            (place, String::from_utf8_lossy(&exchange.request).trim_end().to_owned(), bytes)
        })
        .collect()
}

fn at_once(bytes: &[u8]) -> Piece {
    Piece { after_s: 0.0, bytes: bytes.to_vec() }
}

/// The session with another answer at `place`.
fn with(session: &Session, place: usize, answer: Vec<Piece>) -> Exchanges {
    let mut exchanges = session.exchanges.clone();
    if let Some(exchange) = exchanges.all.get_mut(place) {
        exchange.answer = answer;
    }
    exchanges
}

fn case(what: String, exchanges: Exchanges, first: First) -> Case {
    Case { what, exchanges, first, timed: false, recovers: true }
}

/// A case for each byte of each answer, or, in a long answer, for bytes all over it.
fn each_byte(session: &Session, make: impl Fn(usize, &str, &[u8], usize) -> Case) -> Vec<Case> {
    let answers = answered(session);
    let places = answers.iter().flat_map(|(place, request, bytes)| {
        let count = bytes.len().min(MOST_PLACES);
        (0..count).map(move |nth| (*place, request, bytes, nth * bytes.len() / count))
    });
    places.map(|(place, request, bytes, byte)| make(place, request, bytes, byte)).collect()
}

fn split(session: &Session) -> Vec<Case> {
    let mut cases = each_byte(session, |place, request, bytes, byte| {
        let (one, other) = bytes.split_at(byte);
        let answer = [one, other].into_iter().filter(|part| !part.is_empty()).map(at_once).collect();
        let what = format!("the answer to {request:?} split after {byte} bytes");
        case(what, with(session, place, answer), First::Value)
    });
    for (place, request, bytes) in answered(session) {
        let answer = bytes.chunks(1).map(at_once).collect();
        let what = format!("the answer to {request:?} byte by byte");
        cases.push(case(what, with(session, place, answer), First::Value));
    }
    cases
}

fn broken_off(session: &Session) -> Vec<Case> {
    each_byte(session, |place, request, bytes, byte| {
        let answer = bytes.get(..byte).filter(|part| !part.is_empty()).map(at_once);
        let what = format!("the answer to {request:?} broken off after {byte} bytes");
        case(what, with(session, place, answer.into_iter().collect()), First::NoOther)
    })
}

fn unplugged(session: &Session) -> Vec<Case> {
    each_byte(session, |place, request, bytes, byte| {
        let answer = bytes.get(..byte).filter(|part| !part.is_empty()).map(at_once);
        let mut exchanges = with(session, place, answer.into_iter().collect());
        if let Some(Exchange { end, .. }) = exchanges.all.get_mut(place) {
            let failed = Failed { kind: FaultKind::Gone, detail: "unplugged".to_owned() };
            *end = Some(End { after_s: 0.0, failed, away_s: Some(0.0) });
        }
        case(format!("unplugged {byte} bytes into the answer to {request:?}"), exchanges, First::Gone)
    })
}

fn doubled(session: &Session) -> Vec<Case> {
    let answers = answered(session).into_iter();
    answers
        .map(|(place, request, bytes)| {
            let answer = vec![at_once(&bytes), at_once(&bytes)];
            case(format!("the answer to {request:?} twice"), with(session, place, answer), First::NoOther)
        })
        .collect()
}

/// The first reading is dropped while its answer is on the way.
fn late(session: &Session) -> Vec<Case> {
    let answers = answered(session).into_iter();
    answers
        .map(|(place, request, bytes)| {
            let answer = vec![Piece { after_s: LATE.as_secs_f64(), bytes }];
            let what = format!("the answer to {request:?} after {}, dropped halfway", words::time(LATE));
            let mut exchanges = with(session, place, answer);
            let others = exchanges.all.iter_mut().enumerate().filter(|(index, _)| *index != place);
            others.flat_map(|(_, exchange)| &mut exchange.answer).for_each(|piece| piece.after_s = 0.0);
            Case { timed: true, ..case(what, exchanges, First::Dropped(LATE / 2)) }
        })
        .collect()
}

fn flipped(session: &Session) -> Vec<Case> {
    let mut cases = Vec::new();
    for bit in 0..8_u8 {
        cases.extend(each_byte(session, |place, request, bytes, byte| {
            let mut flipped = bytes.to_vec();
            flipped.iter_mut().skip(byte).take(1).for_each(|byte| *byte ^= 1 << bit);
            let what = format!("bit {bit} of byte {byte} of the answer to {request:?} flipped");
            case(what, with(session, place, vec![at_once(&flipped)]), First::Ends)
        }));
    }
    cases
}

fn noise(session: &Session) -> Vec<Case> {
    let mut random = Random::new();
    let noise: Vec<u8> = (0..NOISE).map(|_| random.number().to_le_bytes()[3]).collect();
    let answers = answered(session).into_iter();
    answers
        .map(|(place, request, _)| {
            let what = format!("noise for an answer to {request:?}");
            case(what, with(session, place, vec![at_once(&noise)]), First::Fault)
        })
        .collect()
}

fn flood(session: &Session) -> Vec<Case> {
    let chunk = vec![b'x'; FLOOD.0];
    let answers = answered(session).into_iter();
    answers
        .map(|(place, request, _)| {
            let answer = vec![at_once(&chunk); FLOOD.1];
            let what = format!("an endless answer to {request:?}");
            Case { recovers: false, ..case(what, with(session, place, answer), First::Fault) }
        })
        .collect()
}
