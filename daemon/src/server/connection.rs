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

    /// Waits until there is news of a client that has finished speaking. Whether it is gone.
    pub(super) async fn gone(&self) -> bool {
        // Readable it is, for the end was read; whether the other direction is closed, too, is told to who asks for it.
        let news = self.0.ready(Interest::READABLE | Interest::WRITABLE).await;
        news.is_ok_and(|news| news.ready().is_write_closed())
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
