//! Takes the terminal over as `settle live` does, draws a picture, and panics: for the test that says that the terminal is given back. With the word
//! `task` it goes on as `settle live` does, over a connection that nobody answers, and a task beside it panics at SIGUSR1.

use std::io;

use settle::connection::Connection;
use settle::live::draw::draw;
use settle::live::feed::Feed;
use settle::live::pen::Means;
use settle::live::screen::Screen;
use settle::live::show::show;
use settle::live::state::State;
use settle::live::view::View;
use settled_protocol::settling::Criteria;
use tokio::net::UnixStream;
use tokio::signal::unix::{SignalKind, signal};
use tokio::task::JoinSet;

const MEANS: Means = Means { colour: false, ascii: true };

fn main() -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let in_a_task = std::env::args().any(|word| word == "task");
    runtime.block_on(async { if in_a_task { panic_in_a_task().await } else { panic_in_the_picture().await } })
}

async fn panic_in_the_picture() -> io::Result<()> {
    let mut screen = Screen::enter()?;
    let view = View::of(&nothing(), 0.0, &settle::local::zone(), true);
    screen.draw(|buffer| draw(buffer, &view, MEANS))?;
    // Until somebody presses a key, so that the picture can be looked at.
    screen.read().await?;
    panic!("on purpose, in the middle of a picture");
}

async fn panic_in_a_task() -> io::Result<()> {
    let mut asked = signal(SignalKind::user_defined1())?;
    let (ours, _theirs) = UnixStream::pair()?;
    let feed = Feed::begin(Connection::over(ours));
    // As those of the feed: whoever has started it never looks at how it ends.
    let mut tasks = JoinSet::new();
    tasks.spawn(async move {
        asked.recv().await;
        panic!("on purpose, in a task beside the picture");
    });
    let end = show(Screen::enter()?, nothing(), feed, MEANS).await?;
    drop(tasks);
    Err(io::Error::other(format!("it has ended: {end:?}")))
}

fn nothing() -> State {
    State::new(Criteria::default(), Vec::new(), None)
}
