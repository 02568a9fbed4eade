//! How the daemon does, for a system that watches it: one page in OpenMetrics, over HTTP, on a Unix socket or this machine's loopback.
//!
//! | module | idea |
//! |---|---|
//! | `contents` | what the page says |
//! | `counts` | what is counted for it alone |
//! | `exchange` | one request, one answer |
//! | `exposition` | the two text formats |
//! | `meters`, `process`, `readings`, `runs` | families of the page |

use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use hyper::service::service_fn;
use hyper::{Response, StatusCode};
use hyper_util::rt::TokioIo;
use settled_drivers::fault::chain;
use settled_protocol::method::{DaemonStatus, MeterObserve, MetersList, Method, RunsList};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, UnixStream};

use crate::access::Door;
use crate::client::Peer;
use crate::config::MetricsConfig;
use crate::daemon::Daemon;
use crate::http::{self, ACCEPT_PAUSE, Guests, TAKEN_PAUSE};
use crate::server::{BindError, Bound};
use crate::stop::Stop;

mod contents;
pub(crate) mod counts;
mod exchange;
mod exposition;
mod meters;
mod process;
mod readings;
mod runs;

use exchange::Host;

/// Connections at once. One or two systems look every few seconds and are gone after some milliseconds: whoever stays until there are so
/// many gives way to who comes.
const CONNECTIONS: usize = 8;

/// How long a connection may last, from its beginning to the last byte of its answer: as long as Prometheus waits unless told otherwise.
const LONGEST: Duration = Duration::from_secs(10);

/// What one must be allowed to call to see the page, as it tells the same.
const NEEDED: [&str; 4] = [DaemonStatus::NAME, MetersList::NAME, MeterObserve::NAME, RunsList::NAME];

/// The page that the config asks for, and what came of the first attempt at its place.
#[derive(Debug)]
pub struct Wanted {
    config: MetricsConfig,
    door: Door,
    first: Result<Listening, ListenError>,
}

impl Wanted {
    /// Tries to take the place that the config names. On a Unix socket the file lets in whom `door` says. A daemon that can't have it measures
    /// all the same, as any user of the machine can take a port, and tries again for as long as it runs.
    pub async fn begin(config: MetricsConfig, door: Door) -> Self {
        let first = Listening::at(&config, door).await;
        if let Err(error) = &first {
            tracing::warn!("without the metrics: {error}; tried again every {} s", TAKEN_PAUSE.as_secs());
        }
        Self { config, door, first }
    }

    /// The place, once it is had.
    async fn taken(self) -> Listening {
        let mut tried = self.first;
        loop {
            match tried {
                Ok(listening) => return listening,
                Err(error) => tracing::debug!("without the metrics: {error}"),
            }
            tokio::time::sleep(TAKEN_PAUSE).await;
            tried = Listening::at(&self.config, self.door).await;
        }
    }
}

/// Where the page is to be had.
#[derive(Debug)]
enum Listening {
    /// On a Unix socket, for whom the daemon's own socket lets in.
    Unix(Bound),
    /// On this machine's loopback, for every user of it.
    Loopback(TcpListener),
}

/// Why it can't be had.
#[derive(Debug)]
enum ListenError {
    /// The Unix socket can't be made.
    Unix(PathBuf, BindError),
    /// The port can't be taken.
    Loopback(SocketAddr, std::io::Error),
}

impl fmt::Display for ListenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unix(path, error) => write!(f, "the metrics' socket {}: {}", path.display(), chain(error)),
            Self::Loopback(address, error) => {
                write!(f, "the metrics' address {address}: {error}; choose another with [metrics] listen")
            }
        }
    }
}

impl std::error::Error for ListenError {}

impl Listening {
    /// Takes the place that the config names.
    async fn at(config: &MetricsConfig, door: Door) -> Result<Self, ListenError> {
        match config {
            MetricsConfig::Unix(path) => {
                let bound = Bound::new(path, door).map_err(|error| ListenError::Unix(path.clone(), error))?;
                Ok(Self::Unix(bound))
            }
            MetricsConfig::Loopback(address) => {
                let failed = |error| ListenError::Loopback(*address, error);
                let listener = TcpListener::bind(address).await.map_err(failed)?;
                // Of port 0 nobody knows otherwise which it is.
                tracing::info!(address = %listener.local_addr().map_err(failed)?, "metrics");
                Ok(Self::Loopback(listener))
            }
        }
    }
}

/// Gives the page to whoever asks once its place is had, until the daemon stops.
pub(crate) async fn serve(wanted: Wanted, daemon: &Arc<Daemon>, mut stop: Stop) {
    let listening = tokio::select! {
        listening = wanted.taken() => listening,
        () = stop.wait() => return,
    };
    let mut guests = Guests::new(CONNECTIONS);
    loop {
        let accepted = tokio::select! {
            accepted = accept(&listening) => accepted,
            () = guests.leave() => continue,
            () = stop.wait() => return,
        };
        match accepted {
            Ok(stream) => {
                let daemon = Arc::clone(daemon);
                guests.enter(|_| async move {
                    let _in_time = tokio::time::timeout(LONGEST, attend(stream, &daemon)).await.is_ok();
                });
            }
            Err(error) => {
                tracing::warn!(%error, "accepting a connection for the metrics");
                tokio::time::sleep(ACCEPT_PAUSE).await;
            }
        }
    }
}

/// Somebody who has connected.
enum Stream {
    Unix(UnixStream),
    Loopback(tokio::net::TcpStream),
}

async fn accept(listening: &Listening) -> std::io::Result<Stream> {
    Ok(match listening {
        Listening::Unix(bound) => Stream::Unix(bound.listener.accept().await?.0),
        Listening::Loopback(listener) => Stream::Loopback(listener.accept().await?.0),
    })
}

async fn attend(stream: Stream, daemon: &Daemon) {
    match stream {
        Stream::Loopback(stream) => converse(stream, daemon, Host::Own, None).await,
        Stream::Unix(stream) => {
            let refusal = refusal(&stream, daemon).await;
            converse(stream, daemon, Host::Any, refusal).await;
        }
    }
}

/// Why somebody on the Unix socket may not have the page, if they may not. It is for whoever may ask for the same on the daemon's own.
async fn refusal(stream: &UnixStream, daemon: &Daemon) -> Option<String> {
    let told = match stream.peer_cred() {
        Ok(told) => told,
        Err(error) => return Some(format!("the system doesn't tell who connects: {error}")),
    };
    let (access, peer) = (&daemon.access, Peer::new(told.uid(), told.pid()));
    let admitted = access.admit(peer, &access.vouched(told.gid())).await;
    let allowed =
        admitted.and_then(|client| NEEDED.iter().try_for_each(|method| client.rights().may(method)));
    let error = allowed.err()?;
    daemon.audit.turned_away(Some(peer), &error);
    Some(error.message)
}

/// One request and its answer; then the connection is over, as the next look is seconds away.
async fn converse(
    stream: impl AsyncRead + AsyncWrite + Unpin,
    daemon: &Daemon,
    host: Host,
    refusal: Option<String>,
) {
    let service = service_fn(|request| {
        let answer: Response<String> = match &refusal {
            Some(why) => exchange::refused(StatusCode::FORBIDDEN, why),
            None => exchange::answer(daemon, host, &request),
        };
        std::future::ready(Ok::<_, std::convert::Infallible>(answer))
    });
    let mut http = http::builder();
    http.keep_alive(false);
    // Who has said all, and says so, still gets the answer: socat does.
    http.half_close(true).header_read_timeout(LONGEST);
    if let Err(error) = http.serve_connection(TokioIo::new(stream), service).await {
        tracing::debug!(%error, "asking for the metrics");
    }
}
