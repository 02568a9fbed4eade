//! The local page: every meter and every night at a glance, in a browser on this machine or at the other end of a tunnel.
//!
//! It only looks: it causes no exposure, changes nothing, and asks the log no more than a client may. Off unless the config gives it a port.
//!
//! | module | idea |
//! |---|---|
//! | `token` | what one must know |
//! | `guard` | which requests are answered |
//! | `exchange` | one request, one answer |
//! | `answer` | headers and bodies |
//! | `files` | the page's own files |
//! | `past` | what the log has |
//! | `viewers` | who is looking, and how news gets to them |
//! | `news` | what they are told |
//! | `show` | when they are told |
//! | `sight` | one meter as it is looked at |

use std::fmt;
use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use hyper::service::service_fn;
use hyper_util::rt::TokioIo;
use settled_protocol::method::{
    DaemonStatus, LogBins, LogEvents, LogReadings, MeterObserve, MetersList, Method, RunsList,
};
use settled_protocol::status::PageAddressed;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Notify;
use tokio::time::timeout;

use crate::config::PageConfig;
use crate::daemon::Daemon;
use crate::http::{self, ACCEPT_PAUSE, Guests, Stays, TAKEN_PAUSE};
use crate::stop::Stop;

mod answer;
mod exchange;
mod files;
mod guard;
mod news;
mod past;
mod show;
mod sight;
mod token;
mod viewers;

use exchange::Desk;
use token::{Token, TokenError};

/// Connections at once, those on which news come not counted: a browser opens six at most.
const CONNECTIONS: usize = 32;

/// What one must be allowed to call to be told the page's address, as the page tells the same.
pub(crate) const NEEDED: [&str; 7] = [
    DaemonStatus::NAME,
    MetersList::NAME,
    MeterObserve::NAME,
    LogReadings::NAME,
    LogBins::NAME,
    LogEvents::NAME,
    RunsList::NAME,
];

/// How long a request may take to come whole, and a connection may be idle between two.
const IDLE: Duration = Duration::from_secs(15);

/// How long a connection may last on which no news come: it is ended after the answer that is on its way then, which may take as long again. A
/// day of readings through a slow tunnel takes some seconds.
const LONGEST: Duration = Duration::from_secs(120);

/// How long a viewer that is let go has to take what is on its way to it.
const PARTING: Duration = Duration::from_secs(2);

/// Ports that are tried where the system is to choose one: what it chooses is free for one version of IP, not for the other.
const CHOICES: usize = 20;

/// The page that the config asks for, and what came of the first attempt at its place.
#[derive(Debug)]
pub struct Wanted {
    config: PageConfig,
    file: PathBuf,
    first: Result<Listening, ListenError>,
}

impl Wanted {
    /// Tries to take the config's port on this machine's loopback. The token is that in `file`. A daemon that can't have it measures all the
    /// same: the page only looks, and any user of the machine can take a port.
    pub async fn begin(config: PageConfig, file: PathBuf) -> Self {
        let first = Listening::at(&config, &file).await;
        if let Err(error) = &first {
            tracing::warn!("without the local page: {error}{}", error.what_then());
        }
        Self { config, file, first }
    }

    /// The place, once it is had; never where its token is refused. Until then `daemon` tells clients why there is none.
    async fn taken(self, daemon: &Daemon) -> Option<Listening> {
        let mut tried = self.first;
        loop {
            let error = match tried {
                Ok(listening) => return Some(listening),
                Err(error) => error,
            };
            daemon.paged(Err(format!("{error}{}", error.what_then())));
            if matches!(error, ListenError::Token(_)) {
                return None;
            }
            tokio::time::sleep(TAKEN_PAUSE).await;
            tried = Listening::at(&self.config, &self.file).await;
        }
    }
}

/// Where the page is to be had, and what one must know.
#[derive(Debug)]
struct Listening {
    listeners: [Option<TcpListener>; 2],
    port: u16,
    token: Token,
}

/// Why it can't be had.
#[derive(Debug)]
enum ListenError {
    /// The port can't be taken.
    Port(SocketAddr, std::io::Error),
    /// There is no token.
    Token(TokenError),
}

impl fmt::Display for ListenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Port(address, error) => {
                write!(f, "the page's address {address}: {error}; choose another with [page] port")
            }
            Self::Token(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for ListenError {}

impl ListenError {
    /// What becomes of it: a port may be free at any time, a token is looked at by whoever runs the daemon.
    fn what_then(&self) -> String {
        match self {
            Self::Port(..) => format!("; it is tried again every {} s", TAKEN_PAUSE.as_secs()),
            Self::Token(_) => "; there is no page until the daemon is started anew".to_owned(),
        }
    }
}

impl Listening {
    /// Takes the config's port on this machine's loopback, for both versions of IP where it has both. The token is that in `file`.
    async fn at(config: &PageConfig, file: &Path) -> Result<Self, ListenError> {
        let token = Token::kept_in(file).map_err(ListenError::Token)?;
        let mut choices = if config.port == 0 { CHOICES } else { 1 };
        let (listeners, port) = loop {
            choices -= 1;
            match take(config.port).await {
                Err(ListenError::Port(_, error)) if choices > 0 => {
                    tracing::debug!(%error, "another port for the page");
                }
                taken => break taken?,
            }
        };
        // Without the token: the trace is read by others. `settle page` tells it.
        tracing::info!(port, "page on the loopback; `settle page` tells its address");
        Ok(Self { listeners, port, token })
    }

    /// What is opened in a browser.
    fn address(&self) -> PageAddressed {
        let address = format!("http://127.0.0.1:{}/#{}", self.port, self.token.fragment());
        PageAddressed { address, port: self.port }
    }
}

/// A port for both versions of IP, where the machine has both: with one of them left to somebody else, `localhost` might lead there.
async fn take(port: u16) -> Result<([Option<TcpListener>; 2], u16), ListenError> {
    let at = |ip: IpAddr, port| async move {
        let address = SocketAddr::new(ip, port);
        TcpListener::bind(address).await.map_err(|error| ListenError::Port(address, error))
    };
    let four = at(Ipv4Addr::LOCALHOST.into(), port).await?;
    let address = SocketAddr::new(Ipv4Addr::LOCALHOST.into(), port);
    let port = four.local_addr().map_err(|error| ListenError::Port(address, error))?.port();
    let six = match at(Ipv6Addr::LOCALHOST.into(), port).await {
        Ok(six) => Some(six),
        Err(ListenError::Port(_, error)) if is_without(&error) => None,
        Err(error) => return Err(error),
    };
    Ok(([Some(four), six], port))
}

/// Whether a machine has no such version of IP.
fn is_without(error: &std::io::Error) -> bool {
    error.kind() == ErrorKind::AddrNotAvailable || error.raw_os_error() == Some(nix::libc::EAFNOSUPPORT)
}

/// Gives the page to whoever asks for it once its place is had, until the daemon stops.
pub(crate) async fn serve(wanted: Wanted, daemon: &Arc<Daemon>, mut stop: Stop) {
    let taken = tokio::select! {
        taken = wanted.taken(daemon) => taken,
        () = stop.wait() => return,
    };
    let Some(listening) = taken else { return };
    daemon.paged(Ok(listening.address()));
    let Listening { listeners: [four, six], token, .. } = listening;
    let desk = Arc::new(Desk::new(daemon, token));
    let showing = desk.show();
    tokio::pin!(showing);
    let mut guests = Guests::new(CONNECTIONS);
    loop {
        let accepted = tokio::select! {
            accepted = accept(four.as_ref()) => accepted,
            accepted = accept(six.as_ref()) => accepted,
            () = guests.leave() => continue,
            () = &mut showing => return,
            () = stop.wait() => return,
        };
        match accepted {
            Ok(stream) => {
                let desk = Arc::clone(&desk);
                guests.enter(|stays| attend(stream, desk, stays));
            }
            Err(error) => {
                tracing::warn!(%error, "accepting a connection for the page");
                tokio::time::sleep(ACCEPT_PAUSE).await;
            }
        }
    }
}

async fn accept(listener: Option<&TcpListener>) -> std::io::Result<TcpStream> {
    match listener {
        Some(listener) => Ok(listener.accept().await?.0),
        None => std::future::pending().await,
    }
}

/// One connection: requests one after the other, or news as long as they are taken.
async fn attend(stream: TcpStream, desk: Arc<Desk>, stays: Stays) {
    // News are small, and are to come at once. Where that can't be had they come a little later.
    let _at_once = stream.set_nodelay(true).is_ok();
    let lost = Arc::new(Notify::new());
    let service = service_fn(|request| {
        let (desk, stays, lost) = (Arc::clone(&desk), stays.clone(), Arc::clone(&lost));
        async move { Ok::<_, std::convert::Infallible>(desk.answer(&request, &stays, lost).await) }
    });
    let mut http = http::builder();
    http.header_read_timeout(IDLE);
    let mut connection = pin!(http.serve_connection(TokioIo::new(stream), service));
    let too_long = async {
        tokio::time::sleep(LONGEST).await;
        if stays.does() {
            std::future::pending::<()>().await;
        }
    };
    let rest = tokio::select! {
        ended = connection.as_mut() => return tell(ended),
        () = lost.notified() => PARTING,
        () = too_long => {
            connection.as_mut().graceful_shutdown();
            LONGEST
        }
    };
    match timeout(rest, connection).await {
        Ok(ended) => tell(ended),
        Err(_) => tracing::debug!("a connection to the page took too long, and is ended"),
    }
}

fn tell(ended: Result<(), hyper::Error>) {
    if let Err(error) = ended {
        tracing::debug!(%error, "asking for the page");
    }
}
