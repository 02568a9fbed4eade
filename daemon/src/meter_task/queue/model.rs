//! The queue against a model of it: a plain list of what is asked for, that knows nothing of passes and only counts who waits.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::client::Client;

/// The token of the lease that is taken now and then.
const LEASE: &str = "lease";

/// What happens to the queue.
#[derive(Clone, Copy, Debug)]
enum Step {
    Ask {
        client: usize,
        setting: u8,
        leased: bool,
    },
    /// Readings that go on, so many exposures apart.
    Demand {
        client: usize,
        setting: u8,
        interval: u8,
    },
    Zero {
        client: usize,
    },
    /// The client takes back one of its requests.
    Cancel {
        client: usize,
        which: usize,
    },
    /// The connection is closed and made anew.
    Reconnect {
        client: usize,
    },
    Lease {
        held: bool,
    },
    Expose,
}

/// What an item of the model asks for: an exposure with a setting, or to zero.
type Asks = Option<u8>;

/// How a request is held by its client.
#[derive(Debug)]
enum Held {
    Reading(oneshot::Receiver<Outcome>),
    Zero(oneshot::Receiver<super::super::ZeroOutcome>),
    /// Due when, and how often.
    Demand {
        _demanded: Demanded,
        due: f64,
        interval: f64,
    },
}

/// Something that a client asks for.
#[derive(Debug)]
struct Request {
    client: usize,
    asks: Asks,
    leased: bool,
    held: Held,
    /// Its place among what its client asks for.
    place: usize,
    /// How many exposures it has waited for, and how many it may.
    waited: usize,
    may_wait: usize,
}

/// How long a client has waited to have its oldest due request served.
#[derive(Debug)]
struct Wait {
    exposures: usize,
    /// How many other clients were there when it began.
    others: usize,
    /// What else it may have to wait for: unlike settings and zeros that are asked for by others.
    unlike: BTreeSet<Asks>,
    zeros: usize,
}

/// The model, and the queue beside it.
struct Model {
    queue: Queue,
    clients: Vec<Client>,
    requests: Vec<Request>,
    waits: BTreeMap<usize, Wait>,
    places: usize,
    now: f64,
    held: bool,
    /// Nothing is ever taken back, timed or leased: then unlike settings are a bound, too.
    plain: bool,
    exposures: usize,
}

fn setting(setting: u8) -> Exposure {
    Exposure { integration_s: Some(f64::from(setting) + 1.0) }
}

impl Model {
    fn new(clients: usize, plain: bool) -> Self {
        Self {
            queue: Queue::default(),
            clients: (0..clients).map(|_| Client::new(None)).collect(),
            requests: Vec::new(),
            waits: BTreeMap::new(),
            places: 0,
            now: 0.0,
            held: false,
            plain,
            exposures: 0,
        }
    }

    fn add(&mut self, client: usize, asks: Asks, leased: bool, held: Held) {
        self.places += 1;
        for (waiting, wait) in &mut self.waits {
            if *waiting != client {
                wait.zeros += usize::from(asks.is_none());
                wait.unlike.extend(asks.map(Some));
            }
        }
        let (place, waited, may_wait) = (self.places, 0, usize::MAX);
        self.requests.push(Request { client, asks, leased, held, place, waited, may_wait });
    }

    fn step(&mut self, step: Step) {
        match step {
            Step::Ask { client, setting: asks, leased } => {
                // A request that comes with a lease that isn't in force is refused before it gets here.
                let leased = leased && self.held;
                let (reply, receiver) = oneshot::channel();
                let by = self.clients[client].by(leased.then_some(LEASE));
                let waiting = Waiting { by, exposure: setting(asks), covered: false, reply };
                if self.queue.wait(waiting).is_ok() {
                    self.add(client, Some(asks), leased, Held::Reading(receiver));
                }
            }
            Step::Demand { client, setting: asks, interval } => {
                let by = self.clients[client].by(None);
                let demanded = Arc::new(Places::default()).take(by.client).unwrap();
                let interval = f64::from(interval);
                let wanted =
                    Wanted { exposure: setting(asks), interval_s: interval, purpose: Purpose::Observing };
                let (due, alive) = (f64::NEG_INFINITY, demanded.watch());
                self.queue.demand(Demand { by, wanted, due_s: due, alive });
                self.add(client, Some(asks), false, Held::Demand { _demanded: demanded, due, interval });
            }
            Step::Zero { client } => {
                let (reply, receiver) = oneshot::channel();
                let by = self.clients[client].by(None);
                if self.queue.zero(Zeroing { by, reply }).is_ok() {
                    self.add(client, None, false, Held::Zero(receiver));
                }
            }
            Step::Cancel { client, which } => {
                let own = self.requests.iter().enumerate().filter(|(_, request)| request.client == client);
                let own: Vec<usize> = own.map(|(index, _)| index).collect();
                if let Some(index) = own.get(which % own.len().max(1)) {
                    self.requests.remove(*index);
                }
                // Whoever has taken back everything has left.
                if own.len() <= 1 {
                    self.waits.remove(&client);
                }
            }
            Step::Reconnect { client } => {
                self.requests.retain(|request| request.client != client);
                self.clients[client] = Client::new(None);
                self.waits.remove(&client);
            }
            Step::Lease { held } => {
                self.held = held;
                // What comes with a lease is over with it.
                self.queue.take_out(|by| !held && by.lease.is_some());
                self.requests.retain(|request| held || !request.leased);
                self.waits.retain(|client, _| self.requests.iter().any(|request| request.client == *client));
                // What is younger may have been served before what is older: that counts anew.
                for request in &mut self.requests {
                    (request.waited, request.may_wait) = (0, usize::MAX);
                }
                self.queue.hold(held.then(|| LEASE.into()));
            }
            Step::Expose => self.expose(),
        }
    }

    fn admits(&self, request: &Request) -> bool {
        !self.held || request.leased
    }

    fn is_due(&self, request: &Request) -> bool {
        let due = match &request.held {
            Held::Demand { due, .. } => *due,
            Held::Reading(_) | Held::Zero(_) => f64::NEG_INFINITY,
        };
        self.admits(request) && due <= self.now
    }

    /// Where each client's oldest due request is.
    fn fronts(&self) -> BTreeMap<usize, usize> {
        let mut fronts = BTreeMap::new();
        for (index, request) in self.requests.iter().enumerate().filter(|(_, request)| self.is_due(request)) {
            let front = fronts.entry(request.client).or_insert(index);
            if request.place < self.requests[*front].place {
                *front = index;
            }
        }
        fronts
    }

    /// Who begins to wait now.
    fn begin_waits(&mut self, fronts: &BTreeMap<usize, usize>) {
        let there: BTreeSet<usize> = self.requests.iter().map(|request| request.client).collect();
        self.waits.retain(|client, _| there.contains(client));
        for client in fronts.keys() {
            let others = self.requests.iter().filter(|request| request.client != *client);
            let others: Vec<Asks> = others.map(|request| request.asks).collect();
            self.waits.entry(*client).or_insert_with(|| Wait {
                exposures: 0,
                others: there.len() - 1,
                zeros: others.iter().filter(|asks| asks.is_none()).count(),
                unlike: others.into_iter().filter(Option::is_some).collect(),
            });
        }
        for index in 0..self.requests.len() {
            let Request { client, place, .. } = self.requests[index];
            let ahead =
                self.requests.iter().filter(|other| other.client == client && other.place <= place).count();
            if self.requests[index].may_wait == usize::MAX {
                self.requests[index].may_wait = ahead * self.clients.len();
            }
        }
    }

    fn expose(&mut self) {
        let fronts = self.fronts();
        self.begin_waits(&fronts);
        let asked = match self.queue.next(self.now, f64::NEG_INFINITY) {
            Next::Expose(exposure) => Some(exposure),
            Next::Zero => None,
            idle => {
                assert!(fronts.is_empty(), "{idle:?} while {fronts:?} wait");
                self.now += 1.0;
                return;
            }
        };
        let asks = |request: &Request| request.asks.map(setting) == asked;
        assert!(fronts.values().any(|front| asks(&self.requests[*front])), "{asked:?} is nobody's oldest");
        let size = match asked {
            Some(exposure) => self.queue.take(exposure, self.now).size,
            None => usize::from(self.queue.take_zero().is_some()),
        };
        self.exposures += 1;
        // Who was answered knows it by now: the replies were dropped.
        let served: Vec<bool> = (0..self.requests.len()).map(|index| self.is_served(index, asked)).collect();
        assert_eq!(size, served.iter().filter(|served| **served).count());
        if asked.is_some() {
            let all = self.requests.iter().map(|request| asks(request) && self.admits(request));
            assert!(all.eq(served.iter().copied()), "an exposure serves just those who asked for it");
        }
        self.count_waits(&fronts, &served);
        self.end(&served);
        self.now += 1.0;
    }

    fn is_served(&mut self, index: usize, asked: Option<Exposure>) -> bool {
        let admitted = self.admits(&self.requests[index]);
        let request = &mut self.requests[index];
        match &mut request.held {
            Held::Reading(receiver) => {
                matches!(receiver.try_recv(), Err(oneshot::error::TryRecvError::Closed))
            }
            Held::Zero(receiver) => matches!(receiver.try_recv(), Err(oneshot::error::TryRecvError::Closed)),
            Held::Demand { .. } => admitted && asked.is_some() && request.asks.map(setting) == asked,
        }
    }

    fn count_waits(&mut self, fronts: &BTreeMap<usize, usize>, served: &[bool]) {
        // What is served ahead of its time is a turn, too.
        let served_clients = self.requests.iter().zip(served).filter(|(_, served)| **served);
        for (request, _) in served_clients.filter(|(request, _)| !fronts.contains_key(&request.client)) {
            self.waits.remove(&request.client);
        }
        for (client, front) in fronts {
            let Some(wait) = self.waits.get_mut(client) else { continue };
            if served[*front] {
                wait.unlike.insert(self.requests[*front].asks);
                let unlike = wait.unlike.iter().filter(|asks| asks.is_some()).count() + wait.zeros;
                let own = usize::from(self.requests[*front].asks.is_none());
                assert!(!self.plain || wait.exposures + 1 <= unlike + own, "{wait:?}");
                self.waits.remove(client);
            } else {
                wait.exposures += 1;
                assert!(wait.exposures <= wait.others, "client {client}: {wait:?}");
            }
        }
        for index in 0..self.requests.len() {
            if self.is_due(&self.requests[index]) {
                let request = &mut self.requests[index];
                request.waited += 1;
                assert!(request.waited <= request.may_wait, "{request:?}");
            }
        }
    }

    /// Those that were served are gone, or ask for the next.
    fn end(&mut self, served: &[bool]) {
        let now = self.now;
        for (request, _) in self.requests.iter_mut().zip(served).filter(|(_, served)| **served) {
            if let Held::Demand { due, interval, .. } = &mut request.held {
                *due = if *due + *interval > now { due.min(now) + *interval } else { now + *interval };
                self.places += 1;
                (request.place, request.waited, request.may_wait) = (self.places, 0, usize::MAX);
            }
        }
        let mut served = served.iter();
        self.requests
            .retain(|request| !served.next().unwrap() || matches!(request.held, Held::Demand { .. }));
    }
}

const CLIENTS: usize = 5;

fn step(plain: bool) -> impl Strategy<Value = Step> {
    let (client, setting) = (0..CLIENTS, 0..4_u8);
    let interval = if plain { 0..1_u8 } else { 0..6_u8 };
    let seldom = u32::from(!plain);
    prop_oneof![
        12 => Just(Step::Expose),
        10 => (client.clone(), setting.clone(), any::<bool>())
            .prop_map(|(client, setting, leased)| Step::Ask { client, setting, leased }),
        3 => (client.clone(), setting, interval)
            .prop_map(|(client, setting, interval)| Step::Demand { client, setting, interval }),
        2 => client.clone().prop_map(|client| Step::Zero { client }),
        6 * seldom => (client.clone(), 0..8_usize).prop_map(|(client, which)| Step::Cancel { client, which }),
        2 * seldom => client.prop_map(|client| Step::Reconnect { client }),
        2 * seldom => any::<bool>().prop_map(|held| Step::Lease { held }),
    ]
}

fn run(steps: Vec<Step>, plain: bool) {
    let mut model = Model::new(CLIENTS, plain);
    for step in steps {
        model.step(step);
    }
    // In the end everybody has a turn.
    model.step(Step::Lease { held: false });
    for _ in 0..20 {
        model.expose();
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    #[test]
    fn nobody_waits_for_more_exposures_than_there_are_other_clients_and_no_request_starves(
        steps in proptest::collection::vec(step(false), 1..120),
    ) {
        run(steps, false);
    }

    #[test]
    fn nobody_waits_for_more_exposures_than_unlike_settings_are_asked_for(
        steps in proptest::collection::vec(step(true), 1..120),
    ) {
        run(steps, true);
    }
}
