//! What happens, told to whoever looks. While nobody does, nothing is done at all.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use hyper::body::Bytes;
use settled_drivers::clock::Clock as _;
use settled_protocol::run::Run;
use settled_protocol::settling::Verdict;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::{Notify, Semaphore};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep, timeout, timeout_at};

use super::news::{self, Board, Kind};
use super::sight::Sight;
use super::viewers::{Viewers, Viewing};
use crate::daemon::Daemon;
use crate::meter_task::MeterHandle;

/// Between two pieces of news of one kind: four a second, as many as a person can follow, however fast a meter reads.
const PACE: Duration = Duration::from_millis(250);

/// Between two looks at what nobody announces, and two times: a viewer that has heard nothing for much longer has lost its line.
const TICK: Duration = Duration::from_secs(2);

/// How long the last one's coming is still good for after it has gone: a telephone that is put away and looked at again costs the log nothing.
const LINGERS: Duration = Duration::from_secs(30);

/// Shows the daemon to whoever looks.
#[derive(Debug)]
pub(super) struct Show {
    daemon: Arc<Daemon>,
    viewers: Arc<Viewers>,
    board: Board,
    /// Places of those who ask the log for the page.
    questions: Arc<Semaphore>,
    /// For how long after the last viewer has gone.
    lingers: Duration,
}

impl Show {
    pub(super) fn new(daemon: &Arc<Daemon>, questions: &Arc<Semaphore>) -> Arc<Self> {
        let (viewers, board) = (Arc::default(), Board::default());
        let (daemon, questions) = (Arc::clone(daemon), Arc::clone(questions));
        Arc::new(Self { daemon, viewers, board, questions, lingers: LINGERS })
    }

    /// One more viewer. `lost` is notified if it is let go.
    pub(super) fn enter(&self, lost: Arc<Notify>) -> Viewing {
        // It looks at the disk, which nobody is to wait for.
        let time = news::time(&self.daemon);
        self.viewers.enter(lost, &news::left(), || {
            let mut first = vec![news::hello(&self.daemon), time];
            first.extend(self.daemon.list().into_iter().map(news::meter));
            first.extend(self.board.seen());
            first
        })
    }

    /// Tells viewers what happens, as long as there are any, for ever.
    pub(super) async fn run(self: Arc<Self>) {
        loop {
            self.viewers.some().await;
            let mut tasks = JoinSet::new();
            for meter in self.daemon.handles() {
                tasks.spawn(readings(Arc::clone(&self), meter.clone()));
            }
            tasks.spawn(meters(Arc::clone(&self)));
            tasks.spawn(runs(Arc::clone(&self)));
            tasks.spawn(ticks(Arc::clone(&self)));
            loop {
                self.viewers.none().await;
                if timeout(self.lingers, self.viewers.some()).await.is_err() {
                    break;
                }
            }
            tasks.shutdown().await;
            self.board.clear();
        }
    }

    /// Tells it, and puts it up for who comes next: all at once, for nobody to hear it twice or not at all.
    fn post(&self, meter: &str, kind: Kind, news: Bytes, put_up: &Bytes) {
        self.viewers.tell(|| {
            self.board.put(meter, kind, put_up);
            Some(news)
        });
    }

    /// Tells of a meter, if it isn't as it was told last.
    fn look_at(&self, meter: &MeterHandle) {
        self.viewers.tell(|| {
            let news = news::meter(meter.meter(self.daemon.clock.now_s()));
            self.board.put(meter.id(), Kind::Meter, &news).then_some(news)
        });
    }
}

/// A meter's readings, and how its light stands.
async fn readings(show: Arc<Show>, meter: MeterHandle) {
    let mut follow = meter.follow();
    let mut sight = Sight::new(&meter, show.daemon.clock.now_s());
    sight.recall(&show.daemon, &show.questions).await;
    let mut told = None;
    say(&show, &mut sight, &meter, &mut told);
    loop {
        let mut pause = None;
        while let Some(heard) = heard(&mut follow, pause).await {
            match heard {
                Ok(news) => sight.hear(&news, &show.daemon),
                Err(RecvError::Lagged(_)) => sight.lagged(),
                Err(RecvError::Closed) => return,
            }
            pause.get_or_insert_with(|| Instant::now() + PACE);
        }
        say(&show, &mut sight, &meter, &mut told);
    }
}

/// What is heard next; nothing once the pause is over, if there is one.
async fn heard<T: Clone>(follow: &mut Receiver<T>, pause: Option<Instant>) -> Option<Result<T, RecvError>> {
    match pause {
        Some(end) => timeout_at(end, follow.recv()).await.ok(),
        None => Some(follow.recv().await),
    }
}

fn say(show: &Show, sight: &mut Sight, meter: &MeterHandle, told: &mut Option<(Option<Verdict>, u64)>) {
    if let Some((latest, points, missed)) = sight.seen() {
        let reading = latest.json(false);
        let news = news::seen(meter.id(), reading, &points, missed);
        show.post(meter.id(), Kind::Reading, news, &news::seen(meter.id(), reading, &[], false));
        if let Some(judged) = sight.judged() {
            let now = (sight.verdict(), latest.reading.sequence);
            if told.replace(now) != Some(now) {
                let news = news::judged(&judged);
                show.post(meter.id(), Kind::Verdict, news.clone(), &news);
            }
        }
    }
}

/// How meters come, go, fail and recover.
async fn meters(show: Arc<Show>) {
    let mut changes = show.daemon.observe();
    loop {
        match changes.recv().await {
            Ok(_) | Err(RecvError::Lagged(_)) => {}
            Err(RecvError::Closed) => return,
        }
        sleep(PACE).await;
        // What else has come counts as told by what is looked at after it.
        changes = changes.resubscribe();
        show.daemon.handles().for_each(|meter| show.look_at(meter));
    }
}

/// How runs get on.
async fn runs(show: Arc<Show>) {
    let mut changes = show.daemon.runs.observe();
    loop {
        let (mut latest, mut pause): (BTreeMap<u64, Arc<Run>>, _) = (BTreeMap::new(), None);
        let mut lagged = false;
        while let Some(heard) = heard(&mut changes, pause).await {
            match heard {
                Ok(changed) => drop(latest.insert(changed.run.run, changed.run)),
                Err(RecvError::Lagged(_)) => lagged = true,
                Err(RecvError::Closed) => return,
            }
            pause.get_or_insert_with(|| Instant::now() + PACE);
        }
        for run in latest.values() {
            show.viewers.tell(|| Some(news::run(run)));
        }
        if lagged {
            show.viewers.tell(|| Some(news::runs()));
        }
    }
}

/// What time it is, and whatever nobody announces: leases, a warm-up that is over, events.
async fn ticks(show: Arc<Show>) {
    let happened = || show.daemon.log.happened().map(|(_, count)| count).sum::<u64>();
    let mut known = happened();
    loop {
        sleep(TICK).await;
        let time = news::time(&show.daemon);
        show.viewers.tell(|| Some(time));
        show.daemon.handles().for_each(|meter| show.look_at(meter));
        let now = happened();
        // Once they are there to be looked up; a disk that stalls doesn't keep the time from being told.
        if now != known && timeout(PACE, show.daemon.log.worked_through()).await.is_ok() {
            known = now;
            show.viewers.tell(|| Some(news::happened()));
        }
    }
}

#[cfg(test)]
mod tests;
