//! A full-screen page in the display's own browser, driven over a WebSocket.
//!
//! The browser fetches everything from here and nothing from anywhere else. It draws a stimulus in whole pixels of the display, and says
//! so two animation frames later: what it was told is then with the compositor, which shows it within a frame or two. What the
//! display itself adds to that, nobody can tell: some tens of milliseconds, a tenth of a second on some televisions (common practice, no
//! source). A pause after each stimulus is there for that.
//!
//! Code values are those of an 8-bit sRGB canvas. They reach the display unchanged where the system knows no colour profile of it, or
//! sRGB's; where it knows another, browsers convert to that, and what is measured is the display together with that conversion. In a
//! system's HDR mode they are shown as SDR content within it. Whoever wants the display alone takes the profile off, and night light, adaptive
//! brightness and colour filters with it: the page can see none of these.
//!
//! | module | idea |
//! |---|---|
//! | `guard` | which requests are answered: address, origin and token |
//! | `line` | the conversation with one page |
//! | `order` | what a page is told to show, and what it says of it |
//! | `serve` | the web server |
//! | `status` | how the page is, as all lines have it |

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use settled_protocol::stage::Range;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

use super::way::Pause;
use super::{NotShown, Screen, caution};
use crate::evaluate::aim::Transfer;
use crate::output::{Output, STRONG, styled};
use crate::review::patch::{Coding, Patch};

mod guard;
mod line;
mod order;
mod serve;
mod status;

use guard::Guard;
use order::Order;
pub use order::View;
use status::{Presence, Status};

/// A page that is there draws within some frames; one that doesn't is in a tab that is hidden, mostly.
const DRAWN_WITHIN: Duration = Duration::from_secs(3);

/// What is said of an address that only this machine can reach.
const LOOPBACK: &str = "\n  (from this machine alone: for a browser elsewhere, name this machine's\n  address on the network with --page-address)";

/// How long the page has to say that it has ended.
const FAREWELL: Duration = Duration::from_secs(1);

/// Where the page is to be had, and how long it is waited for.
#[derive(Clone, Copy, Debug)]
pub struct Manner {
    /// An address of this machine, and a port, 0 for any that is free; loopback and any port if absent.
    pub address: Option<SocketAddr>,
    /// How long the page is waited for, at first and whenever it is away.
    pub patience: Duration,
    /// How long to wait once it has drawn, for the display's own delay.
    pub pause: Pause,
}

/// The address and port of `--page-address`; port 0 where none is named.
///
/// # Errors
/// A sentence that says what is expected.
pub fn address(text: &str) -> Result<SocketAddr, String> {
    let bare = || text.parse().ok().map(|address: IpAddr| SocketAddr::new(address, 0));
    let address = text.parse().ok().or_else(bare);
    let address = address.ok_or_else(|| {
        "expected an address of this machine such as 192.0.2.7 or 192.0.2.7:8080".to_owned()
    })?;
    if address.ip().is_unspecified() {
        return Err(
            "one address of this machine, so that pages elsewhere can't lead here by a name of their own"
                .to_owned(),
        );
    }
    Ok(address)
}

/// Whether code values of this coding reach a page as they are.
fn can_show(coding: Coding) -> Result<(), NotShown> {
    if coding.bits == 8 && coding.range == Range::Full {
        return Ok(());
    }
    let range = if coding.range == Range::Full { "full" } else { "narrow" };
    Err(NotShown::because(format!(
        "a page shows code values of 8 bits and full range, not {} bits and {range} range: let the plan say bits = 8 and range = \"full\", or show stimuli another way, with --show",
        coding.bits
    )))
}

/// Whether light of a page can be held against an aim: what is on it is SDR content, also in a system's HDR mode, and no signal of PQ or HLG.
pub(super) fn can_be_held_against(coding: Coding, transfer: Transfer) -> Result<(), NotShown> {
    let name = match transfer {
        Transfer::Pq => "PQ",
        Transfer::Hlg { .. } => "HLG",
        Transfer::Power { .. } | Transfer::Bt1886 | Transfer::Srgb => return can_show(coding),
    };
    Err(NotShown::because(format!(
        "a page is SDR content, and no signal of {name}: show stimuli another way, with --show command or prompt, or take another set, with --set"
    )))
}

/// What the lines to pages share.
#[derive(Debug)]
struct Hub {
    guard: Guard,
    /// What is to be shown; each page is told when it comes.
    order: watch::Sender<Option<Order>>,
    /// How the page is; written by the line to the latest one.
    status: watch::Sender<Status>,
}

/// The page, and the server that it comes from. All ends when this is dropped.
#[derive(Debug)]
pub struct Page {
    output: Output,
    hub: Arc<Hub>,
    status: watch::Receiver<Status>,
    url: String,
    patience: Duration,
    pause: Pause,
    /// Of the last order.
    id: u64,
    /// What was last said of the page's presence.
    said: Option<Presence>,
    /// What was last cautioned about, so that it is said once.
    cautioned: Vec<String>,
    _server: JoinSet<()>,
}

impl Page {
    /// Serves the page, and says where it is to be had. Nobody is waited for yet.
    ///
    /// # Errors
    /// [`NotShown`], if the address can't be had or the system gives no random numbers.
    pub async fn open(output: Output, manner: &Manner) -> Result<Self, NotShown> {
        let wanted = manner.address.unwrap_or((Ipv4Addr::LOCALHOST, 0).into());
        let failed = |error: std::io::Error| {
            NotShown::because(format!(
                "the page can't be had at {wanted}: {error}; choose another with --page-address"
            ))
        };
        let listener = tokio::net::TcpListener::bind(wanted).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let guard = Guard::new(address).map_err(failed)?;
        let url = guard.url();
        let hub = Arc::new(Hub {
            guard,
            order: watch::Sender::new(None),
            status: watch::Sender::new(Status::default()),
        });
        let mut server = JoinSet::new();
        server.spawn(serve::run(listener, Arc::clone(&hub)));
        // The address has a line of its own, where it isn't broken.
        let mut words =
            format!("{}\n  {url}", styled(STRONG, "Open this on the display, and let nobody else see it:"));
        if address.ip().is_loopback() {
            words.push_str(LOOPBACK);
        }
        output.note(&words, &json!({ "page": { "state": "offered", "url": url } }));
        let status = hub.status.subscribe();
        let page = Self {
            output,
            hub,
            status,
            url,
            patience: manner.patience,
            pause: manner.pause,
            id: 0,
            said: None,
            cautioned: Vec::new(),
            _server: server,
        };
        if !address.ip().is_loopback() {
            page.caution("whoever is on that network can read along: nothing is encrypted");
        }
        Ok(page)
    }

    /// Where the page is to be had, the token included.
    #[must_use]
    pub fn url(&self) -> &str {
        &self.url
    }

    /// How the page has drawn what it was last told, in pixels of the display; nothing as long as it hasn't.
    #[must_use]
    pub fn view(&self) -> Option<View> {
        self.status.borrow().shown.as_ref().filter(|(id, _)| *id == self.id).map(|(_, view)| *view)
    }

    /// Marks a place, as shares of the screen's width and height from its top left: a ring to put the meter on.
    ///
    /// # Errors
    /// [`NotShown`], if the page is away for too long.
    pub async fn mark(&mut self, place: [f64; 2]) -> Result<(), NotShown> {
        let order = Order::mark(self.next(), place);
        self.carry_out(order, "the mark").await.map(drop)
    }

    fn next(&mut self) -> u64 {
        self.id += 1;
        self.id
    }

    /// Has the page show something, and waits until it does, across whatever becomes of it.
    async fn carry_out(&mut self, order: Order, what: &str) -> Result<View, NotShown> {
        let (id, patience) = (self.id, self.patience);
        // The line writes only what it hears of this order from now on.
        self.hub.status.send_modify(Status::forget);
        self.hub.order.send_replace(Some(order));
        timeout(patience, self.drawn(id)).await.map_err(|_| {
            let presence = self.status.borrow().presence;
            let patience = humantime::format_duration(patience);
            NotShown::because(format!(
                "{what} was not shown within {patience}: {}",
                presence.advice(&self.url)
            ))
        })
    }

    /// Waits until order `id` is drawn, and says what keeps one waiting.
    async fn drawn(&mut self, id: u64) -> View {
        let mut is_told = false;
        loop {
            let (presence, shown) = {
                let status = self.status.borrow_and_update();
                (status.presence, status.shown)
            };
            if let Some((_, view)) = shown.filter(|(of, _)| *of == id) {
                self.say(Presence::Begun);
                return view;
            }
            self.say(presence);
            tokio::select! {
                // The sender is in the hub, which this holds.
                _ = self.status.changed() => {}
                () = sleep(DRAWN_WITHIN), if presence == Presence::Begun && !is_told => {
                    is_told = true;
                    self.caution("the page does not draw: bring its tab to the front, and wake the display");
                }
            }
        }
    }

    /// Says that the page has come or gone, once.
    fn say(&mut self, presence: Presence) {
        let before = self.said.replace(presence);
        let was_away = before.is_some_and(|before| before != Presence::Begun);
        let words = match presence {
            Presence::Begun if was_away => "the page shows stimuli",
            Presence::Away if before == Some(Presence::Begun) => {
                "the page is gone; waiting for it to come back"
            }
            Presence::Away if before.is_none() => "nobody has opened the page yet; waiting for it",
            Presence::Loaded if before != Some(Presence::Loaded) => {
                "the page is there; read it, and click it or press a key"
            }
            Presence::Begun | Presence::Away | Presence::Loaded => return,
        };
        self.output.end_status();
        self.output.note(words, &json!({ "page": { "state": presence.name() } }));
    }

    fn caution(&self, words: &str) {
        caution(self.output, words);
    }

    /// What may make light of the page other than it should be, each said once.
    fn caution_about(&mut self, view: View) {
        for words in view.cautions() {
            if !self.cautioned.iter().any(|said| said == words) {
                self.caution(words);
                self.cautioned.push(words.to_owned());
            }
        }
    }
}

impl Screen for Page {
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown> {
        self.can_show(coding)?;
        let order = Order::patch(self.next(), patch)?;
        let view = self.carry_out(order, &patch.name).await?;
        self.caution_about(view);
        self.pause.over().await;
        Ok(())
    }

    fn can_show(&self, coding: Coding) -> Result<(), NotShown> {
        can_show(coding)
    }

    fn disturbed(&mut self) -> Option<String> {
        let mut disturbed = None;
        self.hub.status.send_if_modified(|status| {
            disturbed = status.disturbed.take();
            false
        });
        disturbed
    }

    async fn end(&mut self) {
        let order = Order::end(self.next());
        let id = self.id;
        if self.status.borrow().presence == Presence::Begun {
            self.hub.order.send_replace(Some(order));
            let is_ended = |status: &Status| status.shown.is_some_and(|(of, _)| of == id);
            let ended = timeout(FAREWELL, self.status.wait_for(is_ended)).await;
            let is_in_time = matches!(ended, Ok(Ok(_)));
            drop(ended);
            if !is_in_time {
                self.caution("the page may still show the last stimulus: close it");
            }
        }
    }
}

#[cfg(test)]
mod tests;
