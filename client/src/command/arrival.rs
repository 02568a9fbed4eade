//! A daemon that was started a moment ago: its socket is waited for, where somebody types. Commands that are pasted right behind `settled … &`
//! come before it listens; whatever has no terminal as its standard input is told at once.

use std::io::IsTerminal;
use std::path::PathBuf;
use std::time::Duration;

use settled_protocol::socket;
use tokio::net::UnixStream;
use tokio::time::{sleep, timeout};

use crate::connection::{Connection, OpenError};

/// How long it is waited for: a daemon listens within a fraction of that.
const PATIENCE: Duration = Duration::from_secs(1);

/// Between two looks.
const LOOKS: Duration = Duration::from_millis(50);

/// Connects to the usual socket, with some patience where there is a terminal.
pub(super) async fn open_default() -> Result<Connection, OpenError> {
    let first = Connection::open_default().await;
    match first {
        Err(error) if error.may_be_early() && std::io::stdin().is_terminal() => {
            let candidates = socket::candidates(|name| std::env::var_os(name).map(PathBuf::from));
            if timeout(PATIENCE, listens(&candidates)).await.is_ok() {
                Connection::open_default().await
            } else {
                Err(error)
            }
        }
        outcome => outcome,
    }
}

/// Waits until one of them takes a connection.
async fn listens(candidates: &[PathBuf]) {
    loop {
        for path in candidates {
            if UnixStream::connect(path).await.is_ok() {
                return;
            }
        }
        sleep(LOOKS).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_socket_that_is_made_a_moment_later_is_found_and_one_that_never_is_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let (never, later) = (folder.path().join("never"), folder.path().join("later"));
        let made = later.clone();
        let making = async {
            sleep(3 * LOOKS).await;
            tokio::net::UnixListener::bind(&made).unwrap()
        };
        let candidates = [never.clone(), later];
        let found = timeout(Duration::from_secs(60), async { tokio::join!(listens(&candidates), making).1 });
        assert!(found.await.is_ok());
        assert!(timeout(2 * LOOKS, listens(&[never])).await.is_err());
    }
}
