//! An instrument behind a network address: plain bytes over TCP, as instruments speak SCPI on a raw socket. The only file that
//! names `socket2`.

use std::fmt;
use std::net::{IpAddr, Ipv6Addr};
use std::str::FromStr;
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout_at};

use super::Link;
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};

/// Bytes read at once.
const CHUNK: usize = 4096;

/// The longest that finding and connecting to an instrument may take: on a local network it takes milliseconds.
const CONNECTING: Duration = Duration::from_secs(5);

/// A peer that has said nothing for this long is asked whether it is there.
const ASKED_AFTER: Duration = Duration::from_secs(5);

/// And again every so long.
const ASKED_EVERY: Duration = Duration::from_secs(2);

/// After so many of those without an answer it is gone.
const ASKED_TIMES: u32 = 3;

/// A peer that has not confirmed what was sent to it for this long is gone.
const UNCONFIRMED: Duration = Duration::from_secs(10);

/// A network address: a name or an IP address, and a port. A name is looked up anew at each opening.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Endpoint {
    /// An IP address without brackets (an IPv6 one perhaps with a zone), or a name in lower case.
    host: String,
    port: u16,
}

/// Text that is no network address.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadEndpoint(String);

impl fmt::Display for BadEndpoint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}; expected \"host:port\": \"192.0.2.7:5025\", \"[2001:db8::7]:5025\" or \"meter.example:5025\"",
            self.0
        )
    }
}

impl std::error::Error for BadEndpoint {}

impl fmt::Display for Endpoint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { host, port } = self;
        if host.contains(':') { write!(f, "[{host}]:{port}") } else { write!(f, "{host}:{port}") }
    }
}

impl FromStr for Endpoint {
    type Err = BadEndpoint;

    fn from_str(text: &str) -> Result<Self, BadEndpoint> {
        let bad = |what: String| Err(BadEndpoint(what));
        let (host, port) = match text.strip_prefix('[') {
            Some(rest) => match rest.split_once("]:") {
                Some((host, port)) => (ip6(host), port),
                None => return bad(format!("{text:?} has no \"]:\" before its port")),
            },
            None => match text.split_once(':') {
                Some((_, rest)) if rest.contains(':') => {
                    return bad(format!("{text:?} has more than one ':': an IPv6 address goes in brackets"));
                }
                Some((host, port)) => (name_or_ip4(host), port),
                None => return bad(format!("{text:?} has no port")),
            },
        };
        let Some(host) = host else { return bad(format!("{text:?} has no host that makes sense")) };
        let digits = !port.is_empty() && port.bytes().all(|byte| byte.is_ascii_digit());
        match port.parse() {
            Ok(port) if digits && port > 0 => Ok(Self { host, port }),
            _ => bad(format!("{port:?} is no port from 1 to 65535")),
        }
    }
}

/// An IPv6 address in its one usual form, with its zone if it has one.
fn ip6(text: &str) -> Option<String> {
    let (address, zone) = text.split_once('%').map_or((text, None), |(address, zone)| (address, Some(zone)));
    let address: Ipv6Addr = address.parse().ok()?;
    let fits = |zone: &str| {
        !zone.is_empty()
            && zone.len() <= 15
            && zone.chars().all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c))
    };
    match zone {
        None => Some(address.to_string()),
        Some(zone) => fits(zone).then(|| format!("{address}%{zone}")),
    }
}

/// An IPv4 address, or a name as RFC 1123, section 2.1, has it (underscores are let through); what ends in a number is no
/// name.
fn name_or_ip4(text: &str) -> Option<String> {
    if let Ok(address @ IpAddr::V4(_)) = text.parse() {
        return Some(address.to_string());
    }
    let fits = |label: &str| {
        (1..=63).contains(&label.len())
            && label.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_')
            && !label.starts_with('-')
            && !label.ends_with('-')
    };
    let labels: Vec<&str> = text.split('.').collect();
    let ends_in_a_number = labels.last().is_some_and(|label| label.bytes().all(|byte| byte.is_ascii_digit()));
    (text.len() <= 253 && !ends_in_a_number && labels.iter().all(|label| fits(label)))
        .then(|| text.to_ascii_lowercase())
}

/// Connects to an instrument, within five seconds, the search for its name included.
///
/// A peer that vanishes without a word (its cable is pulled, its power fails) is noticed some eleven seconds after it was
/// last heard of, idle or not: it is asked after five, then every two, and three silences are enough.
///
/// # Errors
/// `Gone`: nobody knows the name, nobody listens there, or no way leads there.
pub async fn open(endpoint: &Endpoint) -> Result<Box<dyn Link>, Fault> {
    let deadline = Instant::now() + CONNECTING;
    let gone = |detail: String| Fault::new(FaultKind::Gone, detail);
    let host = &endpoint.host;
    // The search itself happens on a thread of its own.
    let found = timeout_at(deadline, tokio::net::lookup_host((host.as_str(), endpoint.port))).await;
    let found = found.map_err(|_| gone(format!("looking up {host:?} took longer than {CONNECTING:?}")))?;
    let found = found.map_err(|error| gone(format!("nobody knows the name {host:?}")).because(error))?;
    let places: Vec<_> = found.collect();
    let mut last = None;
    for (index, place) in places.iter().enumerate() {
        // Each gets its share of the time that is left: one that swallows everything must not hide the next.
        let left = deadline.saturating_duration_since(Instant::now());
        let share = left / u32::try_from(places.len() - index).unwrap_or(u32::MAX);
        match timeout_at(Instant::now() + share, TcpStream::connect(place)).await {
            Ok(Ok(stream)) => match connected(stream, endpoint) {
                Ok(tcp) => return Ok(Box::new(tcp)),
                Err(fault) => last = Some(fault),
            },
            Ok(Err(error)) => last = Some(not_connected(endpoint, error)),
            Err(_) => {
                let detail = format!("{endpoint} doesn't answer: is it on, and is the cable in?");
                last = Some(gone(detail));
            }
        }
    }
    Err(last.unwrap_or_else(|| gone(format!("the name {host:?} leads nowhere"))))
}

fn connected(stream: TcpStream, endpoint: &Endpoint) -> Result<Tcp, Fault> {
    let set = || -> std::io::Result<()> {
        // A port of this machine that nobody listens on may, by chance, be connected to itself.
        if stream.local_addr()? == stream.peer_addr()? {
            return Err(std::io::ErrorKind::ConnectionRefused.into());
        }
        stream.set_nodelay(true)?;
        let asking =
            TcpKeepalive::new().with_time(ASKED_AFTER).with_interval(ASKED_EVERY).with_retries(ASKED_TIMES);
        let socket = SockRef::from(&stream);
        socket.set_tcp_keepalive(&asking)?;
        socket.set_tcp_user_timeout(Some(UNCONFIRMED))?;
        Ok(())
    };
    set().map_err(|error| not_connected(endpoint, error))?;
    Ok(Tcp { stream, endpoint: endpoint.clone() })
}

/// What a failure to connect means. All of them are `Gone`: what isn't there now may be there soon.
fn not_connected(endpoint: &Endpoint, error: std::io::Error) -> Fault {
    use std::io::ErrorKind;
    let detail = match error.kind() {
        ErrorKind::ConnectionRefused => {
            format!(
                "{endpoint} refuses: is it the right port, and does another program hold the only connection?"
            )
        }
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
            format!("no way leads to {endpoint}: is it on, and in this network?")
        }
        _ => format!("connecting to {endpoint}"),
    };
    Fault::new(FaultKind::Gone, detail).because(error)
}

/// A connection.
#[derive(Debug)]
struct Tcp {
    stream: TcpStream,
    endpoint: Endpoint,
}

impl Tcp {
    fn lost(&self, doing: &str, error: std::io::Error) -> Fault {
        use std::io::ErrorKind;
        let endpoint = &self.endpoint;
        let detail = match error.kind() {
            ErrorKind::ConnectionReset | ErrorKind::ConnectionAborted | ErrorKind::BrokenPipe => {
                format!("{endpoint} broke the connection off")
            }
            ErrorKind::TimedOut | ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
                format!("{endpoint} is no longer reached")
            }
            _ => format!("{doing} {endpoint}"),
        };
        Fault::new(FaultKind::Gone, detail).because(error)
    }
}

impl Link for Tcp {
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let sent = self.stream.write_all(bytes).await;
            sent.map_err(|error| self.lost("writing to", error))
        })
    }

    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>> {
        Box::pin(async move {
            let mut chunk = [0; CHUNK];
            match self.stream.read(&mut chunk).await {
                Ok(0) => {
                    let detail = format!("{} closed the connection", self.endpoint);
                    Err(Fault::new(FaultKind::Gone, detail))
                }
                Ok(count) => {
                    held.extend_from_slice(chunk.get(..count).unwrap_or_default());
                    Ok(())
                }
                Err(error) => Err(self.lost("reading from", error)),
            }
        })
    }
}

#[cfg(test)]
mod tests;
