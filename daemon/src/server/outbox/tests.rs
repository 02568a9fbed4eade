//! Outboxes with a real socket at their end, and clients that read at once, late or never.

use std::time::Duration;

use serde_json::Value;
use settled_protocol::reading::Reading;
use settled_protocol::spectrum::Spectrum;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;

use super::*;
use crate::meter_task::plain_reading;
use crate::server::LIMITS;

/// How long anything may take that has no limit of its own.
const SOON: Duration = Duration::from_secs(20);

fn reading(sequence: u64, spectrum: Option<Spectrum>) -> Arc<Logged> {
    let reading = Reading { sequence, spectrum, ..plain_reading() };
    Arc::new(Logged::new(reading).unwrap())
}

fn logged(sequence: u64) -> Arc<Logged> {
    reading(sequence, None)
}

/// Some 70 kB.
fn spectral(sequence: u64) -> Arc<Logged> {
    let values: Vec<f64> = (1..=4000).map(|index| f64::from(index) / 7e5).collect();
    reading(sequence, Some(Spectrum::new(380.0, 0.1, values).unwrap()))
}

/// An outbox, and the client's end.
fn outbox(limits: &Limits) -> (Outbox, UnixStream) {
    let (daemon, client) = UnixStream::pair().unwrap();
    (Outbox::new(Arc::new(Connection::new(daemon).unwrap()), limits), client)
}

/// Lines that don't fit the socket: from now on whatever comes waits.
fn fill(outbox: &Outbox) {
    while outbox.waiting().is_empty() {
        outbox.answer(vec!["0".repeat(100_000)]);
    }
}

/// What a client reads that comes back to its senses, up to the end: everything but what [`fill`] wrote.
async fn lines(outbox: Outbox, mut client: UnixStream) -> Vec<Value> {
    outbox.close();
    let writing = async {
        outbox.write().await;
        drop(outbox);
    };
    let mut bytes = Vec::new();
    let both = async { tokio::join!(writing, client.read_to_end(&mut bytes)).1.unwrap() };
    tokio::time::timeout(SOON, both).await.unwrap();
    let text = String::from_utf8(bytes).unwrap();
    assert!(text.ends_with('\n'));
    text.lines()
        .filter(|line| !line.starts_with("00"))
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// What a subscription's lines tell: from which sequence to which, and why if they were missed.
fn told(lines: &[Value], stream: &str) -> Vec<(u64, u64, Option<String>)> {
    let of = lines.iter().map(|line| &line["params"]).filter(|params| params["subscription"] == stream);
    let tell = |params: &Value| {
        let number = |value: &Value| value.as_u64().unwrap();
        match params.get("reading") {
            Some(reading) => (number(&reading["sequence"]), number(&reading["sequence"]), None),
            None => (
                number(&params["from"]),
                number(&params["to"]),
                Some(params["why"].as_str().unwrap().to_owned()),
            ),
        }
    };
    of.map(tell).collect()
}

#[tokio::test]
async fn where_nothing_waits_everything_is_written_on_the_spot() {
    let (outbox, mut client) = outbox(&LIMITS);
    let mut bytes = vec![0; 4096];
    // Nobody runs the outbox's own writer here.
    outbox.reading(&"s1".into(), &logged(7), false);
    outbox.answer(vec!["{".to_owned(), "}".to_owned()]);
    assert!(outbox.waiting().is_empty());
    let mut text = String::new();
    while text.matches('\n').count() < 2 {
        let count = client.read(&mut bytes).await.unwrap();
        text.push_str(std::str::from_utf8(&bytes[..count]).unwrap());
    }
    let (first, second) = text.split_once('\n').unwrap();
    let expected = format!(
        r#"{{"jsonrpc":"2.0","method":"reading","params":{{"subscription":"s1","reading":{}}}}}"#,
        logged(7).json(false).get()
    );
    assert_eq!((first, second), (expected.as_str(), "{}\n"));
}

#[tokio::test]
async fn a_slow_reader_is_told_what_it_missed_at_the_place_of_the_gap() {
    let (outbox, client) = outbox(&LIMITS);
    let (slow, other): (Stream, Stream) = ("s1".into(), "s2".into());
    fill(&outbox);
    outbox.reading(&other, &logged(1), false);
    let most = LIMITS.waiting_notifications as u64;
    for sequence in 1..=most + 12 {
        outbox.reading(&slow, &logged(sequence), false);
    }
    let lines = lines(outbox, client).await;
    assert_eq!(lines[0]["params"]["subscription"], "s2");
    assert_eq!(lines[1]["method"], "missed");
    assert_eq!(
        lines[1]["params"],
        serde_json::json!({"subscription": "s1", "count": 12, "from": 1, "to": 12, "why": "slow_reader"})
    );
    assert_eq!(lines[2]["params"]["reading"]["sequence"], 13);
    assert_eq!(lines.len() as u64, 2 + most);
}

#[tokio::test]
async fn a_line_that_the_socket_takes_half_is_finished_before_the_next() {
    let (outbox, client) = outbox(&LIMITS);
    let stream: Stream = "s1".into();
    for sequence in 1..=100 {
        outbox.reading(&stream, &spectral(sequence), true);
    }
    let lines = lines(outbox, client).await;
    let told = told(&lines, "s1");
    assert_eq!((told[0].0, told.last().unwrap().1), (1, 100));
    assert!(told.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0), "{told:?}");
}

#[tokio::test]
async fn what_could_not_be_read_is_told_at_its_place_and_gaps_alone_dont_pile_up() {
    let (outbox, client) = outbox(&LIMITS);
    let stream: Stream = "s1".into();
    fill(&outbox);
    outbox.reading(&stream, &logged(4), false);
    outbox.unread(&stream, 4, 4);
    for to in 10..1000 {
        outbox.unread(&stream, to - 5, to);
    }
    outbox.reading(&stream, &logged(1000), false);
    let lines = lines(outbox, client).await;
    assert_eq!(lines.len(), 3, "{lines:?}");
    let unavailable = Some("log_unavailable".to_owned());
    assert_eq!(told(&lines, "s1")[1], (6, 999, unavailable));
}

#[tokio::test]
async fn gaps_for_reasons_that_take_turns_dont_pile_up_either() {
    let (outbox, client) = outbox(&LIMITS);
    let stream: Stream = "s1".into();
    fill(&outbox);
    for sequence in (1..100_000).step_by(2) {
        outbox.reading(&stream, &logged(sequence), false);
        outbox.unread(&stream, sequence, sequence + 1);
    }
    let lines = lines(outbox, client).await;
    assert!(lines.len() < 1000, "{}", lines.len());
    let told = told(&lines, "s1");
    assert_eq!((told[0].0, told.last().unwrap().1), (1, 100_000));
    assert!(told.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0), "{told:?}");
}

#[tokio::test]
async fn answers_are_never_dropped() {
    let (outbox, client) = outbox(&LIMITS);
    let stream: Stream = "s1".into();
    fill(&outbox);
    for sequence in 0..1000 {
        outbox.answer(vec![sequence.to_string()]);
        outbox.reading(&stream, &logged(sequence), false);
    }
    let lines = lines(outbox, client).await;
    let answers: Vec<u64> = lines.iter().filter_map(Value::as_u64).collect();
    assert_eq!(answers, (0..1000).collect::<Vec<_>>());
}

#[tokio::test]
async fn however_large_its_readings_a_connection_holds_so_many_bytes_and_no_more() {
    let (outbox, client) = outbox(&LIMITS);
    let streams: Vec<Stream> = ["s1", "s2", "s3"].map(Stream::from).into();
    fill(&outbox);
    for sequence in 1..=200 {
        for stream in &streams {
            outbox.reading(stream, &spectral(sequence), true);
            assert!(outbox.waiting().notice_bytes() <= LIMITS.waiting_bytes);
        }
    }
    // Small ones of another subscription find their place, or are told to be gone.
    for sequence in 201..=300 {
        outbox.reading(&"s4".into(), &logged(sequence), false);
    }
    let lines = lines(outbox, client).await;
    for (stream, first, last) in [("s1", 1, 200), ("s2", 1, 200), ("s3", 1, 200), ("s4", 201, 300)] {
        let told = told(&lines, stream);
        assert_eq!((told[0].0, told.last().unwrap().1), (first, last), "{stream}");
        assert!(told.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0), "{stream}: {told:?}");
        assert!(told.iter().all(|(_, _, why)| why.as_ref().is_none_or(|why| why == "slow_reader")));
    }
}

#[tokio::test]
async fn what_is_forgotten_is_gone_and_leaves_room() {
    let (outbox, client) = outbox(&LIMITS);
    fill(&outbox);
    for round in 0..100 {
        let stream: Stream = format!("s{round}").into();
        for sequence in 1..=20 {
            outbox.reading(&stream, &spectral(sequence), true);
        }
        outbox.forget(&stream);
    }
    assert_eq!(outbox.waiting().notice_bytes(), 0);
    outbox.latest(&"p1".into(), r#"{"params":{"subscription":"p1","old":true}}"#);
    outbox.latest(&"p1".into(), r#"{"params":{"subscription":"p1"}}"#);
    assert_eq!(lines(outbox, client).await, [serde_json::json!({"params": {"subscription": "p1"}})]);
}

#[tokio::test]
async fn who_is_gone_costs_nothing_more() {
    let (outbox, client) = outbox(&LIMITS);
    drop(client);
    for sequence in 1..=1000 {
        outbox.reading(&"s1".into(), &logged(sequence), false);
    }
    assert!(outbox.waiting().is_empty() && outbox.waiting().is_over());
    tokio::time::timeout(SOON, outbox.write()).await.unwrap();
}

#[tokio::test]
async fn who_waits_for_room_goes_on_once_the_client_reads() {
    let (outbox, mut client) = outbox(&LIMITS);
    let (outbox, stream): (_, Stream) = (Arc::new(outbox), "s1".into());
    fill(&outbox);
    while outbox.waiting().takes(100_000) {
        outbox.reading(&stream, &spectral(1), true);
    }
    while outbox.waiting().answer_bytes() < FULL {
        outbox.answer(vec!["0".repeat(1000)]);
    }
    let large = spectral(2);
    let waiting = async { tokio::join!(outbox.room(), outbox.takes(&large, true), outbox.drained(&stream)) };
    let reading = async { tokio::io::copy(&mut client, &mut tokio::io::sink()).await.map(drop) };
    tokio::select! {
        _ = waiting => {}
        () = outbox.write() => panic!("nobody has closed it"),
        _ = reading => panic!("it is still open"),
        () = tokio::time::sleep(SOON) => panic!("waited in vain"),
    }
    assert!(!outbox.waiting().holds(&stream));
    client.shutdown().await.unwrap();
}
