//! An exchange with an instrument, and the way back to order after one that went wrong. Blocking, over [`Pipes`].
//!
//! A message is sent whole. An answer is asked for, one transfer at a time, until the instrument says that it ends. What goes
//! wrong in a transfer leaves it open; before anything else the open transfer is aborted, then the instrument is cleared,
//! by the specification's rules: initiate, then ask again while it is pending, take what it still sends, and take the halt
//! off the output. After a clear nothing that was asked before comes any more.

use super::frame::{Malformed, message_out, request_in};
use super::request::{ANSWER_WAITS, Capabilities, Request, Status};
use super::tag::{StatusTag, Tag};
use super::transfer::{Part, Transfer};
use crate::fault::{Fault, FaultKind};
use crate::link::usb::pipes::{Broken, Ends, Pipes};

/// Bytes of a message in one transfer, to the instrument and from it: a reading takes less than a hundred.
pub const MOST: usize = 4096;

/// How often it is asked how far an instrument is, with a pause between: some two seconds.
const MOST_CHECKS: usize = 100;

/// Bytes that are taken from an instrument that was told to stop, before it is given up.
const MOST_DRAINED: usize = 1 << 20;

/// Notifications about other things that are skipped while one is waited for.
const MOST_NOTICES: usize = 16;

/// What goes on.
#[derive(Debug)]
enum State {
    /// Nothing.
    Ready,
    /// A message to the instrument with this tag is on the way, in part.
    Sending(Tag),
    /// Nothing, but there is more of an answer to ask for.
    Partway,
    /// An answer was asked for and hasn't come yet.
    Receiving(Transfer),
    /// The answer with this tag went wrong.
    Spoilt(Tag),
    /// Not known: whoever talked to it before may have stopped anywhere.
    Unknown,
}

/// An open instrument.
#[derive(Debug)]
pub struct Session<P> {
    pipes: P,
    ends: Ends,
    /// The tag of the next message.
    tag: Tag,
    status_tag: StatusTag,
    state: State,
}

/// Whether whoever wanted it has given up.
pub type GivenUp<'a> = &'a dyn Fn() -> bool;

impl<P: Pipes> Session<P> {
    /// Asks what the instrument can do. `tag` is that of its first message: where an earlier session ended, so that nothing that was
    /// left of that looks like an answer.
    ///
    /// # Errors
    /// `Refused` if it can't be talked to in both directions; `Gone`.
    pub fn begin(mut pipes: P, ends: Ends, tag: Tag) -> Result<Self, Fault> {
        let request = Request::get_capabilities(ends.interface);
        let mut answer = [0; 24];
        let capabilities = match pipes.ask(request, &mut answer) {
            Ok(count) => Capabilities::read(answer.get(..count).unwrap_or_default()).unwrap_or_default(),
            Err(Broken::Gone) => return Err(Broken::Gone.fault(request.name)),
            // Every instrument must answer this one; one that doesn't may be able to do the rest.
            Err(_) => Capabilities::default(),
        };
        if capabilities.listens_only || capabilities.talks_only {
            let detail = "the instrument says that it only listens, or only talks";
            return Err(Fault::new(FaultKind::Refused, detail));
        }
        Ok(Self { pipes, ends, tag, status_tag: StatusTag::default(), state: State::Unknown })
    }

    /// The tag of the next message.
    #[must_use]
    pub fn tag(&self) -> Tag {
        self.tag
    }

    fn take_tag(&mut self) -> Tag {
        let next = self.tag.next();
        std::mem::replace(&mut self.tag, next)
    }

    /// Sends a message.
    ///
    /// # Errors
    /// `Gone`; `Garbled` if the instrument halts; `Silent` once it has been given up.
    pub fn send(&mut self, message: &[u8], given_up: GivenUp<'_>) -> Result<(), Fault> {
        if !matches!(self.state, State::Ready) {
            self.reset(given_up)?;
        }
        let parts = message.chunks(MOST);
        let count = parts.len();
        for (index, part) in parts.enumerate() {
            let tag = self.take_tag();
            self.write(tag, &message_out(tag, part, index + 1 == count), given_up)?;
        }
        Ok(())
    }

    fn write(&mut self, tag: Tag, frame: &[u8], given_up: GivenUp<'_>) -> Result<(), Fault> {
        self.state = State::Sending(tag);
        let mut rest = frame;
        while !rest.is_empty() {
            match self.pipes.write(rest) {
                Ok(count) => rest = rest.get(count..).unwrap_or_default(),
                Err(Broken::Late) if given_up() => return Err(Broken::Late.fault("sending")),
                Err(Broken::Late) => {}
                Err(Broken::Halted) => return Err(self.halted(self.ends.output, "sending")),
                Err(broken) => return Err(broken.fault("sending")),
            }
        }
        self.state = State::Ready;
        Ok(())
    }

    /// Asks for an answer, or goes on waiting for one that was asked for; gives the next part of it. After an exchange that went
    /// wrong nothing comes before a [`reset`](Self::reset).
    ///
    /// # Errors
    /// `Gone`; `Garbled` if what comes is against the specification, or the instrument halts; `Silent` once it has been given
    /// up.
    pub fn receive(&mut self, given_up: GivenUp<'_>) -> Result<Part, Fault> {
        let mut transfer = match std::mem::replace(&mut self.state, State::Unknown) {
            State::Receiving(transfer) => transfer,
            State::Ready | State::Partway => {
                let tag = self.take_tag();
                self.write(tag, &request_in(tag, MOST), given_up)?;
                Transfer::new(tag, MOST, self.ends.packet)
            }
            other => {
                // Nothing that comes now is an answer to anything. Whoever waits all the same waits in vain, not in a loop.
                self.state = other;
                while !given_up() {
                    self.pipes.pause();
                }
                return Err(Broken::Late.fault("receiving, after an exchange that went wrong"));
            }
        };
        let tag = transfer.tag();
        self.state = State::Spoilt(tag);
        let mut buffer = vec![0; transfer.room()];
        loop {
            let room = transfer.room().min(buffer.len());
            let into = buffer.get_mut(..room).unwrap_or_default();
            let part = match self.pipes.read(into) {
                Ok(count) => {
                    let taken = transfer.take(into.get(..count).unwrap_or_default());
                    taken.map_err(|Malformed(what)| {
                        Fault::new(FaultKind::Garbled, format!("the instrument sent {what}"))
                    })?
                }
                Err(Broken::Late) => transfer.lapsed(),
                Err(Broken::Halted) => return Err(self.halted(self.ends.input, "receiving")),
                Err(broken) => return Err(broken.fault("receiving")),
            };
            if let Some(part) = part {
                self.state = if part.last { State::Ready } else { State::Partway };
                return Ok(part);
            }
            if given_up() {
                self.state = State::Receiving(transfer);
                return Err(Broken::Late.fault("receiving"));
            }
        }
    }

    /// An endpoint was halted: takes the halt off.
    fn halted(&mut self, endpoint: u8, doing: &str) -> Fault {
        match self.pipes.unhalt(endpoint) {
            Err(Broken::Gone) => Broken::Gone.fault(doing),
            Ok(()) | Err(_) => Broken::Halted.fault(doing),
        }
    }

    /// Brings the instrument to order: nothing that was asked before comes any more.
    ///
    /// # Errors
    /// `Gone`; `Silent` if it doesn't do as it is told.
    pub fn reset(&mut self, given_up: GivenUp<'_>) -> Result<(), Fault> {
        let aborted = match std::mem::replace(&mut self.state, State::Unknown) {
            State::Sending(tag) => self.abort_out(tag, given_up),
            State::Receiving(transfer) => self.abort_in(transfer.tag(), given_up),
            State::Spoilt(tag) => self.abort_in(tag, given_up),
            State::Ready | State::Partway | State::Unknown => Ok(()),
        };
        // What an abort leaves undone, a clear does.
        if let Err(fault) = aborted
            && fault.kind() == FaultKind::Gone
        {
            return Err(fault);
        }
        self.clear(given_up)?;
        if self.ends.is_488 && self.answer_waits()? {
            self.clear(given_up)?;
            if self.answer_waits()? {
                let detail = "cleared twice, the instrument still has something to say";
                return Err(Fault::new(FaultKind::Silent, detail));
            }
        }
        self.state = State::Ready;
        Ok(())
    }

    fn abort_out(&mut self, tag: Tag, given_up: GivenUp<'_>) -> Result<(), Fault> {
        let endpoint = self.ends.output;
        match self.status(Request::initiate_abort_out(tag, endpoint))?.0 {
            Status::Success => {}
            // Nothing is on the way.
            Status::Failed => return Ok(()),
            other => return Err(undone("INITIATE_ABORT_BULK_OUT", other)),
        }
        self.finish(Request::check_abort_out(endpoint), given_up)?;
        self.unhalt_output()
    }

    fn abort_in(&mut self, tag: Tag, given_up: GivenUp<'_>) -> Result<(), Fault> {
        let endpoint = self.ends.input;
        match self.status(Request::initiate_abort_in(tag, endpoint))?.0 {
            Status::Success => {}
            Status::Failed => return Ok(()),
            other => return Err(undone("INITIATE_ABORT_BULK_IN", other)),
        }
        self.drain()?;
        self.finish(Request::check_abort_in(endpoint), given_up)
    }

    fn clear(&mut self, given_up: GivenUp<'_>) -> Result<(), Fault> {
        match self.status(Request::initiate_clear(self.ends.interface))?.0 {
            Status::Success => {}
            other => return Err(undone("INITIATE_CLEAR", other)),
        }
        self.finish(Request::check_clear(self.ends.interface), given_up)?;
        self.unhalt_output()
    }

    fn unhalt_output(&mut self) -> Result<(), Fault> {
        self.pipes.unhalt(self.ends.output).map_err(|broken| in_order(broken, "CLEAR_FEATURE"))
    }

    /// Asks how far the instrument is until it is done, and takes what it still has to send.
    fn finish(&mut self, check: Request, given_up: GivenUp<'_>) -> Result<(), Fault> {
        for _ in 0..MOST_CHECKS {
            match self.status(check)? {
                (Status::Success, _) => return Ok(()),
                // Bit 0 of the next byte: it has bytes to send that must be taken.
                (Status::Pending, more) if more & 1 != 0 && check.index != u16::from(self.ends.output) => {
                    self.drain()?;
                }
                (Status::Pending, _) => self.pipes.pause(),
                (other, _) => return Err(undone(check.name, other)),
            }
            if given_up() {
                break;
            }
        }
        Err(Fault::new(FaultKind::Silent, format!("{} goes on and on", check.name)))
    }

    /// Takes what the instrument sends up to a short packet, or until nothing more comes.
    fn drain(&mut self) -> Result<(), Fault> {
        let mut buffer = vec![0; MOST.next_multiple_of(self.ends.packet)];
        let mut drained = 0;
        while drained < MOST_DRAINED {
            match self.pipes.read(&mut buffer) {
                Ok(count) if count == buffer.len() => drained += count,
                Ok(_) | Err(Broken::Late) => return Ok(()),
                Err(Broken::Halted) => {
                    let input = self.ends.input;
                    return self.pipes.unhalt(input).map_err(|broken| in_order(broken, "CLEAR_FEATURE"));
                }
                Err(broken) => return Err(in_order(broken, "draining")),
            }
        }
        Err(Fault::new(FaultKind::Silent, "the instrument doesn't stop sending"))
    }

    /// The status with which a request was answered, and the byte after it.
    fn status(&mut self, request: Request) -> Result<(Status, u8), Fault> {
        let mut answer = [0; 8];
        let into = answer.get_mut(..request.length).unwrap_or_default();
        let count = self.pipes.ask(request, into).map_err(|broken| in_order(broken, request.name))?;
        match into.get(..count) {
            Some([status, more, ..]) => Ok((Status::from(*status), *more)),
            Some([status]) => Ok((Status::from(*status), 0)),
            _ => Err(Fault::new(FaultKind::Silent, format!("{}: an empty answer", request.name))),
        }
    }

    /// Whether the instrument says in its status byte that an answer waits; false where it doesn't tell.
    fn answer_waits(&mut self) -> Result<bool, Fault> {
        Ok(self.status_byte()?.is_some_and(|byte| byte & ANSWER_WAITS != 0))
    }

    /// The status byte (USB488, IEEE 488.2); nothing where the instrument doesn't tell.
    ///
    /// # Errors
    /// `Gone`.
    pub fn status_byte(&mut self) -> Result<Option<u8>, Fault> {
        let tag = self.status_tag;
        self.status_tag = tag.next();
        let request = Request::read_status_byte(tag, self.ends.interface);
        let mut answer = [0; 3];
        match self.pipes.ask(request, &mut answer) {
            Ok(3) => {}
            Err(Broken::Gone) => return Err(Broken::Gone.fault(request.name)),
            Ok(_) | Err(_) => return Ok(None),
        }
        let [status, number, byte] = answer;
        if Status::from(status) != Status::Success || number != tag.number() {
            return Ok(None);
        }
        // With an interrupt endpoint, the byte comes there, beside bit 7 and the tag.
        if self.ends.notices.is_none() { Ok(Some(byte)) } else { self.notified(tag) }
    }

    fn notified(&mut self, tag: StatusTag) -> Result<Option<u8>, Fault> {
        for _ in 0..MOST_NOTICES {
            let mut notice = [0; 64];
            match self.pipes.notice(&mut notice) {
                Ok(count) if count >= 2 && notice[0] == 0x80 | tag.number() => return Ok(Some(notice[1])),
                Ok(_) => {}
                Err(Broken::Gone) => return Err(Broken::Gone.fault("READ_STATUS_BYTE")),
                Err(_) => return Ok(None),
            }
        }
        Ok(None)
    }
}

/// What it means when the way back to order is barred.
fn in_order(broken: Broken, doing: &str) -> Fault {
    match broken {
        Broken::Gone => broken.fault(doing),
        other => {
            let detail = "the instrument can't be brought to order";
            Fault::new(FaultKind::Silent, detail).because(other.fault(doing))
        }
    }
}

fn undone(what: &str, status: Status) -> Fault {
    Fault::new(FaultKind::Silent, format!("the instrument answers {what} with {status:?}"))
}

#[cfg(test)]
mod tests;
