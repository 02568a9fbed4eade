//! How a recording gets on, for those who don't write it.

use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use settled_protocol::method::RecordingStatus;
use tokio::sync::Notify;

/// How much of a recording is written, and why it ended before the daemon did, if it has.
#[derive(Clone, Debug)]
pub struct Progress(Arc<Shared>);

#[derive(Debug)]
struct Shared {
    file: String,
    bytes: AtomicU64,
    ended: OnceLock<String>,
    /// Holds the news for one who asks only afterwards.
    news: Notify,
}

impl Progress {
    /// Of a recording that begins in `file`.
    pub(super) fn of(file: &Path) -> Self {
        let file = file.display().to_string();
        let (bytes, ended, news) = (AtomicU64::new(0), OnceLock::new(), Notify::new());
        Self(Arc::new(Shared { file, bytes, ended, news }))
    }

    /// So many bytes more are written.
    pub(super) fn wrote(&self, bytes: u64) {
        self.0.bytes.fetch_add(bytes, Ordering::Relaxed);
    }

    /// It has ended, and the daemon goes on. The first reason counts.
    pub(super) fn end(&self, why: String) {
        let _first = self.0.ended.set(why).is_ok();
        self.0.news.notify_one();
    }

    /// Whether it has ended before the daemon did.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.0.ended.get().is_some()
    }

    /// Its file.
    #[must_use]
    pub fn file(&self) -> &str {
        &self.0.file
    }

    /// Waits until it has ended while the daemon goes on, and gives the reason. For one who waits.
    pub async fn ended(&self) -> String {
        loop {
            if let Some(why) = self.0.ended.get() {
                return why.clone();
            }
            self.0.news.notified().await;
        }
    }

    /// As clients are told of it. What is written may still be in memory for a moment.
    #[must_use]
    pub fn status(&self) -> RecordingStatus {
        let reason = self.0.ended.get().cloned();
        RecordingStatus {
            file: self.0.file.clone(),
            bytes: self.0.bytes.load(Ordering::Relaxed),
            writing: reason.is_none(),
            reason,
        }
    }
}
