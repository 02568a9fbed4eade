//! JSON-RPC 2.0 frames, strictly decoded: one message a line, params by name.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::value::RawValue;

use crate::error::{ErrorKind, RpcError};
use crate::method::Method;
use crate::notification::Notification;

/// The most requests one batch may hold.
pub const LARGEST_BATCH: usize = 64;

/// A request's id: whatever the client chose, given back as it came. `92` and `"92"` are two ids.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum RequestId {
    /// A whole number.
    Number(i64),
    /// A string.
    Text(String),
    /// `null`: allowed by JSON-RPC, discouraged, and what an error answers whose request had no readable id.
    Null,
}

impl fmt::Display for RequestId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(number) => number.fmt(f),
            Self::Text(text) => fmt::Debug::fmt(text, f),
            Self::Null => f.write_str("null"),
        }
    }
}

/// A call that a client made.
#[derive(Debug)]
pub struct Call {
    /// Absent for a notification, which gets no answer.
    pub id: Option<RequestId>,
    /// The method's name, known or not.
    pub method: String,
    /// Its length as it was written.
    pub bytes: usize,
    params: Option<Box<RawValue>>,
}

impl Call {
    /// The params as `M` wants them. Unknown members are ignored; no params are an empty object.
    ///
    /// # Errors
    /// `invalid_params`, with the path of the first member that doesn't fit and why.
    pub fn params<M: Method>(&self) -> Result<M::Params, RpcError> {
        params::<M>(self.params.as_ref().map_or("{}", |raw| raw.get()))
    }
}

/// The params of `M` from their JSON. Unknown members are ignored.
///
/// # Errors
/// `invalid_params`, with the path of the first member that doesn't fit and why.
pub fn params<M: Method>(text: &str) -> Result<M::Params, RpcError> {
    if !text.starts_with('{') {
        return Err(RpcError::new(
            ErrorKind::InvalidParams,
            "params must be an object: members have names here",
        ));
    }
    let mut json = serde_json::Deserializer::from_str(text);
    serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let path = match error.path().to_string() {
            path if path == "." => "params".to_owned(),
            path => format!("params.{path}"),
        };
        RpcError::new(ErrorKind::InvalidParams, format!("{path}: {}", without_position(error.inner())))
    })
}

/// serde_json's own words, without the line and column of a text the client never saw.
pub(crate) fn without_position(error: &serde_json::Error) -> String {
    let text = error.to_string();
    match text.rfind(" at line ") {
        Some(end) => text[..end].to_owned(),
        None => text,
    }
}

/// A request that can't be carried out, with the id to answer to.
#[derive(Debug)]
pub struct Refusal {
    /// The request's id if it was readable, else null.
    pub id: RequestId,
    /// What was wrong.
    pub error: RpcError,
}

/// What one line from a client holds.
#[derive(Debug)]
pub enum Incoming {
    /// One call.
    Single(Result<Call, Refusal>),
    /// Several calls, answered in one line.
    Batch(Vec<Result<Call, Refusal>>),
}

impl Incoming {
    /// Decodes a line. What can't be understood becomes a [`Refusal`]; this never fails.
    #[must_use]
    pub fn decode(line: &[u8]) -> Self {
        let refuse = |kind, message: String| {
            Self::Single(Err(Refusal { id: RequestId::Null, error: RpcError::new(kind, message) }))
        };
        let text = match std::str::from_utf8(line) {
            Ok(text) => text.trim_matches([' ', '\t', '\r']),
            Err(error) => {
                return refuse(ErrorKind::ParseError, format!("not UTF-8 at byte {}", error.valid_up_to()));
            }
        };
        if !text.starts_with('[') {
            return match serde_json::from_str::<&RawValue>(text) {
                Ok(raw) => Self::Single(decode_call(raw.get())),
                Err(error) => refuse(ErrorKind::ParseError, format!("not JSON: {error}")),
            };
        }
        match serde_json::from_str::<Vec<&RawValue>>(text) {
            Err(error) => refuse(ErrorKind::ParseError, format!("not JSON: {error}")),
            Ok(calls) if calls.is_empty() => {
                refuse(ErrorKind::InvalidRequest, "a batch must hold at least one request".to_owned())
            }
            Ok(calls) if calls.len() > LARGEST_BATCH => refuse(
                ErrorKind::InvalidRequest,
                format!("a batch may hold at most {LARGEST_BATCH} requests, not {}", calls.len()),
            ),
            Ok(calls) => Self::Batch(calls.into_iter().map(|raw| decode_call(raw.get())).collect()),
        }
    }
}

/// A request's members, present or not, each as it was written.
#[derive(Deserialize)]
struct RawCall<'a> {
    #[serde(borrow, default, deserialize_with = "present")]
    jsonrpc: Option<&'a RawValue>,
    #[serde(borrow, default, deserialize_with = "present")]
    id: Option<&'a RawValue>,
    #[serde(borrow, default, deserialize_with = "present")]
    method: Option<&'a RawValue>,
    #[serde(borrow, default, deserialize_with = "present")]
    params: Option<&'a RawValue>,
}

/// Keeps `null` apart from a member that isn't there.
fn present<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<&'de RawValue>, D::Error> {
    <&RawValue>::deserialize(deserializer).map(Some)
}

fn decode_call(text: &str) -> Result<Call, Refusal> {
    let invalid = |id: RequestId, message: &str| Refusal {
        id,
        error: RpcError::new(ErrorKind::InvalidRequest, message),
    };
    if !text.starts_with('{') {
        return Err(invalid(RequestId::Null, "a request must be an object"));
    }
    let raw: RawCall = serde_json::from_str(text)
        .map_err(|error| invalid(RequestId::Null, &format!("not a request: {}", without_position(&error))))?;
    let id = match raw.id {
        None => None,
        Some(id) => Some(serde_json::from_str::<RequestId>(id.get()).map_err(|_| {
            invalid(RequestId::Null, "id must be a string, a whole number of 64 bits, or null")
        })?),
    };
    let answer_to = || id.clone().unwrap_or(RequestId::Null);
    if raw.jsonrpc.map(RawValue::get) != Some("\"2.0\"") {
        return Err(invalid(answer_to(), "jsonrpc must be \"2.0\""));
    }
    let method = match raw.method.map(|method| serde_json::from_str::<String>(method.get())) {
        Some(Ok(method)) => method,
        Some(Err(_)) => return Err(invalid(answer_to(), "method must be a string")),
        None => return Err(invalid(answer_to(), "method is missing")),
    };
    if raw.params.is_some_and(|params| !params.get().starts_with(['{', '['])) {
        return Err(invalid(answer_to(), "params must be an object, or left out"));
    }
    Ok(Call { id, method, bytes: text.len(), params: raw.params.map(ToOwned::to_owned) })
}

/// A request line for `M`, without its end.
///
/// # Errors
/// If the params can't be written as JSON.
pub fn request_line<M: Method>(id: &RequestId, params: &M::Params) -> serde_json::Result<String> {
    #[derive(Serialize)]
    struct Request<'a, P> {
        jsonrpc: &'static str,
        id: &'a RequestId,
        method: &'static str,
        params: &'a P,
    }
    serde_json::to_string(&Request { jsonrpc: "2.0", id, method: M::NAME, params })
}

/// A notification line from a client for `M`, without its end.
///
/// # Errors
/// If the params can't be written as JSON.
pub fn call_without_answer_line<M: Method>(params: &M::Params) -> serde_json::Result<String> {
    frame_notification(M::NAME, params)
}

/// A notification line from the daemon, without its end.
///
/// # Errors
/// If the notification can't be written as JSON.
pub fn notification_line<N: Notification>(params: &N) -> serde_json::Result<String> {
    frame_notification(N::NAME, params)
}

fn frame_notification(method: &str, params: &impl Serialize) -> serde_json::Result<String> {
    #[derive(Serialize)]
    struct Frame<'a, P> {
        jsonrpc: &'static str,
        method: &'a str,
        params: &'a P,
    }
    serde_json::to_string(&Frame { jsonrpc: "2.0", method, params })
}

/// A response, without the line's end.
///
/// # Errors
/// If the result can't be written as JSON.
pub fn response_line(
    id: &RequestId,
    outcome: Result<&impl Serialize, &RpcError>,
) -> serde_json::Result<String> {
    #[derive(Serialize)]
    struct Answer<'a, R> {
        jsonrpc: &'static str,
        id: &'a RequestId,
        result: &'a R,
    }
    #[derive(Serialize)]
    struct Failure<'a> {
        jsonrpc: &'static str,
        id: &'a RequestId,
        error: &'a RpcError,
    }
    match outcome {
        Ok(result) => serde_json::to_string(&Answer { jsonrpc: "2.0", id, result }),
        Err(error) => serde_json::to_string(&Failure { jsonrpc: "2.0", id, error }),
    }
}

/// What one line from the daemon holds.
#[derive(Debug)]
pub enum Outgoing {
    /// The answer to a request.
    Response {
        /// The request's id.
        id: RequestId,
        /// The result as written, or the error.
        outcome: Result<Box<RawValue>, RpcError>,
    },
    /// Something said unasked.
    Notification {
        /// Its method.
        method: String,
        /// Its params as written.
        params: Box<RawValue>,
    },
}

impl Outgoing {
    /// Decodes a line from the daemon.
    ///
    /// # Errors
    /// If the line is neither a response nor a notification.
    pub fn decode(line: &[u8]) -> serde_json::Result<Self> {
        #[derive(Deserialize)]
        struct Raw {
            id: Option<RequestId>,
            result: Option<Box<RawValue>>,
            error: Option<RpcError>,
            method: Option<String>,
            params: Option<Box<RawValue>>,
        }
        let raw: Raw = serde_json::from_slice(line)?;
        let id = raw.id.unwrap_or(RequestId::Null);
        match raw {
            Raw { result: Some(result), .. } => Ok(Self::Response { id, outcome: Ok(result) }),
            Raw { error: Some(error), .. } => Ok(Self::Response { id, outcome: Err(error) }),
            Raw { method: Some(method), params: Some(params), .. } => {
                Ok(Self::Notification { method, params })
            }
            _ => Err(serde::de::Error::custom("neither a response nor a notification")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::method::{MeterRead, MeterSettle};

    fn refusal(line: &str) -> Refusal {
        match Incoming::decode(line.as_bytes()) {
            Incoming::Single(Err(refusal)) => refusal,
            other => panic!("expected a refusal, got {other:?}"),
        }
    }

    fn call(line: &str) -> Call {
        match Incoming::decode(line.as_bytes()) {
            Incoming::Single(Ok(call)) => call,
            other => panic!("expected a call, got {other:?}"),
        }
    }

    #[test]
    fn an_error_answers_to_the_id_it_could_read() {
        let refusal = refusal(r#"{"id":"a","method":"hello"}"#);
        assert_eq!(refusal.id, RequestId::Text("a".to_owned()));
        assert_eq!(refusal.error.kind(), ErrorKind::InvalidRequest);
    }

    #[test]
    fn a_null_id_is_not_an_absent_one() {
        assert_eq!(call(r#"{"jsonrpc":"2.0","id":null,"method":"hello"}"#).id, Some(RequestId::Null));
        assert_eq!(call(r#"{"jsonrpc":"2.0","method":"hello"}"#).id, None);
    }

    #[test]
    fn params_name_the_member_that_is_wrong() {
        let call = call(
            r#"{"jsonrpc":"2.0","id":1,"method":"meter.settle","params":{"meter":"m","criteria":{"hold_s":"long"}}}"#,
        );
        let error = call.params::<MeterSettle>().unwrap_err();
        assert!(
            error.message.starts_with("params.criteria.hold_s: invalid type: string"),
            "{}",
            error.message
        );
    }

    #[test]
    fn a_number_beyond_the_finite_is_refused() {
        let call = call(
            r#"{"jsonrpc":"2.0","id":1,"method":"meter.read","params":{"meter":"m","max_age_s":1e999}}"#,
        );
        assert_eq!(call.params::<MeterRead>().unwrap_err().kind(), ErrorKind::InvalidParams);
    }

    #[test]
    fn deep_nesting_costs_no_stack() {
        let deep = format!(
            r#"{{"jsonrpc":"2.0","id":1,"method":"hello","params":{}"x"{}}}"#,
            "[".repeat(200_000),
            "]".repeat(200_000)
        );
        let Incoming::Single(Ok(call)) = Incoming::decode(deep.as_bytes()) else {
            panic!("it is well-formed")
        };
        assert!(call.params::<MeterRead>().is_err());
    }
}
