//! Which groups a user is in, asked of a database that may block, without anybody waiting long for it.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::watch;

use crate::accounts::Accounts;

/// How long the database of users may take to answer: one in the network takes a fraction of a second.
const PATIENCE: Duration = Duration::from_secs(2);

/// Users that are asked about at once. Each takes a thread for as long as the database takes.
const MOST_AT_ONCE: usize = 16;

type Told = Option<Result<Arc<[u32]>, Arc<str>>>;
type Asking = Arc<Mutex<HashMap<u32, watch::Receiver<Told>>>>;

/// Asks about one user once at a time, however many of its connections come.
#[derive(Debug)]
pub(super) struct Memberships {
    accounts: Arc<dyn Accounts>,
    asking: Asking,
}

impl Memberships {
    pub(super) fn new(accounts: Arc<dyn Accounts>) -> Self {
        Self { accounts, asking: Asking::default() }
    }

    /// Every group of a user; or why that can't be told.
    pub(super) async fn of(&self, uid: u32) -> Result<Arc<[u32]>, Arc<str>> {
        let mut told =
            self.ask(uid).ok_or("the database of users is slow, and others wait for it already")?;
        let told = tokio::time::timeout(PATIENCE, told.wait_for(Option::is_some)).await;
        match told.map(|told| told.ok().and_then(|told| told.clone())) {
            Ok(Some(told)) => told,
            Ok(None) => Err("asking the database of users failed inside the daemon".into()),
            Err(_late) => Err(format!("the database of users hasn't answered within {PATIENCE:?}").into()),
        }
    }

    fn ask(&self, uid: u32) -> Option<watch::Receiver<Told>> {
        let mut asking = lock(&self.asking);
        if let Some(told) = asking.get(&uid) {
            return Some(told.clone());
        }
        if asking.len() >= MOST_AT_ONCE {
            return None;
        }
        let (tell, told) = watch::channel(None);
        asking.insert(uid, told.clone());
        drop(asking);
        let (accounts, asked) = (Arc::clone(&self.accounts), Asked { uid, asking: Arc::clone(&self.asking) });
        // Nobody can end it: who has waited long enough leaves it to itself.
        let _goes_on = tokio::task::spawn_blocking(move || {
            let groups = accounts.groups_of(uid).map(Arc::from).map_err(|error| error.to_string().into());
            // Who comes from here on asks anew.
            drop(asked);
            tell.send_replace(Some(groups));
        });
        Some(told)
    }
}

fn lock(asking: &Asking) -> MutexGuard<'_, HashMap<u32, watch::Receiver<Told>>> {
    asking.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A user that is being asked about, until dropped.
struct Asked {
    uid: u32,
    asking: Asking,
}

impl Drop for Asked {
    fn drop(&mut self) {
        lock(&self.asking).remove(&self.uid);
    }
}

#[cfg(test)]
mod tests {
    use std::io;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::sync::{Condvar, LazyLock};

    use super::*;

    /// A database that answers once it may.
    #[derive(Debug, Default)]
    struct Slow {
        asked: AtomicUsize,
        may: Mutex<bool>,
        changed: Condvar,
    }

    impl Slow {
        fn answer(&self) {
            *self.may.lock().unwrap() = true;
            self.changed.notify_all();
        }
    }

    impl Accounts for Slow {
        fn user(&self, _: &str) -> io::Result<Option<u32>> {
            Ok(None)
        }

        fn group(&self, _: &str) -> io::Result<Option<u32>> {
            Ok(None)
        }

        fn groups_of(&self, uid: u32) -> io::Result<Vec<u32>> {
            self.asked.fetch_add(1, Ordering::Relaxed);
            let mut may = self.may.lock().unwrap();
            while !*may {
                may = self.changed.wait(may).unwrap();
            }
            if uid == 13 { Err(io::Error::other("on fire")) } else { Ok(vec![uid + 1]) }
        }
    }

    #[tokio::test]
    async fn a_database_of_users_that_hangs_is_given_up_and_each_user_takes_one_thread_at_most() {
        static SLOW: LazyLock<Arc<Slow>> = LazyLock::new(Arc::default);
        let memberships = Memberships::new(Arc::clone(&*SLOW) as Arc<dyn Accounts>);
        let (first, second) = tokio::join!(memberships.of(1), memberships.of(1));
        assert!(first.unwrap_err().contains("within 2s") && second.unwrap_err().contains("within 2s"));
        let waiting: Vec<_> = (2..=MOST_AT_ONCE as u32).map(|uid| memberships.ask(uid).unwrap()).collect();
        let refused = memberships.of(99).await.unwrap_err();
        assert!(refused.contains("others wait"), "{refused}");
        SLOW.answer();
        for mut told in waiting {
            assert!(told.wait_for(Option::is_some).await.is_ok());
        }
        assert_eq!(SLOW.asked.load(Ordering::Relaxed), MOST_AT_ONCE);
        assert_eq!(*memberships.of(1).await.unwrap(), [2], "it is asked anew");
        assert_eq!(&*memberships.of(13).await.unwrap_err(), "on fire");
    }
}
