//! Devices that come and go, as the USB library tells: one thread for all links, idle while nothing happens.
//!
//! Where nothing can be watched (no USB here yet) it is tried again at each opening. An arrival is a hint; a departure is
//! looked for by other means too ([`message`](super::message)), since some systems tell of neither.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, Weak};

use rusb::{Context, Device, Hotplug, HotplugBuilder, UsbContext};
use tokio::sync::broadcast;

use super::device::Place;

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
    context: Context,
    news: broadcast::Sender<News>,
    ended: Arc<AtomicBool>,
}

/// The one watch of the process, while anybody holds it.
static SHARED: Mutex<Weak<Watch>> = Mutex::new(Weak::new());

/// The watch; nothing where nothing can be watched.
#[must_use]
pub fn shared() -> Option<Arc<Watch>> {
    let mut shared = SHARED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(watch) = shared.upgrade().filter(|watch| !watch.ended.load(Ordering::Relaxed)) {
        return Some(watch);
    }
    let watch = Arc::new(Watch::start()?);
    *shared = Arc::downgrade(&watch);
    Some(watch)
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
    fn start() -> Option<Self> {
        let context = Context::new().ok()?;
        let (news, _) = broadcast::channel(MOST_NEWS);
        let teller = Box::new(Teller(news.clone()));
        let registration = HotplugBuilder::new().register(&context, teller).ok()?;
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
        Some(Self { context, news, ended })
    }

    /// News from now on.
    #[must_use]
    pub fn listen(&self) -> broadcast::Receiver<News> {
        self.news.subscribe()
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
        self.context.interrupt_handle_events();
    }
}
