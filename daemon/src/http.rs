//! What the daemon's pages over HTTP have in common, the metrics and the local page: how much they take of a request, how many they
//! answer at once, and by what names they go.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
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

/// After a place to listen at was taken by somebody else, before it is tried again.
pub(crate) const TAKEN_PAUSE: Duration = Duration::from_secs(5);

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

/// Says of a connection how readily it gives way.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stays(Arc<AtomicU8>);

/// Nobody knows yet who it is: it gives way first.
const PASSES: u8 = 0;
/// It is somebody who may be here.
const MAY: u8 = 1;
/// It gives way to nobody.
const DOES: u8 = 2;

impl Stays {
    /// It is somebody who may be here, who gives way only where all may.
    pub(crate) fn may_stay(&self) {
        self.0.fetch_max(MAY, Ordering::Relaxed);
    }

    /// It stays for long from now on, and gives way to nobody: whoever says so bounds how many do.
    pub(crate) fn stays(&self) {
        self.0.fetch_max(DOES, Ordering::Relaxed);
    }

    /// Whether it does.
    pub(crate) fn does(&self) -> bool {
        self.how() == DOES
    }

    fn how(&self) -> u8 {
        self.0.load(Ordering::Relaxed)
    }
}

impl Guests {
    /// So many at once, those that stay not counted.
    pub(crate) fn new(most: usize) -> Self {
        Self { most, tasks: JoinSet::new(), order: VecDeque::new() }
    }

    /// Answers one more. Where there are too many one gives way: of those who nobody knows the one who has been there for the longest; if
    /// there is none, of the others.
    pub(crate) fn enter<F>(&mut self, attend: impl FnOnce(Stays) -> F)
    where
        F: Future<Output = ()> + Send + 'static,
    {
        self.order.retain(|(guest, _)| !guest.is_finished());
        let oldest = |how: u8| self.order.iter().position(|(_, stays)| stays.how() == how);
        if self.order.iter().filter(|(_, stays)| !stays.does()).count() >= self.most
            && let Some(oldest) = oldest(PASSES).or_else(|| oldest(MAY))
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

    /// Tells its number as it is dropped.
    struct Tells(u32, mpsc::Sender<u32>);

    impl Drop for Tells {
        fn drop(&mut self) {
            self.1.try_send(self.0).unwrap();
        }
    }

    /// Guests, two at once, of whom each does something at first; and the numbers of those that had to go.
    async fn gone(does: &[fn(&Stays)]) -> (Guests, Vec<u32>) {
        let (ended, mut heard) = mpsc::channel(8);
        let mut guests = Guests::new(2);
        for (number, does) in (1..).zip(does.iter().copied()) {
            let tells = Tells(number, ended.clone());
            guests.enter(|stays| async move {
                let _tells = tells;
                does(&stays);
                std::future::pending::<()>().await;
            });
            // It does it, and who was to go has gone.
            tokio::task::yield_now().await;
        }
        let gone = std::iter::from_fn(|| heard.try_recv().ok()).collect();
        (guests, gone)
    }

    #[tokio::test]
    async fn who_has_been_there_for_the_longest_gives_way_unless_it_stays() {
        let passes: fn(&Stays) = |_| {};
        let (mut guests, gone) = gone(&[Stays::stays, passes, passes, passes]).await;
        assert_eq!(gone, [2], "two pass, and the one that stays is there");
        guests.leave().await;
        assert_eq!(guests.order.len(), 3);
    }

    #[tokio::test]
    async fn who_is_not_known_pushes_out_nobody_who_is() {
        let passes: fn(&Stays) = |_| {};
        let (_guests, gone) = gone(&[Stays::may_stay, passes, passes, passes]).await;
        assert_eq!(gone, [2, 3]);
        let (_guests, gone) = self::gone(&[Stays::may_stay, Stays::may_stay, passes]).await;
        assert_eq!(gone, [1], "unless all are");
    }
}
