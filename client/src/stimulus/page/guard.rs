//! Which requests are answered: those for this address, from this page, by who knows the token.
//!
//! The token keeps out who hasn't been given the address; `Host` whoever was led here by a name of somebody else's (DNS rebinding);
//! `Origin` other pages in the same browser.

use std::net::SocketAddr;

use hyper::header::{HOST, HeaderMap, HeaderName, ORIGIN};
use hyper::{Request, StatusCode};
use rustix::rand::{GetRandomFlags, getrandom};

/// Random bytes of a token: 128 bits can't be guessed.
const TOKEN_BYTES: usize = 16;

/// The port of a web page that names none (RFC 9110, 4.2.1).
const HTTP_PORT: u16 = 80;

/// Who may come in.
#[derive(Debug)]
pub(super) struct Guard {
    address: SocketAddr,
    token: String,
}

/// Why somebody may not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Refusal {
    /// It was led here by another name.
    ForeignHost,
    /// Another page asks.
    ForeignOrigin,
    /// It doesn't know the token, or there is no such page: nobody is told which.
    NothingThere,
}

impl Refusal {
    pub(super) fn status(self) -> StatusCode {
        match self {
            Self::ForeignHost | Self::ForeignOrigin => StatusCode::FORBIDDEN,
            Self::NothingThere => StatusCode::NOT_FOUND,
        }
    }

    pub(super) fn words(self) -> &'static str {
        match self {
            Self::ForeignHost => "this page goes by the number of its address alone",
            Self::ForeignOrigin => "another page may not ask",
            Self::NothingThere => "there is nothing here",
        }
    }
}

impl Guard {
    /// For a server that listens at `address`, with a token of its own.
    pub(super) fn new(address: SocketAddr) -> std::io::Result<Self> {
        let mut bytes = [0_u8; TOKEN_BYTES];
        // As few come at once, always.
        let filled = getrandom(&mut bytes, GetRandomFlags::empty())?;
        if filled < TOKEN_BYTES {
            return Err(std::io::Error::other("the system gives too few random numbers"));
        }
        let token = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        Ok(Self { address, token })
    }

    /// Where the page is to be had.
    pub(super) fn url(&self) -> String {
        format!("http://{}/{}/", self.address, self.token)
    }

    /// Where the page's own WebSocket may lead, for its policy.
    pub(super) fn sockets(&self) -> String {
        self.hosts().map(|host| format!("ws://{host}")).collect::<Vec<_>>().join(" ")
    }

    /// What is asked for, beneath the token.
    pub(super) fn admit<'r, B>(&self, request: &'r Request<B>) -> Result<&'r str, Refusal> {
        let headers = request.headers();
        let is_ours = |host: &str| self.hosts().any(|ours| ours.eq_ignore_ascii_case(host));
        let host = only(headers, &HOST).filter(|host| is_ours(host)).ok_or(Refusal::ForeignHost)?;
        if request.uri().authority().is_some_and(|authority| authority.as_str() != host) {
            return Err(Refusal::ForeignHost);
        }
        let is_same = |origin: &str| origin.strip_prefix("http://") == Some(host);
        if headers.contains_key(ORIGIN) && !only(headers, &ORIGIN).is_some_and(is_same) {
            return Err(Refusal::ForeignOrigin);
        }
        let path = request.uri().path().strip_prefix('/').and_then(|path| path.split_once('/'));
        let (token, rest) = path.ok_or(Refusal::NothingThere)?;
        if self.is_token(token) { Ok(rest) } else { Err(Refusal::NothingThere) }
    }

    /// Browsers say where a WebSocket is asked for from: who doesn't is none, or hides it.
    pub(super) fn admit_socket<B>(&self, request: &Request<B>) -> Result<(), Refusal> {
        if request.headers().contains_key(ORIGIN) { Ok(()) } else { Err(Refusal::ForeignOrigin) }
    }

    /// The names that it goes by. A browser leaves out the port where it is that of all web pages, 80.
    fn hosts(&self) -> impl Iterator<Item = String> {
        let (ip, port) = (self.address.ip(), self.address.port());
        let by_name = ip.is_loopback().then(|| "localhost".to_owned());
        let by_number = if ip.is_ipv6() { format!("[{ip}]") } else { ip.to_string() };
        let names = [by_number].into_iter().chain(by_name);
        names.flat_map(move |name| {
            let bare = (port == HTTP_PORT).then(|| name.clone());
            [format!("{name}:{port}")].into_iter().chain(bare)
        })
    }

    /// Looks at all of it, so that how long that takes tells nothing.
    fn is_token(&self, token: &str) -> bool {
        let differences = |(one, other): (u8, u8)| one ^ other;
        token.len() == self.token.len()
            && token.bytes().zip(self.token.bytes()).map(differences).fold(0, |all, one| all | one) == 0
    }
}

/// A header that is there exactly once.
fn only<'h>(headers: &'h HeaderMap, name: &HeaderName) -> Option<&'h str> {
    let mut values = headers.get_all(name).iter();
    let (Some(value), None) = (values.next(), values.next()) else { return None };
    value.to_str().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard() -> Guard {
        Guard::new("127.0.0.1:8080".parse().unwrap()).unwrap()
    }

    fn request(uri: &str, headers: &[(HeaderName, &str)]) -> Request<()> {
        let start = Request::builder().uri(uri);
        headers.iter().fold(start, |request, (name, value)| request.header(name, *value)).body(()).unwrap()
    }

    #[test]
    fn a_page_of_its_own_is_let_in_and_told_what_it_asked_for() {
        let guard = guard();
        let path = format!("/{}/page.js", guard.token);
        for host in ["127.0.0.1:8080", "localhost:8080", "LOCALHOST:8080"] {
            assert_eq!(guard.admit(&request(&path, &[(HOST, host)])), Ok("page.js"), "{host}");
            let origin = format!("http://{host}");
            assert_eq!(guard.admit(&request(&path, &[(HOST, host), (ORIGIN, &origin)])), Ok("page.js"));
        }
    }

    #[test]
    fn whoever_was_led_here_by_another_name_is_sent_away() {
        let guard = guard();
        let path = format!("/{}/", guard.token);
        for host in
            ["", "127.0.0.1", "127.0.0.1:80", "example.org:8080", "localhost.example.org:8080", "[::1]:8080"]
        {
            assert_eq!(guard.admit(&request(&path, &[(HOST, host)])), Err(Refusal::ForeignHost), "{host}");
        }
        assert_eq!(guard.admit(&request(&path, &[])), Err(Refusal::ForeignHost));
        let twice = [(HOST, "127.0.0.1:8080"), (HOST, "127.0.0.1:8080")];
        assert_eq!(guard.admit(&request(&path, &twice)), Err(Refusal::ForeignHost));
        let other = format!("http://example.org{path}");
        assert_eq!(guard.admit(&request(&other, &[(HOST, "127.0.0.1:8080")])), Err(Refusal::ForeignHost));
    }

    #[test]
    fn another_page_is_sent_away_and_so_is_a_socket_from_nowhere() {
        let guard = guard();
        let path = format!("/{}/line", guard.token);
        for origin in [
            "http://example.org",
            "https://127.0.0.1:8080",
            "null",
            "http://localhost:8080",
            "http://127.0.0.1",
        ] {
            let foreign = request(&path, &[(HOST, "127.0.0.1:8080"), (ORIGIN, origin)]);
            assert_eq!(guard.admit(&foreign), Err(Refusal::ForeignOrigin), "{origin}");
        }
        let silent = request(&path, &[(HOST, "127.0.0.1:8080")]);
        assert_eq!(guard.admit_socket(&silent), Err(Refusal::ForeignOrigin));
    }

    #[test]
    fn without_the_token_there_is_nothing() {
        let (guard, other) = (guard(), guard());
        assert_ne!(guard.token, other.token);
        let short = guard.token.get(1..).unwrap();
        for path in [
            "/".to_owned(),
            "/page.js".to_owned(),
            format!("/{}/", other.token),
            format!("/{short}/"),
            format!("/{}", guard.token),
        ] {
            let asked = request(&path, &[(HOST, "127.0.0.1:8080")]);
            assert_eq!(guard.admit(&asked), Err(Refusal::NothingThere), "{path}");
        }
    }

    #[test]
    fn on_a_network_it_goes_by_its_number_alone() {
        let guard = Guard::new("192.0.2.7:8080".parse().unwrap()).unwrap();
        let path = format!("/{}/", guard.token);
        assert_eq!(guard.admit(&request(&path, &[(HOST, "192.0.2.7:8080")])), Ok(""));
        assert_eq!(guard.admit(&request(&path, &[(HOST, "localhost:8080")])), Err(Refusal::ForeignHost));
    }

    #[test]
    fn on_the_port_of_all_pages_it_goes_by_its_name_without_one_too() {
        for (address, hosts) in [
            ("192.0.2.7:80", vec!["192.0.2.7", "192.0.2.7:80"]),
            ("127.0.0.1:80", vec!["127.0.0.1", "localhost", "localhost:80"]),
            ("[2001:db8::7]:80", vec!["[2001:db8::7]", "[2001:db8::7]:80"]),
        ] {
            let guard = Guard::new(address.parse().unwrap()).unwrap();
            let path = format!("/{}/line", guard.token);
            for host in hosts {
                let origin = format!("http://{host}");
                let asked = request(&path, &[(HOST, host), (ORIGIN, &origin)]);
                assert_eq!(guard.admit(&asked), Ok("line"), "{host}");
            }
            assert_eq!(guard.admit(&request(&path, &[(HOST, "192.0.2.8")])), Err(Refusal::ForeignHost));
        }
    }
}
