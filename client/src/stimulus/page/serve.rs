//! The web server: four files, which are in the program, and the line to the page.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use hyper::body::Incoming;
use hyper::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue,
    REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS,
};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::upgrade::OnUpgrade;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_tungstenite::WebSocketStream;
use tokio_tungstenite::tungstenite::handshake::server::create_response_with_body;
use tokio_tungstenite::tungstenite::protocol::{Role, WebSocketConfig};

use super::{Hub, line};

/// Connections at once: a browser opens six at most, and another one may come while the first goes.
const CONNECTIONS: usize = 16;

/// Until a request has come whole; a connection that says nothing ends.
const REQUEST: Duration = Duration::from_secs(10);

/// Bytes that a request may take, its headers included. The least that the HTTP library allows.
const REQUEST_BYTES: usize = 8192;

/// Bytes of what a page says at once: some 200 are usual.
const MESSAGE_BYTES: usize = 4096;

/// After a failed accept (no file descriptors left, say), before the next.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// The WebSocket, beneath the token.
const LINE: &str = "line";

const FILES: [(&str, &str, &str); 3] = [
    ("", "text/html; charset=utf-8", include_str!("page.html")),
    ("page.css", "text/css; charset=utf-8", include_str!("page.css")),
    ("page.js", "text/javascript; charset=utf-8", include_str!("page.js")),
];

/// Serves until it is dropped.
pub(super) async fn run(listener: TcpListener, hub: Arc<Hub>) {
    let mut guests = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept(), if guests.len() < CONNECTIONS => accepted,
            Some(_) = guests.join_next(), if !guests.is_empty() => continue,
        };
        match accepted {
            Ok((stream, _)) => drop(guests.spawn(attend(stream, Arc::clone(&hub)))),
            Err(_) => tokio::time::sleep(ACCEPT_PAUSE).await,
        }
    }
}

/// One connection: requests, and the line if it becomes one.
async fn attend(stream: TcpStream, hub: Arc<Hub>) {
    // What is to be shown is small, and waits for nothing.
    let _sooner = stream.set_nodelay(true).is_ok();
    let raised: Mutex<Option<OnUpgrade>> = Mutex::default();
    let service = service_fn(|mut request| {
        let answer = answer(&hub, &mut request, &raised);
        std::future::ready(Ok::<_, std::convert::Infallible>(answer))
    });
    let mut http = http1::Builder::new();
    http.max_buf_size(REQUEST_BYTES).timer(TokioTimer::new()).header_read_timeout(REQUEST);
    // How it ended doesn't matter: whoever wants the page asks again.
    let _ended = http.serve_connection(TokioIo::new(stream), service).with_upgrades().await.is_ok();
    let raised = raised.lock().unwrap_or_else(PoisonError::into_inner).take();
    let Some(Ok(stream)) = (match raised {
        Some(raised) => Some(raised.await),
        None => None,
    }) else {
        return;
    };
    let config =
        WebSocketConfig::default().max_message_size(Some(MESSAGE_BYTES)).max_frame_size(Some(MESSAGE_BYTES));
    let socket = WebSocketStream::from_raw_socket(TokioIo::new(stream), Role::Server, Some(config)).await;
    line::converse(socket, &hub).await;
}

/// What a request gets.
fn answer(hub: &Hub, request: &mut Request<Incoming>, raised: &Mutex<Option<OnUpgrade>>) -> Response<String> {
    let mut answer = match hub.guard.admit(request) {
        Ok(LINE) => match hub.guard.admit_socket(request) {
            Ok(()) => raise(request, raised),
            Err(refusal) => plain(refusal.status(), refusal.words()),
        },
        Ok(name) => file(request.method(), name),
        Err(refusal) => plain(refusal.status(), refusal.words()),
    };
    secure(hub, answer.headers_mut());
    answer
}

/// Turns the connection into a line, if that is what is asked for.
fn raise(request: &mut Request<Incoming>, raised: &Mutex<Option<OnUpgrade>>) -> Response<String> {
    match create_response_with_body(request, String::new) {
        Ok(answer) => {
            *raised.lock().unwrap_or_else(PoisonError::into_inner) = Some(hyper::upgrade::on(request));
            answer
        }
        Err(_) => plain(StatusCode::BAD_REQUEST, "this is a WebSocket"),
    }
}

fn file(method: &Method, name: &str) -> Response<String> {
    if !matches!(*method, Method::GET | Method::HEAD) {
        return plain(StatusCode::METHOD_NOT_ALLOWED, "this page can be read, and nothing else");
    }
    match FILES.iter().find(|(known, ..)| *known == name) {
        Some((_, kind, text)) => typed(StatusCode::OK, kind, (*text).to_owned()),
        None => plain(StatusCode::NOT_FOUND, "there is nothing here"),
    }
}

fn plain(status: StatusCode, words: &str) -> Response<String> {
    typed(status, "text/plain; charset=utf-8", format!("{words}\n"))
}

fn typed(status: StatusCode, kind: &'static str, body: String) -> Response<String> {
    let mut answer = Response::new(body);
    *answer.status_mut() = status;
    answer.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    answer
}

/// Nothing from elsewhere, nothing to elsewhere, in no other page, and kept by nobody.
fn secure(hub: &Hub, headers: &mut HeaderMap) {
    let policy = format!(
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src {}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        hub.guard.sockets()
    );
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        headers.insert(CONTENT_SECURITY_POLICY, policy);
    }
    for (name, value) in [
        (CACHE_CONTROL, "no-store"),
        (REFERRER_POLICY, "no-referrer"),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
}
