//! One request and its answer.

use std::sync::Arc;

use hyper::{Method, Request, StatusCode};
use serde_json::json;
use settled_protocol::error::{ErrorKind, RpcError};
use tokio::sync::{Notify, Semaphore};

use super::answer::{self, Answer};
use super::guard::{self, Refusal};
use super::show::Show;
use super::token::Token;
use super::{files, past};
use crate::daemon::Daemon;
use crate::http::Stays;

/// By this the daemon proves that it knows the token, before it is told.
const PROOF: &str = "/api/proof";

/// Characters that a nonce has: chosen by the page, different each time.
const NONCE: std::ops::RangeInclusive<usize> = 16..=64;

/// What is asked for with the token.
const STREAM: &str = "/api/stream";
const BINS: &str = "/api/bins";
const EVENTS: &str = "/api/events";
const RUNS: &str = "/api/runs";

/// Questions to the log at once, for all viewers together: clients on the socket have the log's other places.
pub(super) const QUESTIONS: usize = 2;

/// Answers requests.
#[derive(Debug)]
pub(super) struct Desk {
    daemon: Arc<Daemon>,
    token: Token,
    show: Arc<Show>,
    questions: Arc<Semaphore>,
}

impl Desk {
    pub(super) fn new(daemon: &Arc<Daemon>, token: Token) -> Self {
        let questions = Arc::new(Semaphore::new(QUESTIONS));
        let show = Show::new(daemon, &questions);
        Self { daemon: Arc::clone(daemon), token, show, questions }
    }

    /// Tells viewers what happens, for ever.
    pub(super) fn show(&self) -> impl Future<Output = ()> + use<> {
        Arc::clone(&self.show).run()
    }

    /// What a request gets. A connection on which news come `stays`, until it is `lost`.
    pub(super) async fn answer<B>(&self, request: &Request<B>, stays: &Stays, lost: Arc<Notify>) -> Answer {
        if let Err(refusal) = guard::admit(request) {
            return answer::refused(refusal);
        }
        if let Some(file) = files::file(request) {
            return file;
        }
        let path = request.uri().path();
        if path == PROOF {
            return self.prove(request.uri().query().unwrap_or_default());
        }
        if ![STREAM, BINS, EVENTS, RUNS].contains(&path) {
            return answer::refused(Refusal::NothingThere);
        }
        if let Err(refusal) = guard::knows(&self.token, request) {
            return answer::refused(refusal);
        }
        stays.may_stay();
        if path == STREAM {
            if *request.method() == Method::HEAD {
                return answer::json(StatusCode::OK, String::new());
            }
            stays.stays();
            return answer::news(self.show.enter(lost));
        }
        let found = match self.questions.acquire().await {
            Ok(_place) => self.look_up(path, request.uri().query().unwrap_or_default()).await,
            Err(_) => Err(RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping")),
        };
        match found {
            Ok(text) => answer::json(StatusCode::OK, text),
            Err(error) => answer::json(status(error.kind()), json!({ "error": error }).to_string()),
        }
    }

    /// What only who knows the token can tell of a nonce.
    fn prove(&self, query: &str) -> Answer {
        let nonce = value(query, "nonce").filter(|nonce| {
            NONCE.contains(&nonce.len()) && nonce.bytes().all(|byte| byte.is_ascii_alphanumeric())
        });
        let Some(nonce) = nonce else {
            let error = RpcError::new(ErrorKind::InvalidParams, "nonce must be 16 to 64 letters or digits");
            return answer::json(StatusCode::BAD_REQUEST, json!({ "error": error }).to_string());
        };
        answer::json(StatusCode::OK, json!({ "proof": self.token.proof(nonce) }).to_string())
    }

    /// What the log has.
    async fn look_up(&self, path: &str, query: &str) -> Result<String, RpcError> {
        let number = |name: &str| value(query, name).and_then(|text| text.parse().ok()).unwrap_or(0);
        match path {
            BINS => {
                past::stretch(&self.daemon, value(query, "meter").unwrap_or_default(), number("span")).await
            }
            EVENTS => past::events(&self.daemon, number("after")).await,
            _ => past::runs(&self.daemon).await,
        }
    }
}

/// A member of a query. Ids of meters and numbers have nothing in them that is written otherwise there.
fn value<'q>(query: &'q str, name: &str) -> Option<&'q str> {
    query.split('&').find_map(|part| part.strip_prefix(name)?.strip_prefix('='))
}

fn status(kind: ErrorKind) -> StatusCode {
    match kind {
        ErrorKind::NoSuchMeter => StatusCode::NOT_FOUND,
        ErrorKind::InvalidParams => StatusCode::BAD_REQUEST,
        _ => StatusCode::SERVICE_UNAVAILABLE,
    }
}
