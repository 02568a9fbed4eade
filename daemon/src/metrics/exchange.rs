//! One request and its answer: the path, the method, the host that it was meant for, and the form that is asked for.

use hyper::body::Incoming;
use hyper::header::{ACCEPT, ALLOW, CACHE_CONTROL, CONTENT_TYPE, HeaderMap, HeaderValue};
use hyper::{Method, Request, Response, StatusCode};

use super::contents;
use super::exposition::Form;
use crate::daemon::Daemon;
use crate::http::host;

/// The one page.
const PATH: &str = "/metrics";

/// Whether a name that a request is meant for is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Host {
    /// On a Unix socket the file says who may come in.
    Any,
    /// Over TCP it must be this machine's own: a web page whose name was made to lead here (DNS rebinding) is sent away.
    Own,
}

/// What a request gets.
pub(super) fn answer(daemon: &Daemon, host: Host, request: &Request<Incoming>) -> Response<String> {
    let headers = request.headers();
    if host == Host::Own && !host::is_own(request) {
        return refused(
            StatusCode::FORBIDDEN,
            "this page is for programs on this machine, which call it by localhost or its number",
        );
    }
    if request.uri().path() != PATH {
        return refused(StatusCode::NOT_FOUND, "there is one page here: /metrics");
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        let mut answer =
            refused(StatusCode::METHOD_NOT_ALLOWED, "this page can be read, and nothing else: GET");
        answer.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
        return answer;
    }
    let form = form(headers);
    plain(StatusCode::OK, form.content_type(), contents::page(daemon, form))
}

/// The same in words, for whoever may not have the page.
pub(super) fn refused(status: StatusCode, why: &str) -> Response<String> {
    plain(status, "text/plain; charset=utf-8", format!("{why}\n"))
}

fn plain(status: StatusCode, content_type: &'static str, body: String) -> Response<String> {
    let mut answer = Response::new(body);
    *answer.status_mut() = status;
    answer.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(content_type));
    answer.headers_mut().insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}

/// OpenMetrics, unless plain text is asked for and it isn't, or not as much (`Accept` of RFC 9110, 12.5.1).
fn form(headers: &HeaderMap) -> Form {
    let (mut open, mut text, mut rest) = (None, None, None);
    for range in headers
        .get_all(ACCEPT)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
    {
        let mut parts = range.split(';').map(str::trim);
        let kind = parts.next().unwrap_or_default().to_ascii_lowercase();
        let weight = parts.find_map(|part| part.strip_prefix("q=")?.parse::<f64>().ok()).unwrap_or(1.0);
        let best = match kind.as_str() {
            "application/openmetrics-text" => &mut open,
            "text/plain" => &mut text,
            "*/*" => &mut rest,
            _ => continue,
        };
        *best = Some(best.map_or(weight, |before: f64| before.max(weight)));
    }
    let open = open.or(rest).unwrap_or(0.0);
    if text.is_some_and(|text| text > open) { Form::Prometheus } else { Form::OpenMetrics }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_form_is_the_one_that_is_asked_for_most() {
        let of = |accept: &[&'static str]| {
            let mut headers = HeaderMap::new();
            for value in accept {
                headers.append(ACCEPT, HeaderValue::from_static(value));
            }
            form(&headers)
        };
        assert_eq!(of(&[]), Form::OpenMetrics);
        assert_eq!(of(&["*/*"]), Form::OpenMetrics);
        assert_eq!(of(&["text/plain"]), Form::Prometheus);
        assert_eq!(of(&["text/plain;version=0.0.4;q=0.5,*/*;q=0.1"]), Form::Prometheus);
        assert_eq!(of(&["text/html,text/plain;q=0.7", "*/*;q=0.8"]), Form::OpenMetrics);
        // As Prometheus 2.42 asks, and a later one.
        let asks = "application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,text/plain;version=0.0.4;q=0.5,*/*;q=0.1";
        assert_eq!(of(&[asks]), Form::OpenMetrics);
        assert_eq!(
            of(&["text/plain;version=0.0.4;q=0.9, Application/OpenMetrics-Text; q=0.3"]),
            Form::Prometheus
        );
    }
}
