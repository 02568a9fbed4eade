//! Takes the terminal over as `settle live` does, draws a picture, and panics: for the test that says that the terminal is given back.

use std::io;

use settle::live::draw::draw;
use settle::live::pen::Means;
use settle::live::screen::Screen;
use settle::live::state::State;
use settle::live::view::View;
use settled_protocol::settling::Criteria;

fn main() -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let mut screen = Screen::enter()?;
        let state = State::new(Criteria::default(), Vec::new(), None);
        let view = View::of(&state, 0.0, &settle::local::zone(), true);
        screen.draw(|buffer| draw(buffer, &view, Means { colour: false, ascii: true }))?;
        // Until somebody presses a key, so that the picture can be looked at.
        screen.read().await?;
        panic!("on purpose, in the middle of a picture");
    })
}
