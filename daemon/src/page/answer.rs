//! Answers: their headers, which keep a browser from asking anybody else for anything, and their bodies, whole or as they come.

use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};

use hyper::body::{Body, Bytes, Frame, SizeHint};
use hyper::header::{
    ALLOW, CACHE_CONTROL, CONNECTION, CONTENT_SECURITY_POLICY, CONTENT_TYPE, ETAG, HeaderName, HeaderValue,
    REFERRER_POLICY, WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use hyper::{Response, StatusCode};

use super::guard::Refusal;
use super::viewers::Viewing;

/// What the page may load: what the daemon has, and nothing else; nothing inline, and in nobody's frame.
const POLICY: HeaderValue = HeaderValue::from_static(
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
);

/// On every answer.
const ALWAYS: [(HeaderName, HeaderValue); 6] = [
    (CONTENT_SECURITY_POLICY, POLICY),
    (X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
    (REFERRER_POLICY, HeaderValue::from_static("no-referrer")),
    (X_FRAME_OPTIONS, HeaderValue::from_static("DENY")),
    (HeaderName::from_static("cross-origin-opener-policy"), HeaderValue::from_static("same-origin")),
    (HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin")),
];

const JSON: &str = "application/json";

/// What an answer holds.
#[derive(Debug)]
pub(super) enum Payload {
    /// All of it, once.
    Whole(Option<Bytes>),
    /// News as they come, until the viewer is let go.
    News(Viewing),
}

impl Body for Payload {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        match self.get_mut() {
            Self::Whole(bytes) => Poll::Ready(bytes.take().map(|bytes| Ok(Frame::data(bytes)))),
            Self::News(viewing) => viewing.poll(context).map(|news| news.map(|news| Ok(Frame::data(news)))),
        }
    }

    fn is_end_stream(&self) -> bool {
        matches!(self, Self::Whole(None))
    }

    fn size_hint(&self) -> SizeHint {
        match self {
            Self::Whole(bytes) => SizeHint::with_exact(bytes.as_ref().map_or(0, Bytes::len) as u64),
            Self::News(_) => SizeHint::default(),
        }
    }
}

pub(super) type Answer = Response<Payload>;

/// An answer that is not to be kept.
fn answer(status: StatusCode, kind: &'static str, body: Payload) -> Answer {
    let mut answer = Response::new(body);
    *answer.status_mut() = status;
    let headers = answer.headers_mut();
    headers.extend(ALWAYS);
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}

fn whole(bytes: impl Into<Bytes>) -> Payload {
    Payload::Whole(Some(bytes.into()))
}

/// A file of the page's; without its bytes if the browser has it already.
pub(super) fn file(kind: &'static str, tag: &HeaderValue, bytes: Option<&'static [u8]>) -> Answer {
    let (status, body) = match bytes {
        Some(bytes) => (StatusCode::OK, whole(bytes)),
        None => (StatusCode::NOT_MODIFIED, Payload::Whole(None)),
    };
    let mut answer = answer(status, kind, body);
    answer.headers_mut().insert(ETAG, tag.clone());
    answer.headers_mut().insert(CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    answer
}

/// A result as JSON.
pub(super) fn json(status: StatusCode, text: String) -> Answer {
    answer(status, JSON, whole(text))
}

/// News as they come: server-sent events (HTML, 9.2).
pub(super) fn news(viewing: Viewing) -> Answer {
    let mut answer = answer(StatusCode::OK, "text/event-stream", Payload::News(viewing));
    // One that was let go doesn't come back by the same connection.
    answer.headers_mut().insert(CONNECTION, HeaderValue::from_static("close"));
    answer
}

/// Why there is no other answer, in words.
pub(super) fn refused(refusal: Refusal) -> Answer {
    let body = whole(format!("{}\n", refusal.words()));
    let mut answer = answer(refusal.status(), "text/plain; charset=utf-8", body);
    match refusal {
        Refusal::NotReading => {
            answer.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
        }
        Refusal::NoToken => {
            answer.headers_mut().insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        _ => {}
    }
    answer
}
