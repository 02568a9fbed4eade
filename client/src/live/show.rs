//! The loop: news, keys, signals and the time go in; a picture comes of it, ten times a second at the most, and only of what is new.

use std::io;
use std::time::Duration;

use rustix::process::{Signal, getpgrp, getsid, kill_current_process_group};
use settled::clock::boot_s;
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};

use super::draw::draw;
use super::feed::{Feed, Order};
use super::keys::Keys;
use super::pen::Means;
use super::screen::Screen;
use super::state::{State, Wish};
use super::view::View;
use crate::local;

/// Between two pictures at the least.
const PACE: Duration = Duration::from_millis(100);
/// Between two looks at how old everything is.
const AGES: Duration = Duration::from_secs(1);

/// How it came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Somebody wanted it.
    Wanted,
    /// As by Ctrl-C.
    Interrupted,
    /// The terminal has gone.
    Gone,
    /// A task has panicked: the terminal is given back, and what the panic said stands on it.
    Broken,
}

/// Shows what a feed tells on a screen, until somebody ends it. Ages are counted on the boot clock, which goes on while the machine sleeps.
///
/// # Errors
/// If the terminal can't be drawn on, or signals can't be listened to.
pub async fn show(mut screen: Screen, state: State, feed: Feed, means: Means) -> io::Result<End> {
    let end = keep_showing(&mut screen, state, feed, means).await;
    // A task may panic while the screen is drawn on, which fails then.
    if screen.is_broken() { Ok(End::Broken) } else { end }
}

async fn keep_showing(
    screen: &mut Screen,
    mut state: State,
    mut feed: Feed,
    means: Means,
) -> io::Result<End> {
    let mut sizes = signal(SignalKind::window_change())?;
    let mut stops = signal(SignalKind::from_raw(Signal::TSTP.as_raw()))?;
    let mut goings_on = signal(SignalKind::from_raw(Signal::CONT.as_raw()))?;
    let mut ages = interval(AGES);
    ages.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let (zone, mut keys) = (local::zone(), Keys::default());
    let (mut is_due, mut next) = (true, Instant::now());
    loop {
        tokio::select! {
            biased;
            () = screen.breaks() => return Ok(End::Broken),
            bytes = screen.read() => {
                let bytes = bytes?;
                if bytes.is_empty() {
                    return Ok(End::Gone);
                }
                for wish in keys.take(&bytes).into_iter().filter_map(|key| state.press(key)) {
                    if let Some(end) = obey(wish, screen, &feed)? {
                        return Ok(end);
                    }
                }
                is_due = true;
            }
            _ = sizes.recv() => is_due = true,
            _ = stops.recv() => stop(screen)?,
            _ = goings_on.recv() => {
                screen.enter_again()?;
                is_due = true;
            }
            () = sleep_until(next), if is_due => {
                let view = View::of(&state, boot_s(), &zone, means.ascii);
                screen.draw(|buffer| draw(buffer, &view, means))?;
                (is_due, next) = (false, Instant::now() + PACE);
            }
            news = feed.news.recv() => match news {
                Some(news) => {
                    state.take(news, boot_s());
                    is_due = true;
                }
                None => return Err(io::Error::other("what listens to the daemon has ended")),
            },
            _ = ages.tick() => is_due = true,
        }
    }
}

/// Does what a key asks for; gives how it ends where it asks for the end.
fn obey(wish: Wish, screen: &mut Screen, feed: &Feed) -> io::Result<Option<End>> {
    match wish {
        Wish::End => return Ok(Some(End::Wanted)),
        Wish::Interrupt => return Ok(Some(End::Interrupted)),
        Wish::Suspend => stop(screen)?,
        Wish::Redraw => screen.forget(),
        Wish::Measure { meter, on } => {
            // Where the feed is behind by so many orders, the daemon has long gone.
            let _taken = feed.orders.try_send(Order { meter, on }).is_ok();
        }
    }
    Ok(None)
}

/// Gives the terminal back and stops, with whatever else was started along, until somebody has it go on. Where nobody could, because no
/// shell looks after this process, nothing is done.
fn stop(screen: &mut Screen) -> io::Result<()> {
    // A shell with job control has its jobs in groups other than its own.
    let looked_after = getsid(None).is_ok_and(|session| session != getpgrp());
    if !looked_after {
        return Ok(());
    }
    screen.leave();
    kill_current_process_group(Signal::STOP)?;
    screen.enter_again()
}
