//! Telling somebody who can't stay why, in one line, whatever they do meanwhile.

use settled_protocol::error::RpcError;
use settled_protocol::message::{RequestId, response_line};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;
use tokio::sync::Semaphore;

/// How long one who was turned away may take to read why.
const TO_READ: Duration = Duration::from_secs(2);

/// Bytes of what they have sent that are read: more than a request that somebody sends before reading. Closing with some of it unread
/// would take from them what they were told.
const UNHEARD: usize = 64 * 1024;

/// Those who are waited for at once: each holds a file open. Beyond it they are told, and closed upon at once.
const AT_ONCE: usize = 32;

/// Turns people away.
#[derive(Debug)]
pub(super) struct Farewell(Semaphore);

impl Default for Farewell {
    fn default() -> Self {
        Self(Semaphore::new(AT_ONCE))
    }
}

impl Farewell {
    /// Tells why, and closes.
    pub(super) async fn say(&self, stream: UnixStream, error: &RpcError) {
        let Ok(mut line) = response_line(&RequestId::Null, Err::<&(), _>(error)) else { return };
        line.push('\n');
        if let Ok(_waited_for) = self.0.try_acquire() {
            let _in_time = tokio::time::timeout(TO_READ, tell(stream, &line)).await.is_ok();
        } else if let Ok(stream) = stream.into_std() {
            // It doesn't block: it is as the runtime has made it. A line fits what the system holds for a socket.
            let _told = std::io::Write::write(&mut &stream, line.as_bytes()).is_ok();
        }
    }
}

async fn tell(mut stream: UnixStream, line: &str) {
    if stream.write_all(line.as_bytes()).await.is_err() || stream.shutdown().await.is_err() {
        return;
    }
    let mut unheard = [0; 4096];
    let mut heard = 0;
    while let Ok(count) = stream.read(&mut unheard).await
        && count > 0
        && heard < UNHEARD
    {
        heard += count;
    }
}
