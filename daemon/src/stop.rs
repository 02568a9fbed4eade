//! The end of the daemon, as a value that tasks wait for.

use tokio::sync::watch;

/// Held by whoever may stop the daemon. Dropping it stops too.
#[derive(Debug)]
pub struct Stopper(watch::Sender<bool>);

/// Waits for the end.
#[derive(Clone, Debug)]
pub struct Stop(watch::Receiver<bool>);

/// A stop that has not happened yet.
#[must_use]
pub fn pair() -> (Stopper, Stop) {
    let (sender, receiver) = watch::channel(false);
    (Stopper(sender), Stop(receiver))
}

impl Stopper {
    /// Stops.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }
}

impl Stop {
    /// Returns once the daemon is to stop.
    pub async fn wait(&mut self) {
        // An error means that the stopper is gone, which stops as well.
        let _gone = self.0.wait_for(|stopped| *stopped).await.is_err();
    }

    /// Whether the daemon is to stop.
    #[must_use]
    pub fn has_come(&self) -> bool {
        *self.0.borrow() || self.0.has_changed().is_err()
    }
}
