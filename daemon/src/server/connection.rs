//! A client's socket. It is watched for what the client sends; for room to write only while something waits for that: else every line that
//! a client reads would wake the daemon to be told so.

use std::io::{self, Read, Write};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;

use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// A client's socket.
#[derive(Debug)]
pub(super) struct Connection(AsyncFd<UnixStream>);

impl Connection {
    pub(super) fn new(stream: tokio::net::UnixStream) -> io::Result<Self> {
        watched(stream.into_std()?, Interest::READABLE).map(Self)
    }

    /// Reads what the client has sent, once it has; 0 when it has finished speaking. Dropping the future loses nothing.
    pub(super) async fn read(&self, buffer: &mut [u8]) -> io::Result<usize> {
        self.0.async_io(Interest::READABLE, |mut socket| socket.read(buffer)).await
    }

    /// Waits until the client doesn't listen any more. It may do so for as long as it likes: nobody looks meanwhile.
    pub(super) async fn gone(&self) {
        // Room to write isn't watched for here, so this is news of the end alone. Where even that can't be told, it is the end.
        let _news = self.0.ready(Interest::WRITABLE).await.is_ok();
    }

    /// Writes as much as the client's socket takes now.
    pub(super) fn write_now(&self, bytes: &[u8]) -> io::Result<usize> {
        self.0.get_ref().write(bytes)
    }

    /// Waits until the client's socket takes more.
    pub(super) async fn writable(&self) -> io::Result<()> {
        let watch = watched(self.0.get_ref().try_clone()?, Interest::WRITABLE)?;
        watch.writable().await.map(drop)
    }

    /// Ends the connection, whoever else still holds it.
    pub(super) fn end(&self) {
        // A client that is gone has ended it already.
        let _ended = self.0.get_ref().shutdown(Shutdown::Both).is_ok();
    }
}

#[expect(deprecated, reason = "unsound only for descriptors that somebody else may close, which this is not")]
fn watched(socket: UnixStream, interest: Interest) -> io::Result<AsyncFd<UnixStream>> {
    AsyncFd::with_interest(socket, interest)
}

#[cfg(test)]
mod tests {
    use std::future::poll_fn;
    use std::pin::pin;
    use std::task::Poll;
    use std::time::Duration;

    use super::*;

    #[tokio::test]
    async fn a_client_that_has_finished_speaking_is_waited_for_without_looking_until_it_is_gone() {
        let (ours, theirs) = tokio::net::UnixStream::pair().unwrap();
        let (connection, mut theirs) = (Connection::new(ours).unwrap(), theirs.into_std().unwrap());
        theirs.shutdown(Shutdown::Write).unwrap();
        assert_eq!(connection.read(&mut [0; 8]).await.unwrap(), 0);
        let mut gone = pin!(connection.gone());
        let mut is_gone =
            async || poll_fn(|context| Poll::Ready(gone.as_mut().poll(context).is_ready())).await;
        // It reads, which makes room, and hears: it is there.
        for _ in 0..3 {
            assert_eq!(connection.write_now(b"light").unwrap(), 5);
            theirs.set_nonblocking(false).unwrap();
            theirs.read_exact(&mut [0; 5]).unwrap();
            tokio::task::yield_now().await;
            assert!(!is_gone().await);
        }
        drop(theirs);
        tokio::time::timeout(Duration::from_secs(10), gone).await.unwrap();
    }
}
