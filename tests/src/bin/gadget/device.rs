//! Between the frames and the instrument: what the host has said, what it waits for, what it takes back. No I/O, no clock.

use crate::instrument::Instrument;
use crate::usbtmc::{Frame, Inbox, Malformed, answer};

/// The longest message that is taken in.
const LONGEST: usize = 4096;

/// The bit of the status byte that says that an answer waits.
const MESSAGE_AVAILABLE: u8 = 0x10;

/// An answer that has not been fetched, and from when on it can be, in s.
#[derive(Debug)]
struct Waiting {
    from_s: f64,
    bytes: Vec<u8>,
}

/// What the host waits for.
#[derive(Clone, Copy, Debug)]
struct Request {
    tag: u8,
    most: usize,
}

/// A transfer that the bulk-in endpoint has been given and the host hasn't fetched.
#[derive(Debug)]
struct InFlight {
    tag: u8,
    /// How many bytes it is, header included.
    count: usize,
}

/// The device, apart from its endpoints.
#[derive(Debug, Default)]
pub(crate) struct Device {
    instrument: Instrument,
    inbox: Inbox,
    message: Vec<u8>,
    waiting: Option<Waiting>,
    request: Option<Request>,
    in_flight: Option<InFlight>,
    /// A request was taken back: a short packet ends the transfer that never began.
    owes_short: bool,
    /// How much of the transfer that was last taken back had been sent.
    taken_back: usize,
}

/// What the host asks to be taken back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TakenBack {
    /// That transfer, if there is one.
    Yes,
    /// Another is under way, of this tag.
    Other(u8),
    /// None is.
    Nothing,
}

impl Device {
    /// Takes in a packet at the time `now_s`.
    pub(crate) fn hear(&mut self, packet: &[u8], is_short: bool, now_s: f64) -> Result<(), Malformed> {
        match self.inbox.take(packet, is_short)? {
            None => {}
            Some(Frame::Request { tag, most }) => self.request = Some(Request { tag, most }),
            Some(Frame::Message { bytes, is_end }) => {
                if self.message.len() + bytes.len() > LONGEST {
                    return Err(Malformed::Size);
                }
                self.message.extend_from_slice(&bytes);
                if is_end {
                    self.obey(now_s);
                }
            }
        }
        Ok(())
    }

    /// From now on, the next reading is not answered.
    pub(crate) fn hush(&mut self) {
        self.instrument.hush();
    }

    /// Obeys the message, a command a line. What hasn't been fetched is lost.
    fn obey(&mut self, now_s: f64) {
        if self.waiting.take().is_some() {
            self.instrument.interrupted();
        }
        let message = std::mem::take(&mut self.message);
        for command in String::from_utf8_lossy(&message).split(['\n', ';']).map(str::trim) {
            let answer = Some(command).filter(|command| !command.is_empty());
            let Some(answer) = answer.and_then(|command| self.instrument.obey(command)) else { continue };
            let waiting = self.waiting.get_or_insert(Waiting { from_s: now_s, bytes: Vec::new() });
            waiting.from_s += answer.after_s;
            if waiting.bytes.pop().is_some() {
                waiting.bytes.push(b';');
            }
            waiting.bytes.extend_from_slice(answer.text.as_bytes());
            waiting.bytes.push(b'\n');
        }
    }

    /// The transfer that is to go out at the time `now_s`, if one is. An empty one is a short packet and no more.
    pub(crate) fn transfer(&mut self, now_s: f64) -> Option<Vec<u8>> {
        if std::mem::take(&mut self.owes_short) {
            self.in_flight = Some(InFlight { tag: 0, count: 0 });
            return Some(Vec::new());
        }
        let waiting = self.waiting.as_mut().filter(|waiting| waiting.from_s <= now_s)?;
        let request = self.request.take()?;
        let part: Vec<u8> = waiting.bytes.drain(..request.most.min(waiting.bytes.len())).collect();
        let is_end = waiting.bytes.is_empty();
        if is_end {
            self.waiting = None;
        }
        let transfer = answer(request.tag, &part, is_end);
        self.in_flight = Some(InFlight { tag: request.tag, count: transfer.len() });
        Some(transfer)
    }

    /// The host has fetched the transfer, or never will.
    pub(crate) fn gone(&mut self) {
        self.in_flight = None;
    }

    /// Whether the host has yet to fetch something.
    pub(crate) fn is_sending(&self) -> bool {
        self.in_flight.is_some() || self.owes_short
    }

    /// Forgets all that was said and not fetched.
    pub(crate) fn clear(&mut self) {
        self.inbox.clear();
        self.message.clear();
        (self.waiting, self.request, self.owes_short) = (None, None, false);
    }

    /// Takes back what is on its way in, if it is of this tag.
    pub(crate) fn abort_out(&mut self, tag: u8) -> TakenBack {
        match self.inbox.tag() {
            Some(current) if current == tag => {
                self.taken_back = self.inbox.count();
                self.inbox.clear();
                self.message.clear();
                TakenBack::Yes
            }
            Some(current) => TakenBack::Other(current),
            None => TakenBack::Nothing,
        }
    }

    /// Takes back what is on its way out, if it is of this tag: the host reads on until a short packet.
    pub(crate) fn abort_in(&mut self, tag: u8) -> TakenBack {
        let current = self.in_flight.as_ref().map(|sent| (sent.tag, sent.count));
        match (current, self.request) {
            (Some((current, count)), _) if current == tag => {
                self.taken_back = count;
                TakenBack::Yes
            }
            (_, Some(request)) if request.tag == tag => {
                (self.request, self.owes_short, self.taken_back) = (None, true, 0);
                TakenBack::Yes
            }
            (Some((current, _)), _) | (None, Some(Request { tag: current, .. })) => TakenBack::Other(current),
            (None, None) => TakenBack::Nothing,
        }
    }

    /// How many bytes of the transfer that was last taken back had been sent.
    pub(crate) fn taken_back(&self) -> usize {
        self.taken_back
    }

    /// The status byte of IEEE 488.2 at the time `now_s`.
    pub(crate) fn status(&self, now_s: f64) -> u8 {
        let is_available = self.waiting.as_ref().is_some_and(|waiting| waiting.from_s <= now_s);
        self.instrument.status() | if is_available { MESSAGE_AVAILABLE } else { 0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn say(device: &mut Device, text: &str) {
        let mut transfer = answer(1, text.as_bytes(), true);
        transfer[0] = 1;
        device.hear(&transfer, true, 0.0).unwrap();
    }

    fn ask(device: &mut Device, tag: u8, most: u8) {
        device.hear(&[2, tag, !tag, 0, most, 0, 0, 0, 0, 0, 0, 0], true, 0.0).unwrap();
    }

    #[test]
    fn a_host_that_asks_for_little_gets_an_answer_in_parts() {
        let mut device = Device::default();
        say(&mut device, "*OPC?;SYST:ERR?\n");
        for (tag, part, is_end) in [(5, "1;+0,\"No", false), (6, " error\"\n", true)] {
            ask(&mut device, tag, 8);
            assert_eq!(device.transfer(0.0), Some(answer(tag, part.as_bytes(), is_end)));
            device.gone();
        }
        ask(&mut device, 7, 8);
        assert_eq!(device.transfer(0.0), None);
    }

    #[test]
    fn a_reading_can_be_fetched_once_it_is_there() {
        let mut device = Device::default();
        say(&mut device, "READ?\n");
        ask(&mut device, 5, 100);
        assert_eq!((device.transfer(0.03), device.status(0.03)), (None, 0));
        assert_eq!(device.status(0.05), MESSAGE_AVAILABLE);
        assert!(device.transfer(0.05).is_some());
    }

    #[test]
    fn an_answer_that_nobody_fetches_is_lost_and_an_error() {
        let mut device = Device::default();
        say(&mut device, "*IDN?\n");
        say(&mut device, "SYST:ERR?\n");
        ask(&mut device, 2, 100);
        assert_eq!(device.transfer(0.0), Some(answer(2, b"-410,\"Query INTERRUPTED\"\n", true)));
    }

    #[test]
    fn a_request_that_is_taken_back_ends_in_a_short_packet() {
        let mut device = Device::default();
        assert_eq!(device.abort_in(5), TakenBack::Nothing);
        ask(&mut device, 5, 100);
        assert_eq!(device.abort_in(4), TakenBack::Other(5));
        assert_eq!(device.abort_in(5), TakenBack::Yes);
        assert!(device.is_sending());
        assert_eq!(device.transfer(0.0), Some(Vec::new()));
        device.gone();
        assert!(!device.is_sending());
        assert_eq!(device.transfer(0.0), None);
    }

    #[test]
    fn a_transfer_that_is_taken_back_says_how_much_was_sent() {
        let mut device = Device::default();
        say(&mut device, "*OPC?\n");
        ask(&mut device, 5, 100);
        assert!(device.transfer(0.0).is_some());
        assert_eq!(device.abort_in(5), TakenBack::Yes);
        assert_eq!((device.taken_back(), device.is_sending()), (16, true));
        assert_eq!(device.abort_out(1), TakenBack::Nothing);
    }

    #[test]
    fn clearing_forgets_what_was_said() {
        let mut device = Device::default();
        say(&mut device, "*IDN?\n");
        ask(&mut device, 5, 100);
        device.clear();
        assert_eq!(device.transfer(0.0), None);
        say(&mut device, "SYST:ERR?\n");
        ask(&mut device, 6, 100);
        assert_eq!(device.transfer(0.0), Some(answer(6, b"+0,\"No error\"\n", true)));
    }
}
