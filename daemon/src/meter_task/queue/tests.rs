//! The queue, case by case.

use std::sync::Arc;

use super::*;
use crate::client::Client;

fn exposure(integration_s: f64) -> Exposure {
    Exposure { integration_s: Some(integration_s) }
}

const FREE: Exposure = Exposure { integration_s: None };

fn ask_by(queue: &mut Queue, by: &By, exposure: Exposure) -> oneshot::Receiver<Outcome> {
    let (reply, receiver) = oneshot::channel();
    queue.wait(Waiting { by: by.clone(), exposure, covered: false, reply }).unwrap();
    receiver
}

fn ask(queue: &mut Queue, integration_s: f64) -> oneshot::Receiver<Outcome> {
    ask_by(queue, &By::itself(), exposure(integration_s))
}

fn zero_by(queue: &mut Queue, by: &By) -> oneshot::Receiver<super::super::ZeroOutcome> {
    let (reply, receiver) = oneshot::channel();
    queue.zero(Zeroing { by: by.clone(), reply }).unwrap();
    receiver
}

fn demand_by(queue: &mut Queue, by: &By, wanted: Wanted) -> Demanded {
    let demanded = Arc::new(Places::default()).take(by.client).unwrap();
    let (by, alive) = (by.clone(), demanded.watch());
    queue.demand(Demand { by, wanted, due_s: f64::NEG_INFINITY, alive });
    demanded
}

fn observing(integration_s: f64, interval_s: f64) -> Wanted {
    Wanted { exposure: exposure(integration_s), interval_s, purpose: Purpose::Observing }
}

fn demand(queue: &mut Queue, integration_s: f64, interval_s: f64) -> Demanded {
    demand_by(queue, &By::itself(), observing(integration_s, interval_s))
}

/// A settling that leaves the integration time to the meter.
fn settling(longer_s: Option<f64>, longest_s: f64) -> Wanted {
    let purpose = Purpose::Settling(Lengths { longer_s, longest_s });
    Wanted { exposure: FREE, interval_s: 0.0, purpose }
}

/// Exposes for whoever is next, and tells what with and for how many.
fn expose(queue: &mut Queue) -> (Option<f64>, usize) {
    let Next::Expose(asked) = queue.next(0.0, 0.0) else { panic!("nothing is asked for") };
    let audience = queue.take(asked, 0.0);
    (audience.exposed.exposure.integration_s, audience.size)
}

#[test]
fn equal_requests_share_one_exposure() {
    let mut queue = Queue::default();
    let _receivers: Vec<_> = (0..10).map(|_| ask(&mut queue, 1.0)).collect();
    let _demanded = demand(&mut queue, 1.0, 0.0);
    assert_eq!(queue.len(), 10);
    assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(1.0)));
    assert_eq!(queue.take(exposure(1.0), 0.0).size, 11);
    assert_eq!(queue.len(), 0);
}

#[test]
fn a_zero_takes_its_turn_unless_nobody_waits_for_it() {
    let mut queue = Queue::default();
    let _demanded = demand(&mut queue, 1.0, 0.0);
    assert_eq!(expose(&mut queue).0, Some(1.0));
    let zero = zero_by(&mut queue, &By::itself());
    let _other = ask(&mut queue, 2.0);
    assert_eq!((queue.next(0.0, 0.0), queue.len()), (Next::Zero, 2));
    assert!(queue.take_zero().is_some());
    assert_eq!(expose(&mut queue).0, Some(1.0), "it has waited since before the zero was asked for");
    assert_eq!(expose(&mut queue).0, Some(2.0));
    let other = zero_by(&mut queue, &By::itself());
    drop((zero, other));
    assert_eq!(expose(&mut queue).0, Some(1.0));
    assert_eq!(queue.len(), 0);
}

#[test]
fn what_is_too_much_of_one_client_is_given_back_and_others_have_their_room() {
    let (mut queue, full, other) = (Queue::default(), By::itself(), By::itself());
    let mut zeros: Vec<_> = (0..MOST_ZEROS).map(|_| zero_by(&mut queue, &full)).collect();
    let mut waiting: Vec<_> = (0..MOST_WAITING).map(|_| ask_by(&mut queue, &full, FREE)).collect();
    let zeroing = |by: &By| Zeroing { by: by.clone(), reply: oneshot::channel().0 };
    let reading = |by: &By| Waiting { by: by.clone(), exposure: FREE, covered: false, reply: oneshot::channel().0 };
    assert!(queue.zero(zeroing(&full)).is_err() && queue.wait(reading(&full)).is_err());
    assert!(queue.zero(zeroing(&other)).is_ok() && queue.wait(reading(&other)).is_ok());
    drop((zeros.pop(), waiting.pop()));
    assert!(queue.zero(zeroing(&full)).is_ok() && queue.wait(reading(&full)).is_ok());
}

#[test]
fn a_request_that_nobody_waits_for_causes_no_exposure() {
    let mut queue = Queue::default();
    drop(ask(&mut queue, 1.0));
    drop(demand(&mut queue, 1.0, 0.0));
    assert_eq!(queue.next(0.0, 0.0), Next::Idle);
}

#[test]
fn a_schedule_keeps_its_beat_and_does_not_catch_up() {
    let mut queue = Queue::default();
    let _demanded = demand_by(&mut queue, &By::itself(), observing(1.0, 5.0));
    let mut due_after = |began_s: f64| {
        assert_eq!(queue.next(began_s, 0.0), Next::Expose(exposure(1.0)));
        queue.take(exposure(1.0), began_s);
        queue.next(began_s, 0.0)
    };
    assert_eq!(due_after(0.1), Next::Wait(5.1));
    assert_eq!(due_after(5.3), Next::Wait(10.1));
    assert_eq!(due_after(33.0), Next::Wait(38.0));
}

#[test]
fn demands_wait_after_a_failure_and_single_requests_do_not() {
    let mut queue = Queue::default();
    let _demanded = demand(&mut queue, 1.0, 0.0);
    assert_eq!(queue.next(0.0, 2.0), Next::Wait(2.0));
    let _receiver = ask(&mut queue, 3.0);
    assert_eq!(queue.next(0.0, 2.0), Next::Expose(exposure(3.0)));
}

#[test]
fn what_nobody_cares_for_takes_no_room_though_no_exposure_is_made() {
    let mut queue = Queue::default();
    let _held = demand(&mut queue, 1.0, 0.0);
    for _ in 0..1000 {
        drop((demand(&mut queue, 1.0, 0.0), ask(&mut queue, 1.0)));
    }
    assert!(queue.members.len() <= 2 * LEFT_LYING, "{}", queue.members.len());
}

#[test]
fn a_demand_that_is_made_again_keeps_its_place_and_takes_no_other() {
    let (mut queue, by) = (Queue::default(), By::itself());
    let wanted = observing(1.0, 5.0);
    let demanded = demand_by(&mut queue, &by, wanted);
    queue.take(exposure(1.0), 0.0);
    for _ in 0..3 {
        let (by, alive) = (by.clone(), demanded.watch());
        queue.demand(Demand { by, wanted, due_s: f64::NEG_INFINITY, alive });
    }
    assert_eq!(queue.next(0.1, 0.0), Next::Wait(5.0));
    assert_eq!(queue.take(exposure(1.0), 5.0).size, 1);
}

#[test]
fn what_is_postponed_waits_alone() {
    let mut queue = Queue::default();
    let _postponed = demand(&mut queue, 1.0, 0.0);
    let other = demand(&mut queue, 2.0, 0.0);
    queue.postpone(Exposed { exposure: exposure(1.0), free: false }, 3.0);
    assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(2.0)));
    drop(other);
    assert_eq!(queue.next(0.0, 0.0), Next::Wait(3.0));
}

#[test]
fn whoever_leaves_the_integration_time_to_the_meter_shares_what_a_settling_has_lengthened() {
    let mut queue = Queue::default();
    let _noisy = demand_by(&mut queue, &By::itself(), settling(Some(2.0), 4.0));
    let _other = demand_by(&mut queue, &By::itself(), settling(Some(1.0), 4.0));
    let _observer =
        demand_by(&mut queue, &By::itself(), Wanted { exposure: FREE, interval_s: 0.0, purpose: Purpose::Observing });
    let _single = ask_by(&mut queue, &By::itself(), FREE);
    let _same = ask(&mut queue, 2.0);
    let _exact = ask(&mut queue, 1.0);
    let served = [expose(&mut queue), expose(&mut queue)];
    assert_eq!(served, [(Some(2.0), 5), (Some(1.0), 1)]);
    let hasty = demand_by(&mut queue, &By::itself(), settling(None, 1.5));
    assert_eq!(expose(&mut queue), (Some(1.0), 4), "longer ones are of no use to all");
    drop(hasty);
    assert_eq!(expose(&mut queue), (Some(2.0), 3));
}

#[test]
fn where_a_lengthened_exposure_is_refused_only_those_who_asked_for_just_that_hear_of_it() {
    let mut queue = Queue::default();
    let (a, b) = (By::itself(), By::itself());
    let _settling = demand_by(&mut queue, &By::itself(), settling(Some(2.0), 4.0));
    let mut free = ask_by(&mut queue, &a, FREE);
    let mut exact = ask_by(&mut queue, &b, exposure(2.0));
    queue.next(0.0, 0.0);
    let audience = queue.take(FREE, 0.0);
    assert_eq!((audience.exposed.lengthened_s(), audience.size, queue.len()), (Some(2.0), 3, 0));
    let left = queue.shorten(audience);
    assert_eq!(queue.len(), 1);
    drop(left);
    assert!(matches!(exact.try_recv(), Err(oneshot::error::TryRecvError::Closed)));
    assert!(matches!(free.try_recv(), Err(oneshot::error::TryRecvError::Empty)));
    assert_eq!(expose(&mut queue), (None, 2), "the meter's own choice");
}

#[test]
fn under_a_lease_only_what_comes_with_it_is_served_and_others_keep_their_place() {
    let mut queue = Queue::default();
    let client = Client::new(None);
    let _early = ask(&mut queue, 1.0);
    let _later = ask(&mut queue, 2.0);
    let mark = queue.mark();
    queue.hold(Some("lease".into()));
    assert_eq!(queue.next(0.0, 0.0), Next::Idle);
    let _holder = ask_by(&mut queue, &client.by(Some("lease")), exposure(1.0));
    let _without = ask_by(&mut queue, &client.by(None), exposure(1.0));
    let _stale = ask_by(&mut queue, &client.by(Some("another")), exposure(1.0));
    assert_eq!(expose(&mut queue), (Some(1.0), 1));
    assert_eq!(queue.next(0.0, 0.0), Next::Idle);
    assert!(queue.owed(mark, client.id()).is_some());
    queue.hold(None);
    // What comes with a token is not served without its lease, whoever asked for it.
    assert_eq!(expose(&mut queue), (Some(1.0), 2));
    assert_eq!(expose(&mut queue), (Some(2.0), 1));
    assert_eq!((queue.next(0.0, 0.0), queue.len()), (Next::Idle, 1));
    assert!(queue.owed(mark, client.id()).is_none());
}

#[test]
fn what_is_owed_is_what_came_before_and_ends_by_itself_but_not_ones_own_settling() {
    let (mut queue, own) = (Queue::default(), By::itself());
    let (_observer, _own) = (demand(&mut queue, 1.0, 0.0), demand_by(&mut queue, &own, settling(None, 1.0)));
    let mark = queue.mark();
    let zero = zero_by(&mut queue, &By::itself());
    assert!(queue.owed(mark, own.client).is_none());
    assert_eq!(queue.owed(queue.mark(), own.client).unwrap().1, "a zero");
    drop(zero);
    let other = demand_by(&mut queue, &By::itself(), settling(None, 1.0));
    assert_eq!(queue.owed(queue.mark(), own.client).unwrap().1, "a settling");
    drop(other);
    let _read = ask_by(&mut queue, &own, FREE);
    assert_eq!(queue.owed(queue.mark(), own.client).unwrap().1, "a reading");
    queue.take(FREE, 0.0);
    assert!(queue.owed(queue.mark(), own.client).is_none());
}

#[test]
fn only_what_is_asked_for_once_is_taken_out_and_only_what_a_lease_keeps_waiting_has_a_limit() {
    let (mut queue, own) = (Queue::default(), By::itself());
    let _demanded = demand_by(&mut queue, &own, settling(None, 1.0));
    let (_zero, _read) = (zero_by(&mut queue, &own.clone().until(5.0)), ask_by(&mut queue, &own.clone().until(3.0), FREE));
    assert_eq!(queue.patience_s(), f64::INFINITY, "nobody has the meter");
    queue.hold(Some("lease".into()));
    let _holder = ask_by(&mut queue, &By::itself().under("lease"), FREE);
    assert_eq!(queue.patience_s(), 3.0);
    let (reads, zeros) = queue.take_out(|by| by.until_s <= 3.0);
    assert_eq!((reads.len(), zeros.len(), queue.len()), (2, 0, 1));
    assert_eq!(queue.patience_s(), 5.0);
    queue.hold(None);
    assert_eq!(expose(&mut queue), (None, 1), "the demand is still there");
}

#[test]
fn who_observes_under_a_lease_that_is_over_goes_on_as_anybody_does() {
    let mut queue = Queue::default();
    let wanted = Wanted { exposure: FREE, interval_s: 0.0, purpose: Purpose::Observing };
    let _observer = demand_by(&mut queue, &By::itself().under("lease"), wanted);
    let _settles = demand_by(&mut queue, &By::itself().under("lease"), settling(None, 1.0));
    assert_eq!(queue.next(0.0, 0.0), Next::Idle);
    queue.hold(Some("lease".into()));
    assert_eq!(expose(&mut queue), (None, 2));
    queue.hold(None);
    assert_eq!(expose(&mut queue), (None, 1), "a settling under a lease that is over is served no more");
}

#[test]
fn a_client_that_asks_again_takes_turns_with_a_demand_that_stays_however_late_it_hears() {
    for late in [false, true] {
        let (mut queue, again) = (Queue::default(), By::itself());
        let _stays = demand(&mut queue, 1.0, 0.0);
        let mut turns = Vec::new();
        let mut asked = vec![ask_by(&mut queue, &again, exposure(2.0))];
        for _ in 0..20 {
            let (integration_s, _) = expose(&mut queue);
            let was_served = turns.last() == Some(&Some(2.0));
            // It hears of its reading before the next exposure begins, or only once that has begun.
            if (late && was_served) || (!late && integration_s == Some(2.0)) {
                asked.push(ask_by(&mut queue, &again, exposure(2.0)));
            }
            turns.push(integration_s);
        }
        assert!(turns.windows(2).all(|two| two[0] != two[1]), "late: {late}, {turns:?}");
    }
}
