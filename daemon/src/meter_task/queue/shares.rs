//! What share of the exposures each client gets of which the meter can't serve two at once.

use std::sync::Arc;

use proptest::prelude::*;

use super::*;

/// How a client asks: always for something that nobody else asks for.
#[derive(Clone, Copy, Debug)]
enum Manner {
    /// For readings that go on.
    Stays,
    /// For one reading after the other.
    Again,
    /// The same, but each time over a new connection.
    Anew,
    /// The same, and it hears of its reading only once the next exposure has begun.
    Late,
    /// For so many unlike readings at once, and for another whenever it gets one.
    Floods(u16),
}

/// A client, and what it has got.
struct Asker {
    manner: Manner,
    by: By,
    index: u16,
    got: Vec<usize>,
    demanded: Option<Demanded>,
    waiting: Vec<(u16, oneshot::Receiver<Outcome>)>,
    /// Before which exposure it may ask again.
    from: usize,
}

/// Settings of a client's own.
fn exposure(index: u16, which: u16) -> Exposure {
    Exposure { integration_s: Some(f64::from(index * 100 + which + 1)) }
}

impl Asker {
    fn new(index: u16, manner: Manner, turns: u8) -> Self {
        let by = By { turns, ..By::itself() };
        Self { manner, by, index, got: Vec::new(), demanded: None, waiting: Vec::new(), from: 0 }
    }

    /// Asks for what it has no request for yet.
    fn ask(&mut self, queue: &mut Queue, round: usize) {
        let most = match self.manner {
            Manner::Stays => return self.stay(queue),
            Manner::Floods(most) => most,
            Manner::Again | Manner::Anew | Manner::Late => u16::from(self.from <= round),
        };
        for which in 0..most {
            if self.waiting.iter().all(|(asked, _)| *asked != which) {
                let (reply, receiver) = oneshot::channel();
                let (by, exposure) = (self.by.clone(), exposure(self.index, which));
                queue.wait(Waiting { by, exposure, covered: false, reply }).unwrap();
                self.waiting.push((which, receiver));
            }
        }
    }

    fn stay(&mut self, queue: &mut Queue) {
        if self.demanded.is_none() {
            let demanded = Arc::new(Places::default()).take(self.by.client).unwrap();
            let (by, alive, exposure) = (self.by.clone(), demanded.watch(), exposure(self.index, 0));
            let wanted = Wanted { exposure, interval_s: 0.0, purpose: Purpose::Observing };
            queue.demand(Demand { by, wanted, due_s: f64::NEG_INFINITY, alive });
            self.demanded = Some(demanded);
        }
    }

    /// Takes what it gets from an exposure.
    fn hear(&mut self, exposed: Exposure, round: usize) {
        if (0..100).any(|which| exposure(self.index, which) == exposed) {
            self.got.push(round);
            self.waiting.retain_mut(|(_, receiver)| {
                matches!(receiver.try_recv(), Err(oneshot::error::TryRecvError::Empty))
            });
            self.from = round + 1;
            if matches!(self.manner, Manner::Anew) {
                self.by = By { turns: self.by.turns, ..By::itself() };
            }
        }
    }

    /// The most exposures of others between two of its own, or before its first.
    fn longest_wait(&self) -> usize {
        let first = self.got.first().copied().into_iter();
        first.chain(self.got.windows(2).map(|two| two[1] - two[0] - 1)).max().unwrap_or(usize::MAX)
    }
}

/// Lets clients with these weights ask for so many exposures.
fn share(manners: &[(Manner, u8)], rounds: usize) -> Vec<Asker> {
    let mut queue = Queue::default();
    let mut askers: Vec<Asker> =
        (0..).zip(manners).map(|(index, (manner, turns))| Asker::new(index, *manner, *turns)).collect();
    for round in 0..rounds {
        // Who is late asks once the exposure has begun.
        let late = |asker: &Asker| round > 0 && matches!(asker.manner, Manner::Late);
        askers.iter_mut().filter(|asker| !late(asker)).for_each(|asker| asker.ask(&mut queue, round));
        let Next::Expose(next) = queue.next(0.0, 0.0) else { panic!("nobody asks") };
        assert_eq!(queue.take(next, 0.0).size, 1);
        askers.iter_mut().filter(|asker| late(asker)).for_each(|asker| asker.ask(&mut queue, round));
        askers.iter_mut().for_each(|asker| asker.hear(next, round));
    }
    askers
}

/// 1 where all get the same, 1/n where one of n gets everything.
fn jain_index(shares: &[usize]) -> f64 {
    let shares: Vec<f64> = shares.iter().map(|share| f64::from(u32::try_from(*share).unwrap())).collect();
    let (sum, squares): (f64, f64) = (shares.iter().sum(), shares.iter().map(|share| share * share).sum());
    sum * sum / (f64::from(u32::try_from(shares.len()).unwrap()) * squares)
}

fn manner() -> impl Strategy<Value = Manner> {
    prop_oneof![
        Just(Manner::Stays),
        Just(Manner::Again),
        Just(Manner::Anew),
        Just(Manner::Late),
        (1..=64_u16).prop_map(Manner::Floods),
    ]
}

#[test]
fn a_flood_of_unlike_requests_gains_nothing_and_costs_nobody_anything() {
    let others = [(Manner::Stays, 1), (Manner::Again, 1), (Manner::Anew, 1)];
    let shares = |flood| {
        let mut manners = others.to_vec();
        manners.push((Manner::Floods(flood), 1));
        share(&manners, 400).iter().map(|asker| asker.got.len()).collect::<Vec<_>>()
    };
    assert_eq!(shares(64), [100; 4]);
    assert_eq!(shares(1), [100; 4]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn two_clients_with_unlike_settings_take_turns_however_they_ask(one in manner(), other in manner()) {
        let askers = share(&[(one, 1), (other, 1)], 60);
        prop_assert!(askers.iter().all(|asker| asker.longest_wait() <= 1 && asker.got.len() == 30));
    }

    #[test]
    fn clients_get_equal_shares_however_they_ask(manners in proptest::collection::vec(manner(), 3..12)) {
        let askers = share(&manners.iter().map(|manner| (*manner, 1)).collect::<Vec<_>>(), 30 * manners.len());
        let shares: Vec<usize> = askers.iter().map(|asker| asker.got.len()).collect();
        prop_assert!(jain_index(&shares) >= 0.99, "{shares:?}");
        let longest = askers.iter().map(Asker::longest_wait).max();
        prop_assert!(longest < Some(manners.len()), "{longest:?}");
    }

    #[test]
    fn turns_that_are_granted_are_given_and_starve_nobody(weights in proptest::collection::vec(1..=16_u8, 2..6)) {
        let sum: usize = weights.iter().map(|weight| usize::from(*weight)).sum();
        let manners: Vec<_> = weights.iter().map(|weight| (Manner::Stays, *weight)).collect();
        for asker in share(&manners, 20 * sum) {
            let weight = usize::from(asker.by.turns);
            prop_assert!(asker.got.len().abs_diff(20 * weight) <= 1, "{} of {weight}", asker.got.len());
            let others = weights.iter().map(|other| usize::from(*other).div_ceil(weight)).sum::<usize>();
            prop_assert!(asker.longest_wait() <= others, "{} of {weight}", asker.longest_wait());
        }
    }
}
