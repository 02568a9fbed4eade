//! What is told, to whoever traces the client, of a connection and of each request over it.

use std::path::Path;

use settled_protocol::error::RpcError;
use tokio::net::UnixStream;
use tokio::time::Instant;

/// That a socket was tried.
pub(super) fn tried(path: &Path, outcome: Result<&UnixStream, &std::io::Error>) {
    match outcome {
        Ok(_) => tracing::debug!("{}: connected", path.display()),
        Err(error) => tracing::debug!("{}: {error}", path.display()),
    }
}

/// A request that waits for its answer.
pub(super) struct Told {
    method: &'static str,
    since: Instant,
}

impl Told {
    pub(super) fn asked(method: &'static str) -> Self {
        Self { method, since: Instant::now() }
    }

    pub(super) fn answered<T>(&self, outcome: &Result<T, RpcError>) {
        let Self { method, since } = self;
        let ms = since.elapsed().as_secs_f64() * 1e3;
        match outcome {
            Ok(_) => tracing::debug!("{method}: answered after {ms:.1} ms"),
            Err(error) => tracing::debug!("{method}: refused after {ms:.1} ms, {:?}: {error}", error.kind()),
        }
    }
}
