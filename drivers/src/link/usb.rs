//! A USB device: an instrument that speaks USBTMC, or two endpoints that carry bytes.
//!
//! | module | idea |
//! |---|---|
//! | [`mod@settings`] | which device, and how it is spoken to, from a meter's settings |
//! | [`choice`] | the one device among those that are attached, or why none |
//! | [`interface`] | the interface and its endpoints, from a device's descriptors |
//! | [`pipes`] | what an open interface offers, blocking |
//! | [`device`] | a device of the USB library |
//! | [`watch`] | devices that come and go, as the USB library tells |
//! | [`worker`] | the thread that owns an open device |
//! | [`message`] | the link to an instrument of messages |
//! | [`stream`] | the link to two endpoints that carry bytes |
//!
//! Only `device` and `watch` name `rusb`. Each opening makes a library context of its own, so that it sees what is attached now,
//! whether or not anything tells of arrivals; a context that can't be made means that nothing is attached yet.

use std::sync::Arc;

use tokio::sync::{Mutex, oneshot};

use self::watch::{Arrivals, Watch};
use super::Link;
use super::arrival::Arrival;
use super::usbtmc::tag::Tag;
use crate::fault::{Fault, FaultKind};

pub mod choice;
pub mod device;
pub mod interface;
pub mod message;
pub mod pipes;
pub mod settings;
pub mod stream;
pub mod watch;
pub mod worker;

pub use settings::{Settings, Way};

/// A device that is looked for again and again.
#[derive(Clone, Debug)]
pub struct Usb {
    settings: Arc<Settings>,
    /// Held by the thread of an open link until it has let go of the device: the next opening waits for that.
    /// In it, the tag of the next USBTMC message to the device.
    held: Arc<Mutex<Tag>>,
    /// Tells of devices that come and go.
    watch: Arc<Watch>,
}

impl Usb {
    /// The device that `settings` describe.
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        Self { settings: Arc::new(settings), held: Arc::default(), watch: watch::shared() }
    }

    /// Which device, and how it is spoken to.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Watches, from this call on, for any device that is plugged in.
    #[must_use]
    pub fn arrival(&self) -> Box<dyn Arrival> {
        Box::new(Arrivals::new(Arc::clone(&self.watch)))
    }

    /// Finds the device and opens it. `message_end` is what ends a line of an answer: where a message doesn't end with it, the end
    /// of the message counts as one.
    ///
    /// # Errors
    /// `Gone` if it isn't attached, `Busy` if another program has it, `Denied` without permission, `Refused` if several
    /// devices are meant or it has no such interface.
    pub async fn open(&self, message_end: &[u8]) -> Result<Box<dyn Link>, Fault> {
        let mut held = Arc::clone(&self.held).lock_owned().await;
        let (opened, opening) = oneshot::channel();
        let opener = worker::Opener {
            settings: Arc::clone(&self.settings),
            message_end: message_end.to_vec(),
            watch: Arc::clone(&self.watch),
            opened,
        };
        let work = move || {
            opener.work(&mut held);
            drop(held);
        };
        let thread = std::thread::Builder::new().name(format!("usb {}", self.settings.id()));
        thread.spawn(work).map_err(|error| {
            Fault::new(FaultKind::Gone, "starting a thread for the USB device").because(error)
        })?;
        opening.await.unwrap_or_else(|_| Err(worker::ended()))
    }
}
