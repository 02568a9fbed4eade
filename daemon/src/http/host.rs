//! By what names a page on the loopback goes. A web page whose own name was made to lead here (DNS rebinding) says that name in `Host`, and
//! is sent away.

use std::net::IpAddr;

use hyper::Request;
use hyper::header::{HOST, HeaderMap, HeaderName};

/// A header that is there exactly once, as text.
pub(crate) fn only<'h>(headers: &'h HeaderMap, name: &HeaderName) -> Option<&'h str> {
    let mut values = headers.get_all(name).iter();
    let (Some(value), None) = (values.next(), values.next()) else { return None };
    value.to_str().ok()
}

/// Whether a request calls this machine by a name of its own, exactly once. A browser that was led here says the name by which it was.
pub(crate) fn is_own<B>(request: &Request<B>) -> bool {
    only(request.headers(), &HOST).is_some_and(names_loopback)
        && request.uri().host().is_none_or(names_loopback)
}

/// Whether it is `localhost` or a number of the loopback network, with a port or without.
fn names_loopback(host: &str) -> bool {
    name(host).is_some_and(|name| {
        name.eq_ignore_ascii_case("localhost")
            || name.parse().is_ok_and(|address: IpAddr| address.is_loopback())
    })
}

/// The name or number without its port, and without brackets; nothing if it is neither.
pub(crate) fn name(host: &str) -> Option<&str> {
    match host.strip_prefix('[') {
        Some(rest) => {
            let (name, port) = rest.split_once(']')?;
            (port.is_empty() || port.starts_with(':')).then_some(name)
        }
        None => Some(host.rsplit_once(':').map_or(host, |(name, _)| name)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_machine_are_its_own() {
        for own in ["localhost", "LocalHost:9750", "127.0.0.1:9750", "127.8.9.1", "[::1]:9750", "[::1]"] {
            assert!(names_loopback(own), "{own}");
        }
        for other in [
            "",
            "example.org",
            "localhost.example.org",
            "127.0.0.1.example.org:9750",
            "192.0.2.7:9750",
            "[::1",
            "[::1]x",
            "[2001:db8::7]:9750",
            "0.0.0.0",
        ] {
            assert!(!names_loopback(other), "{other}");
        }
    }
}
