//! Which requests are answered: those that call this machine by a name of its own, from this page or from none, that only read; and what
//! is known of meters only to who knows the token.
//!
//! `Host` keeps out whoever was led here by a name of somebody else's (DNS rebinding), `Origin` and `Sec-Fetch-Site` other pages in the
//! same browser, the token every other program and user of this machine.

use hyper::header::{AUTHORIZATION, HOST, HeaderName, ORIGIN};
use hyper::{Method, Request, StatusCode};

use super::token::Token;
use crate::http::host;

/// The names that the page goes by, whatever the port: a tunnel's end has one of its own.
const NAMES: [&str; 3] = ["localhost", "127.0.0.1", "::1"];

/// Where a browser says a request comes from: none of these is another site.
const SITE: HeaderName = HeaderName::from_static("sec-fetch-site");
const OURS: [&str; 2] = ["same-origin", "none"];

/// Why a request isn't answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Refusal {
    /// It was led here by another name.
    ForeignHost,
    /// Another page asks.
    ForeignOrigin,
    /// It wants to do more than read.
    NotReading,
    /// It doesn't know the token.
    NoToken,
    /// There is nothing of that name.
    NothingThere,
}

impl Refusal {
    pub(super) fn status(self) -> StatusCode {
        match self {
            Self::ForeignHost | Self::ForeignOrigin => StatusCode::FORBIDDEN,
            Self::NotReading => StatusCode::METHOD_NOT_ALLOWED,
            Self::NoToken => StatusCode::UNAUTHORIZED,
            Self::NothingThere => StatusCode::NOT_FOUND,
        }
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Self::ForeignHost => {
                "this page goes by localhost, 127.0.0.1 or [::1]; from another machine through a tunnel: ssh -L"
            }
            Self::ForeignOrigin => "another page may not ask",
            Self::NotReading => "this page can be read, and nothing else: GET",
            Self::NoToken => {
                "the token is missing, or it isn't the daemon's: open the address that `settle page` prints, with all that stands behind its #"
            }
            Self::NothingThere => "there is nothing here: the page is at /",
        }
    }
}

/// Looks at who asks, and how.
pub(super) fn admit<B>(request: &Request<B>) -> Result<(), Refusal> {
    let headers = request.headers();
    let is_ours = |host: &str| {
        host::name(host).is_some_and(|name| NAMES.iter().any(|ours| ours.eq_ignore_ascii_case(name)))
    };
    let host = host::only(headers, &HOST).filter(|host| is_ours(host)).ok_or(Refusal::ForeignHost)?;
    if request.uri().authority().is_some_and(|authority| authority.as_str() != host) {
        return Err(Refusal::ForeignHost);
    }
    let is_same = |origin: &str| origin.strip_prefix("http://") == Some(host);
    if headers.contains_key(ORIGIN) && !host::only(headers, &ORIGIN).is_some_and(is_same) {
        return Err(Refusal::ForeignOrigin);
    }
    // Whoever follows a link to the page is shown it, which holds nothing; what it asks for itself comes from its own origin.
    let asks = request.uri().path() != "/";
    if asks
        && headers.contains_key(SITE)
        && !host::only(headers, &SITE).is_some_and(|site| OURS.contains(&site))
    {
        return Err(Refusal::ForeignOrigin);
    }
    if matches!(*request.method(), Method::GET | Method::HEAD) { Ok(()) } else { Err(Refusal::NotReading) }
}

/// Looks for the token: `Authorization: Bearer …`, once (RFC 6750, 2.1; its other two ways would leave it in logs).
pub(super) fn knows<B>(token: &Token, request: &Request<B>) -> Result<(), Refusal> {
    let told = host::only(request.headers(), &AUTHORIZATION).and_then(|told| told.split_once(' '));
    let told = told.filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer")).map(|(_, told)| told.trim());
    if told.is_some_and(|told| token.is(told)) { Ok(()) } else { Err(Refusal::NoToken) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(method: Method, uri: &str, headers: &[(HeaderName, &str)]) -> Request<()> {
        let start = Request::builder().method(method).uri(uri);
        headers.iter().fold(start, |request, (name, value)| request.header(name, *value)).body(()).unwrap()
    }

    fn get(uri: &str, headers: &[(HeaderName, &str)]) -> Request<()> {
        request(Method::GET, uri, headers)
    }

    #[test]
    fn the_page_goes_by_names_of_this_machine_on_any_port_and_by_no_others() {
        for host in ["127.0.0.1:9760", "localhost:1", "LOCALHOST:8080", "[::1]:9760", "localhost"] {
            assert_eq!(admit(&get("/", &[(HOST, host)])), Ok(()), "{host}");
        }
        for host in [
            "",
            "example.org:9760",
            "localhost.example.org:9760",
            "127.0.0.1.example.org",
            "127.8.9.1:9760",
            "192.0.2.7:9760",
            "0.0.0.0:9760",
            "[::1",
            "user@localhost:9760",
        ] {
            assert_eq!(admit(&get("/", &[(HOST, host)])), Err(Refusal::ForeignHost), "{host}");
        }
        assert_eq!(admit(&get("/", &[])), Err(Refusal::ForeignHost));
        let twice = [(HOST, "localhost:9760"), (HOST, "localhost:9760")];
        assert_eq!(admit(&get("/", &twice)), Err(Refusal::ForeignHost));
        let other = get("http://example.org/", &[(HOST, "localhost:9760")]);
        assert_eq!(admit(&other), Err(Refusal::ForeignHost));
    }

    #[test]
    fn another_page_is_sent_away_and_so_is_whoever_wants_more_than_to_read() {
        let host = (HOST, "localhost:9760");
        for origin in ["http://example.org", "https://localhost:9760", "null", "http://127.0.0.1:9760", ""] {
            let foreign = get("/api/stream", &[host.clone(), (ORIGIN, origin)]);
            assert_eq!(admit(&foreign), Err(Refusal::ForeignOrigin), "{origin}");
        }
        assert_eq!(admit(&get("/", &[host.clone(), (ORIGIN, "http://localhost:9760")])), Ok(()));
        for (path, site, admitted) in [
            ("/api/stream", "cross-site", false),
            ("/main.js", "same-site", false),
            ("/api/stream", "same-origin", true),
            ("/", "cross-site", true),
            ("/", "none", true),
        ] {
            let asked = admit(&get(path, &[host.clone(), (SITE, site)]));
            assert_eq!(asked.is_ok(), admitted, "{path} {site}");
        }
        for method in [Method::POST, Method::PUT, Method::DELETE, Method::OPTIONS] {
            assert_eq!(admit(&request(method, "/", std::slice::from_ref(&host))), Err(Refusal::NotReading));
        }
        assert_eq!(admit(&request(Method::HEAD, "/", &[host])), Ok(()));
    }

    #[test]
    fn the_token_comes_as_a_header_and_once() {
        let folder = tempfile::tempdir().unwrap();
        let token = Token::kept_in(&folder.path().join("token")).unwrap();
        let bearer = format!("Bearer {}", token.fragment());
        let asked = |told: &[&str]| {
            let headers: Vec<_> = told.iter().map(|told| (AUTHORIZATION, *told)).collect();
            knows(&token, &get(&format!("/api/stream?token={}", token.fragment()), &headers))
        };
        assert_eq!(asked(&[&bearer]), Ok(()));
        for wrong in [&[][..], &["Bearer x"], &[token.fragment()], &["Bearer"], &[&bearer, &bearer]] {
            assert_eq!(asked(wrong), Err(Refusal::NoToken), "{wrong:?}");
        }
    }
}
