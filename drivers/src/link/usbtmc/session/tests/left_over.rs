//! What is left of an earlier exchange, and of an earlier opening.

use super::*;

/// An instrument whose buffer isn't emptied by a clear: what it holds comes before what was asked for.
#[test]
fn an_answer_that_outlived_a_clear_is_thrown_away_and_the_right_one_read() {
    let fake = Fake::good().reads(vec![answer(41, b"1", true), answer(2, b"2", true)]);
    let mut session = fake.session(ENDS);
    session.send(b"READ?", &never).unwrap();
    assert_eq!(session.receive(&never).unwrap().bytes, b"2");
    // It was asked for once.
    assert_eq!(fake.log().len(), 2);
    // Whoever gives up meanwhile goes on waiting for the same answer.
    fake.0.borrow_mut().reads.push_back(answer(2, b"2", true));
    assert_eq!(session.receive(&|| true).unwrap_err().kind(), FaultKind::Silent);
    fake.0.borrow_mut().reads.push_back(answer(3, b"3", true));
    assert_eq!(session.receive(&never).unwrap().bytes, b"3");
    assert_eq!(fake.log().len(), 1);
}

/// The same instrument, opened again: its old answer and the new one must not have the same tag.
#[test]
fn an_answer_that_outlived_an_opening_is_not_taken_for_one_to_the_next() {
    let fake = Fake::good();
    let mut session = fake.session(ENDS);
    session.send(b"READ?", &never).unwrap();
    session.receive(&|| true).unwrap_err();
    let mut again = Session::begin(fake.clone(), ENDS, session.tag()).unwrap();
    again.send(b"READ?", &never).unwrap();
    fake.0.borrow_mut().reads.extend([answer(2, b"old", true), answer(4, b"new", true)]);
    assert_eq!(again.receive(&never).unwrap().bytes, b"new");
}

/// Whoever has heard enough asks for something else: the rest of the old answer must not be the beginning of the next.
#[test]
fn the_rest_of_an_answer_that_nobody_asked_for_any_more_is_cleared_away_before_the_next_message() {
    let fake = Fake::good().reads(vec![answer(2, b"1.25\n", false)]);
    let mut session = fake.session(Ends { is_488: false, ..ENDS });
    session.send(b"READ?\n", &never).unwrap();
    session.receive(&never).unwrap();
    fake.log();
    session.send(b"READ?\n", &never).unwrap();
    let log = fake.log();
    assert_eq!(log[..3], ["a1 5 0 00 1", "a1 6 0 00 2", "unhalt 02"]);
    assert!(log[3].starts_with("out 0103fc"), "{log:?}");
}
