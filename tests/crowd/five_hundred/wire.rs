//! A member's connection, and the book that everything on it is entered in.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::UnixStream;
use tokio::net::unix::{OwnedReadHalf, OwnedWriteHalf};
use tokio::time::{Instant, timeout, timeout_at};

use super::Place;
use crate::book::{Book, Entered, Right};

/// How long anything may take. Everybody's requests at once take a fraction of it.
pub(crate) const LONGEST: Duration = Duration::from_secs(30);

/// Before another try where as many connect as the system lets wait.
const AGAIN: Duration = Duration::from_millis(2);

/// In a crowd there may be too much of everything, and somebody may have the one meter for himself.
pub(crate) const USUAL: Right = Right::ResultOr(&["overloaded", "leased"]);

/// The daemon had no room for this connection, and has said so.
#[derive(Debug)]
pub(crate) struct TurnedAway;

pub(crate) struct Wire {
    reader: BufReader<OwnedReadHalf>,
    writer: OwnedWriteHalf,
    line: Vec<u8>,
    pub(crate) book: Book,
}

impl Wire {
    pub(crate) async fn connect(place: &Place, doing: &str) -> Self {
        let stream = loop {
            match UnixStream::connect(&place.socket).await {
                Ok(stream) => break stream,
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {
                    tokio::time::sleep(AGAIN).await
                }
                Err(error) => panic!("connecting: {error}"),
            }
        };
        let (reader, writer) = stream.into_split();
        let book = Book::new(format!("{} {doing}", place.name), &place.ledger);
        Self { reader: BufReader::new(reader), writer, line: Vec::new(), book }
    }

    /// Sends bytes as they are.
    pub(crate) async fn send(&mut self, bytes: &[u8]) -> Result<(), TurnedAway> {
        match timeout(LONGEST, self.writer.write_all(bytes)).await.expect("bytes taken in time") {
            Ok(()) => Ok(()),
            Err(error) => self.lost(&error.to_string()).await,
        }
    }

    /// The daemon has closed: right only if it said that it has no room.
    async fn lost(&mut self, how: &str) -> Result<(), TurnedAway> {
        while !self.book.was_turned_away() {
            self.line.clear();
            let count = self.reader.read_until(b'\n', &mut self.line).await.unwrap_or(0);
            assert!(count > 0, "the daemon has closed: {how}: {}", self.book.state());
            self.book.enter(&self.line);
        }
        Err(TurnedAway)
    }

    /// Sends a request.
    pub(crate) async fn ask(&mut self, method: &'static str, params: Value) -> Result<u64, TurnedAway> {
        self.ask_for(method, params, USUAL).await
    }

    /// Sends a request to which this answer is right.
    pub(crate) async fn ask_for(
        &mut self,
        method: &'static str,
        params: Value,
        right: Right,
    ) -> Result<u64, TurnedAway> {
        let (id, request) = self.book.ask(method, &params, right);
        self.send(format!("{request}\n").as_bytes()).await?;
        Ok(id)
    }

    /// Takes a request back, by a notification.
    pub(crate) async fn take_back(&mut self, id: u64) -> Result<(), TurnedAway> {
        self.book.take_back(id);
        let cancel = json!({"jsonrpc": "2.0", "method": "request.cancel", "params": {"id": id}});
        self.send(format!("{cancel}\n").as_bytes()).await
    }

    /// Reads and enters a line.
    pub(crate) async fn line(&mut self) -> Result<Entered, TurnedAway> {
        timeout(LONGEST, self.next())
            .await
            .unwrap_or_else(|_| panic!("no line in time: {}", self.book.state()))
    }

    /// Reads and enters a line, if one comes by then.
    pub(crate) async fn line_by(&mut self, until: Instant) -> Result<Option<Entered>, TurnedAway> {
        timeout_at(until, self.next()).await.map_or(Ok(None), |entered| entered.map(Some))
    }

    /// Dropping the future loses nothing: what has come is kept.
    async fn next(&mut self) -> Result<Entered, TurnedAway> {
        match self.reader.read_until(b'\n', &mut self.line).await {
            Ok(0) => self.lost("its end").await.map(|()| Entered::Other),
            Ok(_) => {
                let entered = self.book.enter(&self.line);
                self.line.clear();
                if self.book.was_turned_away() { Err(TurnedAway) } else { Ok(entered) }
            }
            Err(error) => self.lost(&error.to_string()).await.map(|()| Entered::Other),
        }
    }

    /// Reads on until this is answered.
    pub(crate) async fn answer(&mut self, id: u64) -> Result<Value, TurnedAway> {
        loop {
            if let Entered::Answer(of, answer) = self.line().await?
                && of == id
            {
                return Ok(answer);
            }
        }
    }

    /// Reads whatever comes until then.
    pub(crate) async fn read_until(&mut self, until: Instant) -> Result<(), TurnedAway> {
        while self.line_by(until).await?.is_some() {}
        Ok(())
    }

    /// Takes back what is open, ends every subscription, and reads on until all is answered.
    pub(crate) async fn settle_up(&mut self) -> Result<(), TurnedAway> {
        for id in self.book.open() {
            self.take_back(id).await?;
        }
        while !self.book.is_settled() {
            self.line().await?;
        }
        for subscription in self.book.subscriptions() {
            let id = self.ask("subscription.cancel", json!({"subscription": subscription})).await?;
            self.answer(id).await?;
        }
        Ok(())
    }

    /// No more will be sent.
    pub(crate) async fn finish_speaking(&mut self) {
        self.writer.shutdown().await.unwrap();
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            self.book.close();
        }
    }
}
