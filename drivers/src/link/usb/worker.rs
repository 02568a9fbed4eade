//! The thread that owns an open device: it finds it, opens it, does one order after another, and lets go of it once the link is
//! dropped. Transfers block; here they hold up nobody else.

use std::sync::Arc;

use tokio::sync::{mpsc, oneshot};

use super::device::Device;
use super::message::{Messages, Received};
use super::pipes::Broken;
use super::settings::{Settings, Way};
use super::stream::{self, Stream};
use super::watch::Watch;
use crate::fault::{Fault, FaultKind};
use crate::link::Link;
use crate::link::usbtmc::session::Session;
use crate::link::usbtmc::tag::Tag;

/// Orders that wait: one, and one before it whose sender has given up.
pub const MOST_ORDERS: usize = 2;

/// How an order went, for whoever gave it.
pub type Reply<T> = oneshot::Sender<Result<T, Fault>>;

/// What the thread is to do. Who drops the other end of the reply has given the order up.
#[derive(Debug)]
pub enum Order {
    /// Send bytes.
    Send(Vec<u8>, Reply<()>),
    /// Ask for an answer and wait for a part of it.
    Receive(Reply<Received>),
    /// Bring the instrument to order.
    Reset(Reply<()>),
    /// Look whether it is still plugged in.
    Look(Reply<()>),
}

/// The thread has ended, which it doesn't while anybody needs it, unless it panicked.
#[must_use]
pub fn ended() -> Fault {
    Fault::new(FaultKind::Gone, "the thread of the USB device has ended")
}

/// What a thread begins with.
#[derive(Debug)]
pub struct Opener {
    /// Which device.
    pub settings: Arc<Settings>,
    /// What ends a line of an answer.
    pub message_end: Vec<u8>,
    /// Tells of departures.
    pub watch: Arc<Watch>,
    /// Where the link goes.
    pub opened: Reply<Box<dyn Link>>,
}

impl Opener {
    /// Opens the device, then does what the link asks for until it is dropped. `tag` is that of the next message to it, over all
    /// openings.
    pub fn work(self, tag: &mut Tag) {
        let Self { settings, message_end, watch, opened } = self;
        // From before it is looked for, so that no departure is missed.
        let news = watch.listen();
        watch.begin();
        let device = match Device::open(&settings) {
            Ok(device) => device,
            Err(fault) => return say(opened, Err(fault)),
        };
        let (orders, inbox) = mpsc::channel(MOST_ORDERS);
        match settings.way {
            Way::Usbtmc => {
                let session = match Session::begin(device.clone(), device.chosen().ends, *tag) {
                    Ok(session) => session,
                    Err(fault) => return say(opened, Err(fault)),
                };
                let place = device.place();
                let link = Messages::new(settings.to_string(), orders, message_end, place, watch, news);
                say(opened, Ok(Box::new(link)));
                *tag = Exchange { session, device, kept: None }.obey(inbox);
            }
            Way::Endpoints { .. } => {
                let (chunks, read) = mpsc::channel(stream::MOST_CHUNKS);
                say(opened, Ok(Box::new(Stream::new(orders, read))));
                let reader = device.clone();
                std::thread::scope(|scope| {
                    scope.spawn(move || stream::read(reader, &chunks));
                    stream::write(device, inbox);
                });
            }
        }
    }
}

/// Replies; whoever wanted to know may have given up.
pub(super) fn say<T>(reply: Reply<T>, outcome: Result<T, Fault>) {
    let _heard = reply.send(outcome).is_ok();
}

/// A session, and what it has received that nobody took.
struct Exchange {
    session: Session<Device>,
    device: Device,
    kept: Option<Received>,
}

impl Exchange {
    /// Does what it is ordered to; gives the tag of the next message.
    fn obey(mut self, mut inbox: mpsc::Receiver<Order>) -> Tag {
        while let Some(order) = inbox.blocking_recv() {
            match order {
                // What was given up before it was begun isn't.
                Order::Send(_, reply) | Order::Reset(reply) | Order::Look(reply) if reply.is_closed() => {}
                Order::Receive(reply) if reply.is_closed() => {}
                Order::Send(bytes, reply) => {
                    self.kept = None;
                    let outcome = self.session.send(&bytes, &|| reply.is_closed());
                    say(reply, outcome);
                }
                Order::Receive(reply) => self.receive(reply),
                Order::Reset(reply) => {
                    self.kept = None;
                    let outcome = self.session.reset(&|| reply.is_closed());
                    say(reply, outcome);
                }
                Order::Look(reply) => {
                    let gone = || Broken::Gone.fault("looking for it");
                    say(reply, if self.device.is_there() { Ok(()) } else { Err(gone()) });
                }
            }
        }
        self.session.tag()
    }

    fn receive(&mut self, reply: Reply<Received>) {
        let outcome = match self.kept.take() {
            Some(kept) => Ok(kept),
            None => self.session.receive(&|| reply.is_closed()),
        };
        // What nobody takes is for the next who asks.
        if let Err(Ok(part)) = reply.send(outcome) {
            self.kept = Some(part);
        }
    }
}
