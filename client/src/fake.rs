//! A daemon that does what a test tells it, on a real socket.

use std::path::PathBuf;

use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{UnixListener, UnixStream};

/// A socket in a folder of its own.
pub(crate) struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub(crate) fn socket(&self) -> PathBuf {
        self.folder.path().join("socket")
    }

    pub(crate) fn listen(&self) -> UnixListener {
        let _left_behind = std::fs::remove_file(self.socket()).is_ok();
        UnixListener::bind(self.socket()).unwrap()
    }
}

/// One connection, the daemon's side.
pub(crate) struct Fake(BufReader<UnixStream>);

impl Fake {
    pub(crate) async fn of(listener: &UnixListener) -> Self {
        Self(BufReader::new(listener.accept().await.unwrap().0))
    }

    /// The next request; nothing once the client has gone.
    pub(crate) async fn hear(&mut self) -> Option<Value> {
        let mut line = String::new();
        let count = self.0.read_line(&mut line).await.unwrap();
        (count > 0).then(|| serde_json::from_str(&line).unwrap())
    }

    pub(crate) async fn say(&mut self, line: &Value) {
        self.0.get_mut().write_all(format!("{line}\n").as_bytes()).await.unwrap();
    }

    /// Says what comes of a request.
    pub(crate) async fn answer(&mut self, request: &Value, result: Value) {
        self.say(&json!({"jsonrpc": "2.0", "id": request["id"], "result": result})).await;
    }
}

/// What such a daemon says of itself.
pub(crate) fn hello(instance: &str) -> Value {
    json!({
        "protocol": 1, "daemon": "d", "instance": instance, "clock": {"kind": "system", "speed": 1.0},
        "limits": {
            "line_bytes": 1, "batch": 1, "connections": 1, "pending_requests": 1, "subscriptions": 1,
            "waiting_notifications": 1, "waiting_bytes": 1, "connections_of_user": 1, "pending_bytes": 1,
        },
    })
}
