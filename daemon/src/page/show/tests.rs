//! What is done for the page, by what is put up for whoever comes next: all that is reckoned for viewers ends there.

use std::path::Path;

use settled_drivers::driver::Registry;
use settled_drivers::sample::Exposure;

use super::*;
use crate::client::By;
use crate::clock::Clock;
use crate::config::Config;
use crate::daemon::Terms;
use crate::log::Log;
use crate::page::exchange::QUESTIONS;
use crate::stop;

const CONFIG: &str = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// How long anything may take. A hang fails instead of hanging.
const PATIENCE: Duration = Duration::from_secs(20);

/// Readings for as long as it takes to tell of them, were somebody looking; gives how many.
async fn readings(daemon: &Daemon) -> u64 {
    let (meter, until, mut count) = (daemon.meter("m").unwrap(), Instant::now() + 4 * PACE, 0);
    while Instant::now() < until {
        meter.read(&By::itself(), Exposure::default()).await.unwrap();
        count += 1;
        sleep(PACE / 10).await;
    }
    count
}

async fn until(what: &str, holds: impl Fn() -> bool) {
    let wait = async {
        while !holds() {
            sleep(Duration::from_millis(5)).await;
        }
    };
    timeout(PATIENCE, wait).await.unwrap_or_else(|_| panic!("waited in vain until {what}"));
}

#[tokio::test]
async fn while_nobody_looks_nothing_is_reckoned_for_the_page_and_nothing_is_ever_exposed_for_it() {
    let config = Config::load(Path::new("settled.toml"), CONFIG, &Registry::built_in()).unwrap();
    let (_stopper, stop) = stop::pair();
    let clock = Arc::new(Clock::system());
    let (daemon, supervisor) = Daemon::new(config.meters, clock, Log::off(), Terms::default(), stop);
    let (questions, lingers) = (Arc::new(Semaphore::new(QUESTIONS)), Duration::from_millis(50));
    let (viewers, board, of) = (Arc::default(), Board::default(), Arc::clone(&daemon));
    let show = Arc::new(Show { daemon: of, viewers, board, questions, lingers });
    let mut tasks = JoinSet::new();
    tasks.spawn(supervisor.run());
    tasks.spawn(Arc::clone(&show).run());
    let mut taken = readings(&daemon).await;
    assert!(show.board.seen().is_empty(), "nobody has come yet");
    let viewing = show.enter(Arc::default());
    until("there is news for who looks", || !show.board.seen().is_empty()).await;
    drop(viewing);
    until("nothing is up any more once the last one has gone", || show.board.seen().is_empty()).await;
    taken += readings(&daemon).await;
    assert!(show.board.seen().is_empty(), "nobody is there any more");
    assert_eq!(daemon.status().meters[0].exposures, taken);
}
