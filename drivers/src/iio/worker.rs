//! A thread that asks the kernel. Reading an attribute can take as long as an exposure, and for ever where a driver of the kernel
//! hangs: nobody else must wait for that, and there is one such thread for each configured meter, however often it is opened.

use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Mutex, PoisonError};

use tokio::sync::oneshot;

use crate::fault::{Fault, FaultKind};

/// Jobs that may wait behind one that nobody waits for any more: a caller has one call at a time, but may drop it, the one that
/// brings it to order too, and again.
const WAITING: usize = 8;

type Job = Box<dyn FnOnce() + Send>;

/// The thread. It ends with its owner, once its job is done.
#[derive(Debug, Default)]
pub(super) struct Worker(Mutex<Option<SyncSender<Job>>>);

impl Worker {
    /// Does `job` once those before it are done. Dropping the future leaves the job to end by itself.
    ///
    /// # Errors
    /// What `job` fails with; `Silent` if the kernel hangs on earlier ones.
    pub(super) async fn run<T: Send + 'static>(
        &self,
        job: impl FnOnce() -> Result<T, Fault> + Send + 'static,
    ) -> Result<T, Fault> {
        let (reply, answer) = oneshot::channel();
        self.send(Box::new(move || {
            // Nobody may be waiting any more.
            if !reply.is_closed() {
                let _waiting = reply.send(job()).is_ok();
            }
        }))?;
        answer
            .await
            .map_err(|_| Fault::new(FaultKind::Silent, "the thread that asks the kernel has ended"))?
    }

    fn send(&self, job: Job) -> Result<(), Fault> {
        let mut sender = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let jobs = match sender.take() {
            Some(jobs) => jobs,
            None => start()?,
        };
        match jobs.try_send(job) {
            Ok(()) => {
                *sender = Some(jobs);
                Ok(())
            }
            Err(TrySendError::Full(_)) => {
                *sender = Some(jobs);
                Err(Fault::new(FaultKind::Silent, "the kernel has not answered what it was asked before"))
            }
            // It panicked: the next call starts another.
            Err(TrySendError::Disconnected(_)) => {
                Err(Fault::new(FaultKind::Silent, "the thread that asks the kernel has ended"))
            }
        }
    }
}

fn start() -> Result<SyncSender<Job>, Fault> {
    let (jobs, queue): (SyncSender<Job>, Receiver<Job>) = sync_channel(WAITING);
    let serve = move || queue.into_iter().for_each(|job| job());
    std::thread::Builder::new().name("iio".to_owned()).stack_size(256 * 1024).spawn(serve).map_err(
        |error| Fault::new(FaultKind::Silent, "starting the thread that asks the kernel").because(error),
    )?;
    Ok(jobs)
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;
    use std::time::Duration;

    use super::*;

    #[tokio::test]
    async fn a_kernel_that_hangs_holds_up_one_thread_and_nobody_else() {
        let worker = Worker::default();
        let (release, hang) = channel::<()>();
        let hanging = worker.run(move || {
            let _released = hang.recv().is_err();
            Ok(())
        });
        assert!(tokio::time::timeout(Duration::from_millis(20), hanging).await.is_err());
        // Some wait behind it; there is no room for more.
        for _ in 0..WAITING {
            let waiting = worker.run(|| Ok(2));
            assert!(tokio::time::timeout(Duration::from_millis(1), waiting).await.is_err());
        }
        assert_eq!(worker.run(|| Ok(3)).await.unwrap_err().kind(), FaultKind::Silent);
        drop(release);
        let answered = async {
            loop {
                if let Ok(number) = worker.run(|| Ok(4)).await {
                    return number;
                }
                tokio::task::yield_now().await;
            }
        };
        assert_eq!(tokio::time::timeout(Duration::from_secs(20), answered).await, Ok(4));
    }

    #[tokio::test]
    async fn a_call_after_some_that_were_dropped_waits_for_its_turn_and_what_was_given_up_is_not_begun() {
        let worker = Worker::default();
        let (release, slow) = channel::<()>();
        let exposing = worker.run(move || {
            let _released = slow.recv().is_err();
            Ok(())
        });
        assert!(tokio::time::timeout(Duration::from_millis(20), exposing).await.is_err());
        let recovering = worker.run(|| -> Result<(), Fault> { panic!("it was given up") });
        assert!(tokio::time::timeout(Duration::from_millis(1), recovering).await.is_err());
        let again = worker.run(|| Ok(3));
        let done = async { drop(release) };
        let (again, ()) = tokio::join!(again, done);
        assert_eq!(again.unwrap(), 3);
    }

    #[tokio::test]
    async fn a_job_that_panics_is_a_fault_and_the_next_one_is_done() {
        let worker = Worker::default();
        let failed = worker.run(|| -> Result<(), Fault> { panic!("the test says so") }).await;
        assert_eq!(failed.unwrap_err().kind(), FaultKind::Silent);
        let again = async {
            loop {
                if let Ok(number) = worker.run(|| Ok(1)).await {
                    return number;
                }
            }
        };
        assert_eq!(tokio::time::timeout(Duration::from_secs(20), again).await, Ok(1));
    }
}
