//! What the daemon's pages over HTTP have in common, the metrics and the local page: how much they take of a request, how many they
//! answer at once, and by what names they go.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use hyper::server::conn::http1;
use hyper_util::rt::TokioTimer;
use tokio::task::{AbortHandle, JoinSet};

pub(crate) mod host;

/// Bytes that a request may take, its headers included: some 300 are usual. The least that the HTTP library allows.
const REQUEST_BYTES: usize = 8192;

/// Headers that a request may have: five are usual for a program, some twenty for a browser.
const HEADERS: usize = 32;

/// After a failed accept (no file descriptors left, say), before the next.
pub(crate) const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Connections of one request after the other, each of bounded size.
pub(crate) fn builder() -> http1::Builder {
    let mut http = http1::Builder::new();
    http.max_buf_size(REQUEST_BYTES).max_headers(HEADERS).timer(TokioTimer::new());
    http
}

/// Who is being answered, the oldest first.
#[derive(Debug)]
pub(crate) struct Guests {
    most: usize,
    tasks: JoinSet<()>,
    order: VecDeque<(AbortHandle, Stays)>,
}

/// Says of a connection that it stays for long, so that it gives way to nobody: whoever says so bounds how many do.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stays(Arc<AtomicBool>);

impl Stays {
    /// From now on.
    pub(crate) fn stays(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether it does.
    pub(crate) fn does(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

impl Guests {
    /// So many at once, those that stay not counted.
    pub(crate) fn new(most: usize) -> Self {
        Self { most, tasks: JoinSet::new(), order: VecDeque::new() }
    }

    /// Answers one more; the one who has been there for the longest gives way where there are too many.
    pub(crate) fn enter<F>(&mut self, attend: impl FnOnce(Stays) -> F)
    where
        F: Future<Output = ()> + Send + 'static,
    {
        let passing = |order: &VecDeque<(AbortHandle, Stays)>| {
            order.iter().filter(|(guest, stays)| !stays.does() && !guest.is_finished()).count()
        };
        if passing(&self.order) >= self.most
            && let Some(oldest) = self.order.iter().position(|(_, stays)| !stays.does())
            && let Some((oldest, _)) = self.order.remove(oldest)
        {
            tracing::debug!("who has asked for a page for too long gives way to who comes");
            oldest.abort();
        }
        let stays = Stays::default();
        let task = self.tasks.spawn(attend(stays.clone()));
        self.order.push_back((task, stays));
    }

    /// Waits until one has gone; for ever if there is none.
    pub(crate) async fn leave(&mut self) {
        if self.tasks.join_next().await.is_none() {
            std::future::pending::<()>().await;
        }
        self.order.retain(|(guest, _)| !guest.is_finished());
    }
}

#[cfg(test)]
mod tests {
    use tokio::sync::mpsc;

    use super::*;

    #[tokio::test]
    async fn who_has_been_there_for_the_longest_gives_way_unless_it_stays() {
        let (ended, mut heard) = mpsc::channel(8);
        /// Tells as it is dropped.
        struct Tells(u32, mpsc::Sender<u32>);
        impl Drop for Tells {
            fn drop(&mut self) {
                self.1.try_send(self.0).unwrap();
            }
        }
        let mut guests = Guests::new(2);
        for number in 1..=4 {
            let tells = Tells(number, ended.clone());
            guests.enter(|stays| async move {
                let _tells = tells;
                if number == 1 {
                    stays.stays();
                }
                std::future::pending::<()>().await;
            });
            tokio::task::yield_now().await;
        }
        assert_eq!(heard.recv().await, Some(2));
        assert!(heard.try_recv().is_err(), "two pass, and the one that stays is there");
        guests.leave().await;
        assert_eq!(guests.order.len(), 3);
    }
}
