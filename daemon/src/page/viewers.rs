//! Who is looking: each has a queue of its own. Whoever doesn't keep up with it is let go, and asks anew.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};

use hyper::body::Bytes;
use tokio::sync::{Notify, mpsc};

/// News that may wait for a viewer: the first for 64 meters are 129, and then a few come a second.
const WAITING: usize = 256;

/// Viewers at once: some browsers of a few people. The one who has been there for the longest gives way to who comes.
const MOST: usize = 16;

/// Who is looking.
#[derive(Debug, Default)]
pub(super) struct Viewers {
    all: Mutex<Vec<Viewer>>,
    /// The first has come.
    come: Notify,
    /// One has gone.
    gone: Notify,
}

#[derive(Debug)]
struct Viewer {
    news: mpsc::Sender<Bytes>,
    /// Let go: its connection is to end, though it takes nothing.
    lost: Arc<Notify>,
}

/// One viewer's side: what there is for it. Dropped, the viewer is gone.
#[derive(Debug)]
pub(super) struct Viewing {
    news: mpsc::Receiver<Bytes>,
    viewers: Arc<Viewers>,
}

impl Viewing {
    /// The next there is; nothing once it was let go.
    pub(super) fn poll(&mut self, context: &mut Context<'_>) -> Poll<Option<Bytes>> {
        self.news.poll_recv(context)
    }
}

impl Drop for Viewing {
    fn drop(&mut self) {
        self.news.close();
        self.viewers.gone.notify_one();
    }
}

impl Viewers {
    fn all(&self) -> MutexGuard<'_, Vec<Viewer>> {
        self.all.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// One more, who is told `first`, and then whatever is told from now on. `lost` is notified if it is let go.
    pub(super) fn enter(self: &Arc<Self>, lost: Arc<Notify>, first: impl FnOnce() -> Vec<Bytes>) -> Viewing {
        let (sender, news) = mpsc::channel(WAITING);
        let mut all = self.all();
        all.retain(|viewer| !viewer.news.is_closed());
        if all.len() >= MOST {
            all.remove(0).lost.notify_one();
        }
        // While nobody else is told anything, so that nothing is told twice, or not at all.
        for news in first() {
            let _room = sender.try_send(news).is_ok();
        }
        all.push(Viewer { news: sender, lost });
        self.come.notify_one();
        Viewing { news, viewers: Arc::clone(self) }
    }

    /// Tells everyone. `news` is made while nobody enters.
    pub(super) fn tell(&self, news: impl FnOnce() -> Bytes) {
        let mut all = self.all();
        let news = news();
        all.retain(|viewer| match viewer.news.try_send(news.clone()) {
            Ok(()) => true,
            Err(mpsc::error::TrySendError::Full(_)) => {
                tracing::debug!("who looks at the page doesn't keep up, and is let go");
                viewer.lost.notify_one();
                false
            }
            Err(mpsc::error::TrySendError::Closed(_)) => false,
        });
    }

    /// Waits until there is somebody.
    pub(super) async fn some(&self) {
        while self.is_empty() {
            self.come.notified().await;
        }
    }

    /// Waits until there is nobody any more.
    pub(super) async fn none(&self) {
        while !self.is_empty() {
            self.gone.notified().await;
        }
    }

    fn is_empty(&self) -> bool {
        let mut all = self.all();
        all.retain(|viewer| !viewer.news.is_closed());
        all.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(viewing: &mut Viewing) -> usize {
        let mut count = 0;
        while viewing.news.try_recv().is_ok() {
            count += 1;
        }
        count
    }

    #[tokio::test]
    async fn who_does_not_keep_up_is_let_go_and_others_miss_nothing() {
        let viewers = Arc::new(Viewers::default());
        let (slow_lost, quick_lost) = (Arc::new(Notify::new()), Arc::new(Notify::new()));
        let mut slow = viewers.enter(Arc::clone(&slow_lost), || vec![Bytes::from_static(b"first")]);
        let mut quick = viewers.enter(quick_lost, Vec::new);
        let mut told = 0;
        for _ in 0..2 * WAITING {
            viewers.tell(|| Bytes::from_static(b"news"));
            told += taken(&mut quick);
        }
        slow_lost.notified().await;
        assert_eq!((told, taken(&mut slow)), (2 * WAITING, WAITING));
        assert_eq!(slow.news.recv().await, None, "its stream ends");
        drop(quick);
        viewers.none().await;
    }

    #[tokio::test]
    async fn the_one_who_has_been_there_for_the_longest_gives_way() {
        let viewers = Arc::new(Viewers::default());
        let lost: Vec<_> = (0..=MOST).map(|_| Arc::new(Notify::new())).collect();
        let _all: Vec<_> = lost.iter().map(|lost| viewers.enter(Arc::clone(lost), Vec::new)).collect();
        lost[0].notified().await;
        assert_eq!(viewers.all().len(), MOST);
    }
}
