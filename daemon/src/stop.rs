//! The end of the daemon, as a value that tasks wait for: first in order, then, if somebody is in a hurry, at once.

use tokio::sync::watch;

/// How far the end has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Phase {
    /// Not at all.
    Running,
    /// Whatever is under way is finished first.
    Stopping,
    /// Nothing is waited for any more but what is on its way to the disk.
    Hurried,
}

/// Held by whoever may stop the daemon. Dropping it stops too.
#[derive(Debug)]
pub struct Stopper(watch::Sender<Phase>);

/// Waits for the end.
#[derive(Clone, Debug)]
pub struct Stop(watch::Receiver<Phase>);

/// A stop that has not happened yet.
#[must_use]
pub fn pair() -> (Stopper, Stop) {
    let (sender, receiver) = watch::channel(Phase::Running);
    (Stopper(sender), Stop(receiver))
}

impl Stopper {
    /// Stops.
    pub fn stop(&self) {
        self.0.send_if_modified(|phase| std::mem::replace(phase, Phase::Stopping.max(*phase)) != *phase);
    }

    /// Stops, and doesn't wait for exposures that are under way.
    pub fn hurry(&self) {
        self.0.send_replace(Phase::Hurried);
    }
}

impl Stop {
    /// Returns once the daemon is to stop.
    pub async fn wait(&mut self) {
        // An error means that the stopper is gone, which stops as well.
        let _gone = self.0.wait_for(|phase| *phase > Phase::Running).await.is_err();
    }

    /// Returns once the daemon is to stop without waiting for exposures that are under way.
    pub async fn hurried(&mut self) {
        if self.0.wait_for(|phase| *phase == Phase::Hurried).await.is_err() {
            // Nobody is left who could be in a hurry.
            std::future::pending::<()>().await;
        }
    }

    /// Whether the daemon is to stop.
    #[must_use]
    pub fn has_come(&self) -> bool {
        *self.0.borrow() > Phase::Running || self.0.has_changed().is_err()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn who_is_in_a_hurry_stops_too_and_a_stop_afterwards_takes_nothing_back() {
        let (stopper, mut stop) = pair();
        assert!(!stop.has_come());
        stopper.hurry();
        stopper.stop();
        stop.wait().await;
        stop.hurried().await;
        assert!(stop.has_come());
    }
}
