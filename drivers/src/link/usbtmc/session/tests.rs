use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

use proptest::prelude::*;

use super::*;

mod left_over;

const ENDS: Ends = Ends { interface: 0, input: 0x81, output: 0x02, notices: None, packet: 64, is_488: true };

/// What the instrument does next on a pipe.
#[derive(Debug)]
enum Does {
    /// Takes or gives this much, at most.
    Bytes(Vec<u8>),
    Breaks(Broken),
}

/// An instrument that follows a script on each pipe, and what was done to it.
#[derive(Debug, Default)]
struct Instrument {
    /// Answers on the control pipe, by request code, in order; the last is given again and again.
    asked: Vec<(u8, VecDeque<Vec<u8>>)>,
    reads: VecDeque<Does>,
    writes: VecDeque<Broken>,
    notices: VecDeque<Vec<u8>>,
    log: Vec<String>,
}

#[derive(Clone, Debug, Default)]
struct Fake(Rc<RefCell<Instrument>>);

impl Fake {
    /// An instrument that does as it is told.
    fn good() -> Self {
        let fake = Self::default();
        for (code, answer) in [
            (7, [&[1_u8][..], &[0; 23]].concat()),
            (1, vec![1, 0]),
            (2, vec![1, 0, 0, 0, 0, 0, 0, 0]),
            (3, vec![1, 0]),
            (4, vec![1, 0, 0, 0, 0, 0, 0, 0]),
            (5, vec![1]),
            (6, vec![1, 0]),
        ] {
            fake.0.borrow_mut().asked.push((code, [answer].into()));
        }
        fake
    }

    /// The same, and it gives these answers to one request.
    fn answering(self, code: u8, answers: &[&[u8]]) -> Self {
        let answers = answers.iter().map(|answer| answer.to_vec()).collect();
        let mut instrument = self.0.borrow_mut();
        instrument.asked.retain(|(known, _)| *known != code);
        instrument.asked.push((code, answers));
        drop(instrument);
        self
    }

    fn reads(self, does: Vec<Does>) -> Self {
        self.0.borrow_mut().reads.extend(does);
        self
    }

    fn session(&self, ends: Ends) -> Session<Self> {
        let mut session = Session::begin(self.clone(), ends, Tag::default()).unwrap();
        session.state = State::Ready;
        self.log();
        session
    }

    /// What was done to it since this was last asked.
    fn log(&self) -> Vec<String> {
        std::mem::take(&mut self.0.borrow_mut().log)
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Pipes for Fake {
    fn ask(&mut self, request: Request, answer: &mut [u8]) -> Result<usize, Broken> {
        let mut instrument = self.0.borrow_mut();
        let Request { kind, code, value, index, length, .. } = request;
        instrument.log.push(format!("{kind:02x} {code} {value} {index:02x} {length}"));
        let Some((_, answers)) = instrument.asked.iter_mut().find(|(known, _)| *known == code) else {
            return Err(Broken::Halted);
        };
        let given = if answers.len() > 1 { answers.pop_front() } else { answers.front().cloned() };
        let given = given.unwrap_or_default();
        let count = given.len().min(answer.len());
        answer[..count].copy_from_slice(&given[..count]);
        Ok(count)
    }

    fn write(&mut self, bytes: &[u8]) -> Result<usize, Broken> {
        let mut instrument = self.0.borrow_mut();
        if let Some(broken) = instrument.writes.pop_front() {
            return Err(broken);
        }
        instrument.log.push(format!("out {}", hex(bytes)));
        Ok(bytes.len())
    }

    fn read(&mut self, into: &mut [u8]) -> Result<usize, Broken> {
        match self.0.borrow_mut().reads.pop_front() {
            Some(Does::Bytes(bytes)) => {
                let count = bytes.len().min(into.len());
                into[..count].copy_from_slice(&bytes[..count]);
                Ok(count)
            }
            Some(Does::Breaks(broken)) => Err(broken),
            None => Err(Broken::Late),
        }
    }

    fn notice(&mut self, into: &mut [u8]) -> Result<usize, Broken> {
        let bytes = self.0.borrow_mut().notices.pop_front().ok_or(Broken::Late)?;
        into[..bytes.len()].copy_from_slice(&bytes);
        Ok(bytes.len())
    }

    fn unhalt(&mut self, endpoint: u8) -> Result<(), Broken> {
        self.0.borrow_mut().log.push(format!("unhalt {endpoint:02x}"));
        Ok(())
    }

    fn pause(&mut self) {
        self.0.borrow_mut().log.push("pause".to_owned());
    }
}

fn never() -> bool {
    false
}

/// An answer to the request with this tag.
fn answer(number: u8, bytes: &[u8], last: bool) -> Does {
    let size = u8::try_from(bytes.len()).unwrap();
    let mut frame = vec![2, number, !number, 0, size, 0, 0, 0, u8::from(last), 0, 0, 0];
    frame.extend_from_slice(bytes);
    Does::Bytes(frame)
}

/// A query and its answer, as the specification's tables lay them out (from memory of them).
#[test]
fn a_whole_exchange_is_right_byte_for_byte() {
    let fake = Fake::good()
        .reads(vec![Does::Bytes(b"\x02\x02\xfd\x00\x08\x00\x00\x00\x01\x00\x00\x001.25E+2\n".to_vec())]);
    let mut session = Session::begin(fake.clone(), ENDS, Tag::default()).unwrap();
    session.reset(&never).unwrap();
    session.send(b"READ?\n", &never).unwrap();
    let part = session.receive(&never).unwrap();
    assert_eq!(part, Part { bytes: b"1.25E+2\n".to_vec(), last: true });
    let expected = [
        // GET_CAPABILITIES: of the interface 0, 24 bytes.
        "a1 7 0 00 24",
        // INITIATE_CLEAR, CHECK_CLEAR_STATUS, CLEAR_FEATURE(ENDPOINT_HALT) on the output.
        "a1 5 0 00 1",
        "a1 6 0 00 2",
        "unhalt 02",
        // READ_STATUS_BYTE with the tag 2, which this instrument doesn't know.
        "a1 128 2 00 3",
        // DEV_DEP_MSG_OUT: tag 1, 6 bytes, EOM, filled up with 2 bytes.
        "out 0101fe000600000001000000524541443f0a0000",
        // REQUEST_DEV_DEP_MSG_IN: tag 2, at most 4096 bytes.
        "out 0202fd000010000000000000",
    ];
    assert_eq!(fake.log(), expected);
}

#[test]
fn an_answer_in_several_transfers_is_asked_for_until_it_ends() {
    let fake = Fake::good().reads(vec![answer(2, b"1.2", false), answer(3, b"5\n", true)]);
    let mut session = fake.session(ENDS);
    session.send(b"READ?\n", &never).unwrap();
    assert_eq!(session.receive(&never).unwrap(), Part { bytes: b"1.2".to_vec(), last: false });
    assert_eq!(session.receive(&never).unwrap(), Part { bytes: b"5\n".to_vec(), last: true });
    assert!(fake.log().last().unwrap().starts_with("out 0203fc"));
}

#[test]
fn a_message_longer_than_a_transfer_ends_with_its_last() {
    let fake = Fake::good();
    fake.session(ENDS).send(&[b'A'; MOST + 5], &never).unwrap();
    let log = fake.log();
    assert_eq!(log.len(), 2);
    assert!(log[0].starts_with("out 0101fe000010000000000000"), "{}", &log[0][..40]);
    assert_eq!(log[1], "out 0102fd0005000000010000004141414141000000");
}

#[test]
fn an_answer_that_is_given_up_and_asked_for_again_is_not_requested_twice() {
    let fake = Fake::good();
    let mut session = fake.session(ENDS);
    assert_eq!(session.receive(&|| true).unwrap_err().kind(), FaultKind::Silent);
    fake.0.borrow_mut().reads.push_back(answer(1, b"7", true));
    assert_eq!(session.receive(&never).unwrap().bytes, b"7");
    assert_eq!(fake.log().len(), 1);
}

#[test]
fn an_answer_that_never_comes_is_aborted_and_the_instrument_cleared() {
    let fake = Fake::good()
        .answering(4, &[&[2, 1, 0, 0, 0, 0, 0, 0], &[2, 0, 0, 0, 0, 0, 0, 0], &[1, 0, 0, 0, 0, 0, 0, 0]])
        .answering(6, &[&[2, 0], &[2, 1], &[1, 0]]);
    let mut session = fake.session(Ends { is_488: false, ..ENDS });
    session.receive(&|| true).unwrap_err();
    fake.log();
    session.reset(&never).unwrap();
    let expected = [
        // INITIATE_ABORT_BULK_IN with the tag 1, of the endpoint 0x81; CHECK…_STATUS: pending with bytes, pending, done.
        "a2 3 1 81 2",
        "a2 4 0 81 8",
        "a2 4 0 81 8",
        "pause",
        "a2 4 0 81 8",
        "a1 5 0 00 1",
        "a1 6 0 00 2",
        "pause",
        "a1 6 0 00 2",
        "a1 6 0 00 2",
        "unhalt 02",
    ];
    assert_eq!(fake.log(), expected);
    // In order: the next is a fresh exchange.
    fake.0.borrow_mut().reads.push_back(answer(3, b"8", true));
    session.send(b"X", &never).unwrap();
    assert_eq!(session.receive(&never).unwrap().bytes, b"8");
}

#[test]
fn a_message_that_the_instrument_does_not_take_is_aborted() {
    let fake = Fake::good();
    let mut session = fake.session(Ends { is_488: false, ..ENDS });
    fake.0.borrow_mut().writes.push_back(Broken::Late);
    assert_eq!(session.send(b"X", &|| true).unwrap_err().kind(), FaultKind::Silent);
    session.reset(&never).unwrap();
    let expected = ["a2 1 1 02 2", "a2 2 0 02 8", "unhalt 02", "a1 5 0 00 1", "a1 6 0 00 2", "unhalt 02"];
    assert_eq!(fake.log(), expected);
}

#[test]
fn an_abort_that_finds_nothing_on_the_way_or_is_not_known_leaves_the_clear_to_do() {
    for answers in [&[0x80_u8, 0][..], &[0x81, 5]] {
        let fake = Fake::good().answering(3, &[answers]);
        let mut session = fake.session(Ends { is_488: false, ..ENDS });
        session.receive(&|| true).unwrap_err();
        session.reset(&never).unwrap();
    }
    let fake = Fake::good();
    fake.0.borrow_mut().asked.retain(|(code, _)| *code != 3);
    let mut session = fake.session(Ends { is_488: false, ..ENDS });
    session.receive(&|| true).unwrap_err();
    session.reset(&never).unwrap();
}

#[test]
fn an_instrument_that_is_never_done_clearing_is_given_up() {
    let fake = Fake::good().answering(6, &[&[2, 0]]);
    let fault = fake.session(ENDS).reset(&never).unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Silent);
    assert_eq!(fake.log().iter().filter(|line| *line == "pause").count(), MOST_CHECKS);
    let refuses = Fake::good().answering(5, &[&[0x80]]);
    assert_eq!(refuses.session(ENDS).reset(&never).unwrap_err().kind(), FaultKind::Silent);
}

#[test]
fn whatever_an_instrument_sends_without_end_is_not_drained_for_ever() {
    let fake = Fake::good().answering(6, &[&[2, 1]]);
    let mut session = fake.session(ENDS);
    let most = 2 * MOST_DRAINED / MOST;
    fake.0.borrow_mut().reads.extend((0..most).map(|_| Does::Bytes(vec![0; MOST])));
    assert_eq!(session.reset(&never).unwrap_err().kind(), FaultKind::Silent);
}

#[test]
fn a_halt_is_taken_off_and_the_exchange_spoilt() {
    let fake = Fake::good().reads(vec![Does::Breaks(Broken::Halted)]);
    let mut session = fake.session(Ends { is_488: false, ..ENDS });
    assert_eq!(session.receive(&never).unwrap_err().kind(), FaultKind::Garbled);
    assert_eq!(fake.log().last().unwrap(), "unhalt 81");
    // Before it is in order, nothing is taken for an answer.
    let patience = std::cell::Cell::new(3);
    let impatient = || patience.replace(patience.get() - 1) == 0;
    assert_eq!(session.receive(&impatient).unwrap_err().kind(), FaultKind::Silent);
    assert_eq!(fake.log(), ["pause"; 3]);
    session.send(b"X", &never).unwrap();
    assert_eq!(fake.log()[0], "a2 3 1 81 2");
}

#[test]
fn what_is_against_the_specification_is_garbled() {
    let wrong_tag = Does::Bytes(b"\x02\0\xff\0\x01\0\0\0\x01\0\0\x001".to_vec());
    let wrong_id = Does::Bytes(b"\x01\x01\xfe\0\x01\0\0\0\x01\0\0\x01".to_vec());
    for does in [wrong_tag, wrong_id, Does::Bytes(b"1.25\n".to_vec()), Does::Breaks(Broken::Overrun)] {
        let fake = Fake::good().reads(vec![does]);
        let mut session = fake.session(ENDS);
        assert_eq!(session.receive(&never).unwrap_err().kind(), FaultKind::Garbled);
    }
}

#[test]
fn an_answer_that_still_waits_after_a_clear_is_cleared_again() {
    // Bit 4 of the status byte the first time alone.
    let fake = Fake::good().answering(128, &[&[1, 2, 0x10], &[1, 3, 0]]);
    fake.session(ENDS).reset(&never).unwrap();
    assert_eq!(fake.log().iter().filter(|line| line.starts_with("a1 5")).count(), 2);
    let stubborn = Fake::good().answering(128, &[&[1, 2, 0x10], &[1, 3, 0x10]]);
    assert_eq!(stubborn.session(ENDS).reset(&never).unwrap_err().kind(), FaultKind::Silent);
}

#[test]
fn the_status_byte_comes_over_the_interrupt_endpoint_where_there_is_one() {
    let fake = Fake::good().answering(128, &[&[1, 2, 0]]);
    // A request of service, an answer to an earlier request, the answer.
    fake.0.borrow_mut().notices.extend([vec![0x81, 0x50], vec![0xFF, 0x41], vec![0x82, 0x40]]);
    let mut session = fake.session(Ends { notices: Some(0x83), ..ENDS });
    assert_eq!(session.status_byte().unwrap(), Some(0x40));
    // An answer with another tag, and one that says that the endpoint is busy, tell nothing.
    assert_eq!(session.status_byte().unwrap(), None);
    let busy = Fake::good().answering(128, &[&[0x20, 2, 0]]);
    assert_eq!(busy.session(Ends { notices: Some(0x83), ..ENDS }).status_byte().unwrap(), None);
    let plain = Fake::good().answering(128, &[&[1, 2, 0x44]]);
    assert_eq!(plain.session(ENDS).status_byte().unwrap(), Some(0x44));
}

#[test]
fn an_instrument_that_only_talks_or_only_listens_is_refused() {
    for interface in [1, 2] {
        let capabilities = [&[1_u8, 0, 0, 1, interface][..], &[0; 19]].concat();
        let fake = Fake::good().answering(7, &[&capabilities]);
        assert_eq!(Session::begin(fake, ENDS, Tag::default()).unwrap_err().kind(), FaultKind::Refused);
    }
    // One that doesn't say what it can do may be able to do it all.
    Session::begin(Fake::default(), ENDS, Tag::default()).unwrap();
}

#[test]
fn wherever_it_is_unplugged_it_is_gone() {
    let fake = Fake::good().reads(vec![Does::Breaks(Broken::Gone)]);
    assert_eq!(fake.session(ENDS).receive(&never).unwrap_err().kind(), FaultKind::Gone);
    let fake = Fake::good();
    fake.0.borrow_mut().writes.push_back(Broken::Gone);
    assert_eq!(fake.session(ENDS).send(b"X", &never).unwrap_err().kind(), FaultKind::Gone);
}

/// Anything at all on each pipe.
fn anything() -> impl Strategy<Value = Does> {
    prop_oneof![
        4 => proptest::collection::vec(any::<u8>(), 0..200).prop_map(Does::Bytes),
        4 => (1..6_u8, proptest::collection::vec(any::<u8>(), 0..80), any::<bool>())
            .prop_map(|(number, bytes, last)| answer(number, &bytes, last)),
        1 => Just(()).prop_map(|()| Does::Breaks(Broken::Halted)),
        1 => Just(()).prop_map(|()| Does::Breaks(Broken::Late)),
        1 => Just(()).prop_map(|()| Does::Breaks(Broken::Overrun)),
    ]
}

proptest! {
    #[test]
    fn whatever_an_instrument_does_every_exchange_ends_and_a_reset_puts_a_good_one_in_order(
        does in proptest::collection::vec(anything(), 0..30),
        controls in proptest::collection::vec(
            (1..8_u8, proptest::collection::vec(any::<u8>(), 0..9)), 0..10),
        orders in proptest::collection::vec(0..3_u8, 1..12),
    ) {
        let fake = Fake::good().reads(does);
        let mut session = fake.session(ENDS);
        let good = Fake::good();
        for (code, answer) in controls {
            fake.clone().answering(code, &[&answer]);
        }
        for order in orders {
            let _outcome = match order {
                0 => session.send(b"READ?", &|| true).map(drop),
                1 => session.receive(&|| true).map(drop),
                _ => session.reset(&never),
            };
        }
        // From now on it does as it is told.
        let asked = std::mem::take(&mut good.0.borrow_mut().asked);
        let mut instrument = fake.0.borrow_mut();
        (instrument.asked, instrument.reads) = (asked, VecDeque::new());
        drop(instrument);
        session.reset(&never).unwrap();
        session.send(b"READ?", &never).unwrap();
        fake.0.borrow_mut().reads.push_back(answer(session.tag.number(), b"5", true));
        prop_assert_eq!(session.receive(&never).unwrap().bytes, b"5");
    }
}
