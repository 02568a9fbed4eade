//! Devices that come and go, as the USB library tells: one thread for all links, idle while nothing happens.
//!
//! Where nothing can be watched (no USB here yet) it is tried again at each opening. An arrival is a hint; a departure is
//! looked for by other means too ([`message`](super::message)), since some systems tell of neither.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};

use rusb::{Context, Device, Hotplug, HotplugBuilder, UsbContext};
use tokio::sync::broadcast;
use tokio::sync::broadcast::error::RecvError;

use super::device::Place;
use crate::clock::Boxed;
use crate::link::arrival::Arrival;

/// News that may wait for whoever is slow: a hub with everything behind it that is unplugged. Who misses one takes it that
/// anything may have happened.
const MOST_NEWS: usize = 64;

/// What has happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum News {
    /// A device has been plugged in.
    Arrived,
    /// The device there is no longer plugged in.
    Left(Place),
}

/// Tells of devices that come and go. The last to hold it ends its thread.
#[derive(Debug)]
pub struct Watch {
    news: broadcast::Sender<News>,
    running: Mutex<Option<Running>>,
}

/// The one watch of the process, while anybody holds it.
static SHARED: Mutex<Weak<Watch>> = Mutex::new(Weak::new());

/// The watch. It tells of nothing before it is [begun](Watch::begin).
#[must_use]
pub fn shared() -> Arc<Watch> {
    let mut shared = SHARED.lock().unwrap_or_else(PoisonError::into_inner);
    shared.upgrade().unwrap_or_else(|| {
        let (news, _) = broadcast::channel(MOST_NEWS);
        let watch = Arc::new(Watch { news, running: Mutex::new(None) });
        *shared = Arc::downgrade(&watch);
        watch
    })
}

/// The thread, as its owner sees it.
#[derive(Debug)]
struct Running {
    context: Context,
    ended: Arc<AtomicBool>,
}

impl Drop for Running {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
        self.context.interrupt_handle_events();
    }
}

struct Teller(broadcast::Sender<News>);

impl Teller {
    fn tell(&self, news: News) {
        // Nobody may be listening.
        let _heard = self.0.send(news).is_ok();
    }
}

impl Hotplug<Context> for Teller {
    fn device_arrived(&mut self, _device: Device<Context>) {
        self.tell(News::Arrived);
    }

    fn device_left(&mut self, device: Device<Context>) {
        self.tell(News::Left(Place::of(&device)));
    }
}

impl Watch {
    /// Begins to watch, unless it does already. Blocks for as long as the system takes to list its devices. Where nothing can be
    /// watched now, another call tries again.
    pub fn begin(&self) {
        let mut running = self.running.lock().unwrap_or_else(PoisonError::into_inner);
        if running.as_ref().is_none_or(|running| running.ended.load(Ordering::Relaxed)) {
            *running = Running::start(Teller(self.news.clone()));
        }
    }

    /// News from now on.
    #[must_use]
    pub fn listen(&self) -> broadcast::Receiver<News> {
        self.news.subscribe()
    }
}

impl Running {
    fn start(teller: Teller) -> Option<Self> {
        let context = Context::new().ok()?;
        let registration = HotplugBuilder::new().register(&context, Box::new(teller)).ok()?;
        let ended = Arc::new(AtomicBool::new(false));
        let (own, ending) = (context.clone(), Arc::clone(&ended));
        let work = move || {
            // A context that can't go on is given up; the next opening makes another.
            while !ending.load(Ordering::Relaxed) && own.handle_events(None).is_ok() {}
            ending.store(true, Ordering::Relaxed);
            drop(registration);
        };
        // It ends with the last to hold the watch.
        std::thread::Builder::new().name("usb events".to_owned()).spawn(work).ok()?;
        Some(Self { context, ended })
    }
}

/// Arrivals since it was made.
#[derive(Debug)]
pub struct Arrivals {
    news: broadcast::Receiver<News>,
    /// Held so that it goes on.
    _watch: Arc<Watch>,
}

impl Arrivals {
    /// Arrivals from now on.
    #[must_use]
    pub fn new(watch: Arc<Watch>) -> Self {
        Self { news: watch.listen(), _watch: watch }
    }
}

impl Arrival for Arrivals {
    fn changed(&mut self) -> Boxed<'_, ()> {
        Box::pin(async move {
            loop {
                match self.news.recv().await {
                    Ok(News::Arrived) | Err(RecvError::Lagged(_)) => return,
                    Ok(News::Left(_)) => {}
                    Err(RecvError::Closed) => return std::future::pending().await,
                }
            }
        })
    }
}
