//! Opening and closing, again and again.

use std::time::Duration;

use tokio::time::{Instant, sleep, timeout};

use super::failure::Failure;
use super::samples::measures;
use super::{Extent, Suite, close, ensure, same, timed, words};
use crate::meter::{Description, Meter};

/// Where the system lists the files that this process has open.
const OPEN_FILES: &str = "/proc/self/fd";

/// How often it is looked whether a file that is being closed is closed, and how long between two looks.
const LOOKS: (u32, Duration) = (40, Duration::from_millis(50));

impl Suite<'_> {
    pub(super) async fn open_and_closed(&mut self, meter: Box<dyn Meter>, described: &Description) {
        let (name, count) = ("it closes, opens and measures again", self.times(1, 20));
        self.begins(name, 2 * count);
        let outcome = self.reopens(meter, described, count).await;
        self.ends(name, outcome);
        let (name, count) = ("a meter that was dropped and not closed can be opened again", self.times(1, 3));
        self.begins(name, 2 * count);
        let outcome = self.drops(count).await;
        self.ends(name, outcome);
        let (name, count) = ("a dropped opening can be done again", self.times(1, 5));
        self.begins(name, 2 * count);
        let outcome = self.drops_openings(described, count).await;
        self.ends(name, outcome);
    }

    async fn reopens(
        &mut self,
        meter: Box<dyn Meter>,
        described: &Description,
        count: u32,
    ) -> Result<(), Failure> {
        close(meter).await?;
        let before = open_files();
        let start = Instant::now();
        let mut opened = 0;
        while opened < count && !self.is_enough(opened as usize, start) {
            opened += 1;
            let mut again = self.open().await?;
            same(described, again.describe())?;
            measures(again.as_mut()).await?;
            close(again).await?;
        }
        // Whatever else goes on in this process opens files, too.
        if self.kit.extent == Extent::Brief {
            return Ok(());
        }
        for _ in 0..LOOKS.0 {
            if open_files() <= before {
                return Ok(());
            }
            sleep(LOOKS.1).await;
        }
        let now = open_files();
        ensure(now <= before, || {
            let [before, now] = [before, now].map(Option::unwrap_or_default);
            format!("{before} files were open before, {now} are after {opened} times")
        })
    }

    async fn drops(&mut self, count: u32) -> Result<(), Failure> {
        for _ in 0..count {
            let mut meter = self.open().await?;
            measures(meter.as_mut()).await?;
            drop(meter);
        }
        let mut meter = self.open().await?;
        measures(meter.as_mut()).await?;
        close(meter).await
    }

    async fn drops_openings(&mut self, described: &Description, count: u32) -> Result<(), Failure> {
        let (meter, usual) = timed(self.open()).await;
        close(meter?).await?;
        let start = Instant::now();
        for done in 0..count {
            if self.is_enough(done as usize, start) {
                break;
            }
            let moment = self.random.moment(usual);
            // Whether it was open by then makes no difference.
            let _opened = timeout(moment, self.kit.driver.open(&self.kit.clock)).await.is_ok();
            let mut meter = self.open().await.map_err(|it| {
                let case = format!("dropped after {}", words::time(moment));
                it.within(case)
            })?;
            same(described, meter.describe())?;
            measures(meter.as_mut()).await?;
            close(meter).await?;
        }
        Ok(())
    }
}

/// How many files this process has open, where the system tells.
fn open_files() -> Option<usize> {
    std::fs::read_dir(OPEN_FILES).ok().map(Iterator::count)
}
