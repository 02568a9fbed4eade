//! Malformed requests: each gets its own error, and the connection goes on.

use serde_json::{Value, json};

use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// A line, the kind of error it earns, and a word of its message.
type Case = (&'static str, &'static str, &'static str);

const FRAMES: &[Case] = &[
    ("not json", "parse_error", "not JSON"),
    ("{", "parse_error", "not JSON"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"hello""#, "parse_error", "not JSON"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"hello"}{}"#, "parse_error", "trailing"),
    (r#"{"jsonrpc":"2.0","id":NaN,"method":"hello"}"#, "parse_error", "not JSON"),
    (r#"{'jsonrpc':'2.0'}"#, "parse_error", "not JSON"),
    ("[1,2", "parse_error", "not JSON"),
    ("[]", "invalid_request", "at least one"),
    ("1", "invalid_request", "object"),
    ("\"hello\"", "invalid_request", "object"),
    ("null", "invalid_request", "object"),
    ("true", "invalid_request", "object"),
    ("{}", "invalid_request", "jsonrpc"),
    (r#"{"id":1,"method":"hello"}"#, "invalid_request", "jsonrpc"),
    (r#"{"jsonrpc":"1.0","id":1,"method":"hello"}"#, "invalid_request", "jsonrpc"),
    (r#"{"jsonrpc":2.0,"id":1,"method":"hello"}"#, "invalid_request", "jsonrpc"),
    (r#"{"jsonrpc":"2.0","id":1}"#, "invalid_request", "method is missing"),
    (r#"{"jsonrpc":"2.0","id":1,"method":7}"#, "invalid_request", "method"),
    (r#"{"jsonrpc":"2.0","id":1,"method":null}"#, "invalid_request", "method"),
    (r#"{"jsonrpc":"2.0","id":1.5,"method":"hello"}"#, "invalid_request", "id"),
    (r#"{"jsonrpc":"2.0","id":[1],"method":"hello"}"#, "invalid_request", "id"),
    (r#"{"jsonrpc":"2.0","id":{"a":1},"method":"hello"}"#, "invalid_request", "id"),
    (r#"{"jsonrpc":"2.0","id":true,"method":"hello"}"#, "invalid_request", "id"),
    (r#"{"jsonrpc":"2.0","id":99999999999999999999,"method":"hello"}"#, "invalid_request", "id"),
    (r#"{"jsonrpc":"2.0","id":1,"id":2,"method":"hello"}"#, "invalid_request", "duplicate"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"hello","params":5}"#, "invalid_request", "params"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"hello","params":"x"}"#, "invalid_request", "params"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"hello","params":null}"#, "invalid_request", "params"),
    (r#"{"jsonrpc":"2.0","id":1,"method":""}"#, "method_not_found", "no method"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"Hello"}"#, "method_not_found", "no method"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"meter.lend","params":{}}"#, "method_not_found", "no method"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"rpc.discover"}"#, "method_not_found", "no method"),
    (r#"{"jsonrpc":"2.0","id":1,"method":"reading","params":{}}"#, "method_not_found", "no method"),
];

/// A method, its params, the kind of error, and a word of the message.
type Call = (&'static str, &'static str, &'static str, &'static str);

const PARAMS: &[Call] = &[
    ("hello", "[]", "invalid_params", "names"),
    ("hello", r#"{"protocol":1}"#, "invalid_params", "params.protocol"),
    ("hello", r#"{"protocol":[2,3]}"#, "unsupported", "version 1"),
    ("hello", r#"{"client":7}"#, "invalid_params", "params.client"),
    ("hello", r#"{"client":"a\nb"}"#, "invalid_params", "control"),
    ("meter.read", "{}", "invalid_params", "meter"),
    ("meter.read", r#"["m"]"#, "invalid_params", "names"),
    ("meter.read", r#"{"meter":1}"#, "invalid_params", "params.meter"),
    ("meter.read", r#"{"meter":null}"#, "invalid_params", "params.meter"),
    ("meter.read", r#"{"meter":"x"}"#, "no_such_meter", "configured: m"),
    ("meter.read", r#"{"meter":""}"#, "no_such_meter", "configured: m"),
    ("meter.read", r#"{"meter":"m","integration_s":"fast"}"#, "invalid_params", "params.integration_s"),
    ("meter.read", r#"{"meter":"m","integration_s":0}"#, "invalid_params", "params.integration_s"),
    ("meter.read", r#"{"meter":"m","integration_s":-1}"#, "invalid_params", "params.integration_s"),
    ("meter.read", r#"{"meter":"m","integration_s":1e999}"#, "invalid_params", "params.integration_s"),
    ("meter.read", r#"{"meter":"m","integration_s":1e300}"#, "invalid_params", "params.integration_s"),
    ("meter.read", r#"{"meter":"m","integration_s":[1]}"#, "invalid_params", "params.integration_s"),
    ("meter.read", r#"{"meter":"m","max_age_s":"NaN"}"#, "invalid_params", "params.max_age_s"),
    ("meter.read", r#"{"meter":"m","max_age_s":-0.5}"#, "invalid_params", "params.max_age_s"),
    ("meter.settle", r#"{"meter":"x"}"#, "no_such_meter", "configured: m"),
    ("meter.settle", r#"{"meter":"m","progress":"yes"}"#, "invalid_params", "params.progress"),
    ("meter.settle", r#"{"meter":"m","criteria":5}"#, "invalid_params", "params.criteria"),
    ("meter.settle", r#"{"meter":"m","criteria":{"luminance":0}}"#, "invalid_params", "luminance must be"),
    ("meter.settle", r#"{"meter":"m","criteria":{"luminance":2}}"#, "invalid_params", "luminance must be"),
    (
        "meter.settle",
        r#"{"meter":"m","criteria":{"luminance_floor_cd_m2":-1}}"#,
        "invalid_params",
        "luminance_floor_cd_m2",
    ),
    (
        "meter.settle",
        r#"{"meter":"m","criteria":{"chromaticity":0}}"#,
        "invalid_params",
        "chromaticity must be",
    ),
    ("meter.settle", r#"{"meter":"m","criteria":{"chromaticity_knee_cd_m2":1e9}}"#, "invalid_params", "knee"),
    ("meter.settle", r#"{"meter":"m","criteria":{"hold_s":0}}"#, "invalid_params", "hold_s"),
    (
        "meter.settle",
        r#"{"meter":"m","criteria":{"hold_s":"60"}}"#,
        "invalid_params",
        "params.criteria.hold_s",
    ),
    ("meter.settle", r#"{"meter":"m","criteria":{"confidence":1}}"#, "invalid_params", "confidence"),
    ("meter.settle", r#"{"meter":"m","criteria":{"min_wait_s":-1}}"#, "invalid_params", "min_wait_s"),
    ("meter.settle", r#"{"meter":"m","criteria":{"max_wait_s":5}}"#, "invalid_params", "max_wait_s"),
    ("meter.observe", "{}", "invalid_params", "meter"),
    ("meter.observe", r#"{"meter":"x"}"#, "no_such_meter", "configured: m"),
    ("meter.observe", r#"{"meter":"m","interval_s":-1}"#, "invalid_params", "params.interval_s"),
    ("meter.observe", r#"{"meter":"m","interval_s":1e6}"#, "invalid_params", "params.interval_s"),
    ("meter.observe", r#"{"meter":"m","after":-1}"#, "invalid_params", "params.after"),
    ("meter.observe", r#"{"meter":"m","after":1.5}"#, "invalid_params", "params.after"),
    ("subscription.cancel", "{}", "invalid_params", "subscription"),
    ("subscription.cancel", r#"{"subscription":"s99"}"#, "invalid_params", "s99"),
    ("request.cancel", "{}", "invalid_params", "id"),
    ("request.cancel", r#"{"id":12345}"#, "invalid_params", "12345"),
    ("log.readings", r#"{"limit":0}"#, "invalid_params", "params.limit"),
    ("log.readings", r#"{"limit":1001}"#, "invalid_params", "params.limit"),
    ("log.readings", r#"{"limit":-1}"#, "invalid_params", "params.limit"),
    ("log.readings", r#"{"since":"yesterday"}"#, "invalid_params", "RFC 3339"),
    (
        "log.readings",
        r#"{"since":"2026-11-26T00:00:00Z","until":"2026-11-25T00:00:00Z"}"#,
        "invalid_params",
        "params.since",
    ),
    ("log.readings", r#"{"after":"x"}"#, "invalid_params", "params.after"),
    ("log.events", r#"{"until":5}"#, "invalid_params", "params.until"),
    ("log.events", r#"{"meter":["m"]}"#, "invalid_params", "params.meter"),
    ("stage.show", "{}", "invalid_params", "stimulus"),
    ("stage.show", r#"{"stimulus":{}}"#, "invalid_params", "colour"),
    ("stage.show", r#"{"stimulus":{"colour":[1,2]}}"#, "invalid_params", "colour"),
    ("stage.show", r#"{"stimulus":{"colour":[1,2,3,4]}}"#, "invalid_params", "colour"),
    ("stage.show", r#"{"stimulus":{"colour":[1,2,-3]}}"#, "invalid_params", "colour"),
    ("stage.show", r#"{"stimulus":{"colour":[1024,0,0]}}"#, "invalid_params", "0 to 1023"),
    ("stage.show", r#"{"stimulus":{"colour":[256,0,0],"bits":8}}"#, "invalid_params", "0 to 255"),
    ("stage.show", r#"{"stimulus":{"colour":[1,1,1],"bits":9}}"#, "invalid_params", "bits"),
    (
        "stage.show",
        r#"{"stimulus":{"colour":[1,1,1],"window_percent":0}}"#,
        "invalid_params",
        "window_percent",
    ),
    (
        "stage.show",
        r#"{"stimulus":{"colour":[1,1,1],"window_percent":101}}"#,
        "invalid_params",
        "window_percent",
    ),
    ("stage.show", r#"{"stimulus":{"colour":[1,1,1],"power":"dim"}}"#, "invalid_params", "power"),
    ("stage.show", r#"{"stimulus":{"colour":[1,1,1],"range":"wide"}}"#, "invalid_params", "range"),
    ("stage.show", r#"{"stimulus":{"colour":[1,1,1]},"position":[0.5]}"#, "invalid_params", "position"),
    ("stage.show", r#"{"stimulus":{"colour":[1,1,1]},"position":[0.5,1.1]}"#, "invalid_params", "[0.5, 1.1]"),
    (
        "stage.show",
        r#"{"stimulus":{"colour":[1,1,1]},"position":[-1e-9,0]}"#,
        "invalid_params",
        "from 0 to 1",
    ),
    ("stage.show", r#"{"meter":"x","stimulus":{"colour":[1,1,1]}}"#, "no_such_meter", "configured: m"),
];

fn assert_refused(answer: &Value, kind: &str, word: &str, sent: &str) {
    let error = &answer["error"];
    assert_eq!(error["data"]["kind"], kind, "{sent}: {answer}");
    assert!(error["message"].as_str().unwrap().contains(word), "{sent}: {answer}");
    let known = settled_protocol::error::ErrorKind::ALL.iter().find(|known| json!(known) == kind).unwrap();
    assert_eq!(error["code"], known.code(), "{sent}");
    assert_eq!(answer["jsonrpc"], "2.0");
}

#[test]
fn every_malformed_frame_gets_its_error_and_the_connection_goes_on() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    for (line, kind, word) in FRAMES {
        client.send(line.as_bytes());
        assert_refused(&client.line().unwrap(), kind, word, line);
        assert_eq!(client.call("hello", &json!({}))["protocol"], 1, "after {line}");
    }
}

#[test]
fn every_malformed_request_gets_its_error_and_the_connection_goes_on() {
    assert!(FRAMES.len() + PARAMS.len() > 90);
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    for (method, params, kind, word) in PARAMS {
        let line = format!(r#"{{"jsonrpc":"2.0","id":"x","method":"{method}","params":{params}}}"#);
        client.send(line.as_bytes());
        let answer = client.line().unwrap();
        assert_eq!(answer["id"], "x");
        assert_refused(&answer, kind, word, &line);
    }
    assert_eq!(client.call("meter.read", &json!({"meter": "m"}))["meter"], "m");
    assert_eq!(client.exposures("m"), 1, "a malformed request caused an exposure");
}

#[test]
fn bytes_that_are_no_text_and_lines_that_never_end_do_no_harm() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.send(b"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"\xff\xfe\"}");
    assert_refused(&client.line().unwrap(), "parse_error", "UTF-8", "wrong UTF-8");
    client.send(b"\0\0\0");
    assert_refused(&client.line().unwrap(), "parse_error", "not JSON", "NULs");
    let long = format!(
        r#"{{"jsonrpc":"2.0","id":1,"method":"hello","params":{{"client":"{}"}}}}"#,
        "x".repeat(3 << 20)
    );
    client.send(long.as_bytes());
    assert_refused(&client.line().unwrap(), "invalid_request", "1048576", "a line of 3 MiB");
    let deep = format!(
        r#"{{"jsonrpc":"2.0","id":1,"method":"hello","params":{{"client":{}{}}}}}"#,
        "[".repeat(100_000),
        "]".repeat(100_000)
    );
    client.send(deep.as_bytes());
    assert_refused(&client.line().unwrap(), "invalid_params", "params.client", "deep nesting");
    let name =
        format!(r#"{{"jsonrpc":"2.0","id":1,"method":"hello","params":{{"client":"{}"}}}}"#, "x".repeat(201));
    client.send(name.as_bytes());
    assert_refused(&client.line().unwrap(), "invalid_params", "200", "a long name");
    client.send(b"");
    client.send(b"   \r");
    assert_eq!(client.call("hello", &json!({}))["protocol"], 1);
}

#[test]
fn batches_are_answered_together_and_notifications_not_at_all() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.send(br#"[{"jsonrpc":"2.0","id":1,"method":"hello"},5,{"jsonrpc":"2.0","method":"hello"},{"jsonrpc":"2.0","id":"b","method":"meter.read","params":{"meter":"m"}}]"#);
    let answers = client.line().unwrap();
    let answers = answers.as_array().unwrap();
    assert_eq!(answers.len(), 3, "{answers:?}");
    assert!(answers.iter().any(|answer| answer["id"] == 1 && answer["result"]["protocol"] == 1));
    assert!(answers.iter().any(|answer| answer["id"].is_null() && answer["error"]["code"] == -32600));
    assert!(answers.iter().any(|answer| answer["id"] == "b" && answer["result"]["meter"] == "m"));
    // Only notifications: no line at all, so that the next one is the answer to what follows.
    client.send(br#"[{"jsonrpc":"2.0","method":"hello"},{"jsonrpc":"2.0","method":"nope"}]"#);
    client.send(br#"{"jsonrpc":"2.0","method":"nope"}"#);
    assert_eq!(client.call("hello", &json!({}))["protocol"], 1);
    let many = vec![r#"{"jsonrpc":"2.0","id":1,"method":"hello"}"#; 65].join(",");
    client.send(format!("[{many}]").as_bytes());
    assert_refused(&client.line().unwrap(), "invalid_request", "at most 64", "65 in a batch");
}

#[test]
fn limits_answer_overloaded_and_pass() {
    let daemon = Daemon::start(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n",
    );
    let mut client = daemon.client();
    let ids: Vec<u64> =
        (0..70).map(|_| client.ask("meter.read", &json!({"meter": "m", "integration_s": 1}))).collect();
    let kinds: Vec<Value> =
        ids.into_iter().map(|id| client.answer(id)["error"]["data"]["kind"].clone()).collect();
    assert_eq!(kinds.iter().filter(|kind| **kind == "overloaded").count(), 6, "{kinds:?}");
    for _ in 0..64 {
        client.call("meter.observe", &json!({"meter": "m"}));
    }
    assert_eq!(client.refusal("meter.observe", &json!({"meter": "m"})), "overloaded");
}
