//! Who is looking: each has a queue of its own. Whoever doesn't keep up with it is let go, and asks anew.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};

use hyper::body::Bytes;
use tokio::sync::{Notify, mpsc};

/// News that may wait for a viewer: the first for 64 meters are 194 (three of each, and two more), and then a few come a second.
const WAITING: usize = 256;

/// Viewers at once: some browsers of a few people. The one who has been there for the longest gives way to who comes, is told so, and doesn't
/// come back by itself: two who push out one another would have everything told anew without end.
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

    /// One more, who is told `first`, and then whatever is told from now on. `lost` is notified if it is let go. Whoever gives way is told
    /// `left` as the last.
    pub(super) fn enter(
        self: &Arc<Self>,
        lost: Arc<Notify>,
        left: &Bytes,
        first: impl FnOnce() -> Vec<Bytes>,
    ) -> Viewing {
        let (sender, news) = mpsc::channel(WAITING);
        let mut all = self.all();
        all.retain(|viewer| !viewer.news.is_closed());
        if all.len() >= MOST {
            let oldest = all.remove(0);
            // Whoever takes nothing isn't told, and is let go all the same.
            let _told = oldest.news.try_send(left.clone()).is_ok();
            oldest.lost.notify_one();
        }
        // While nobody else is told anything, so that nothing is told twice, or not at all.
        if first().into_iter().all(|news| sender.try_send(news).is_ok()) {
            all.push(Viewer { news: sender, lost });
        } else {
            tracing::warn!("there is more to be told at first than may wait for a viewer of the page");
            lost.notify_one();
        }
        self.come.notify_one();
        Viewing { news, viewers: Arc::clone(self) }
    }

    /// Tells everyone, if there is something to tell. `news` is made while nobody enters, and nothing else is told.
    pub(super) fn tell(&self, news: impl FnOnce() -> Option<Bytes>) {
        let mut all = self.all();
        let Some(news) = news() else { return };
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

    const LEFT: Bytes = Bytes::from_static(b"left");

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
        let mut slow = viewers.enter(Arc::clone(&slow_lost), &LEFT, || vec![Bytes::from_static(b"first")]);
        let mut quick = viewers.enter(quick_lost, &LEFT, Vec::new);
        let mut told = 0;
        for _ in 0..2 * WAITING {
            viewers.tell(|| Some(Bytes::from_static(b"news")));
            told += taken(&mut quick);
        }
        slow_lost.notified().await;
        assert_eq!((told, taken(&mut slow)), (2 * WAITING, WAITING));
        assert_eq!(slow.news.recv().await, None, "its stream ends");
        drop(quick);
        viewers.none().await;
    }

    #[tokio::test]
    async fn the_one_who_has_been_there_for_the_longest_gives_way_and_is_told_so() {
        let viewers = Arc::new(Viewers::default());
        let lost: Vec<_> = (0..=MOST).map(|_| Arc::new(Notify::new())).collect();
        let mut all: Vec<_> =
            lost.iter().map(|lost| viewers.enter(Arc::clone(lost), &LEFT, Vec::new)).collect();
        lost[0].notified().await;
        assert_eq!(viewers.all().len(), MOST);
        assert_eq!(all[0].news.recv().await, Some(LEFT), "so that it doesn't come back by itself");
        assert_eq!(all[0].news.recv().await, None);
        assert!(all[1].news.try_recv().is_err());
    }
}
