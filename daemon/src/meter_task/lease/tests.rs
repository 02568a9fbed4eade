use proptest::prelude::*;

use super::*;
use crate::clock::Moment;

/// What came before it is over.
fn anytime(_: &By, _: u64) -> bool {
    true
}

fn moment(t_s: f64) -> Moment {
    Moment { at: Timestamp::from_unix_ns(1_795_629_600_000_000_000 + (t_s * 1e9) as u64), t_s }
}

/// A request that lasts for 10 s once it is granted, and who waits for its answer.
fn request(by: &By, token: &str, patience: Patience) -> (Request, oneshot::Receiver<LeaseOutcome>) {
    let (reply, answer) = oneshot::channel();
    let request =
        Request { by: by.clone(), token: token.into(), ttl_s: 10.0, patience, purpose: None, reply };
    (request, answer)
}

/// Leases that these clients wait for, in this order; each is called by its number.
fn line(clients: &[&By]) -> (Leases, Vec<oneshot::Receiver<LeaseOutcome>>) {
    let mut leases = Leases::default();
    let answers = clients.iter().enumerate().map(|(index, by)| {
        let (request, answer) = request(by, &index.to_string(), Patience::Until(100.0));
        leases.ask(request, index as u64);
        answer
    });
    let answers = answers.collect();
    (leases, answers)
}

fn granted(leases: &mut Leases, now_s: f64) -> Option<String> {
    leases.grant(moment(now_s), anytime).map(|(held, _)| held.token.to_string())
}

#[test]
fn whoever_asked_first_has_it_first_and_the_next_once_it_is_given_back() {
    let (mut leases, _answers) = line(&[&By::itself(), &By::itself()]);
    assert_eq!(granted(&mut leases, 0.0).unwrap(), "0");
    assert_eq!(granted(&mut leases, 0.0), None);
    assert!(leases.release("1", 1.0).is_none(), "a token that was never given out");
    assert!(leases.release("0", 1.0).is_some() && leases.release("0", 1.0).is_none());
    assert_eq!(granted(&mut leases, 1.0).unwrap(), "1");
    assert!(leases.is_in_force("1", 1.0) && !leases.is_in_force("0", 1.0));
}

#[test]
fn a_lease_that_is_renewed_in_time_goes_on_and_one_that_is_not_is_lost_for_good() {
    let (mut leases, _answers) = line(&[&By::itself()]);
    granted(&mut leases, 0.0);
    let renewed = leases.renew("0", None, moment(9.0)).unwrap();
    assert_eq!((renewed.expires.t_s, renewed.expires.at), (19.0, moment(19.0).at));
    assert_eq!(leases.renew("0", Some(2.0), moment(10.0)).unwrap().expires.t_s, 12.0);
    assert!(leases.expire(11.9).is_none() && leases.is_in_force("0", 11.9));
    // From this moment on it counts no more, whether anybody has looked or not.
    assert!(!leases.is_in_force("0", 12.0) && leases.held(12.0).is_none());
    assert!(leases.renew("0", None, moment(12.0)).is_none() && leases.release("0", 12.0).is_none());
    assert_eq!(&*leases.expire(12.0).unwrap().token, "0");
    assert!(leases.expire(12.0).is_none());
}

#[test]
fn a_lease_begins_once_what_was_asked_for_before_it_is_over() {
    let (mut leases, _answers) = line(&[&By::itself(), &By::itself()]);
    // The second could begin: it waits for its turn all the same.
    assert!(leases.grant(moment(0.0), |_, number| number > 0).is_none());
    assert_eq!(granted(&mut leases, 0.0).unwrap(), "0");
}

#[test]
fn who_asks_for_now_or_never_waits_for_nobody() {
    let by = By::itself();
    let mut leases = Leases::default();
    let (now_or_never, _answer) = request(&by, "a", Patience::None);
    leases.ask(now_or_never, 0);
    // An exposure is under way, and nothing else.
    assert!(leases.give_up(0.0, anytime).is_empty());
    assert_eq!(leases.give_up(0.0, |_, _| false).len(), 1);
    let (mut leases, _answers) = line(&[&By::itself()]);
    let (now_or_never, _answer) = request(&by, "a", Patience::None);
    leases.ask(now_or_never, 0);
    assert_eq!(leases.give_up(0.0, anytime).len(), 1, "somebody waits already");
    granted(&mut leases, 0.0);
    let (now_or_never, _answer) = request(&by, "a", Patience::None);
    leases.ask(now_or_never, 0);
    assert_eq!(leases.give_up(0.0, anytime).len(), 1, "somebody has it");
}

#[test]
fn who_is_gone_is_passed_over_and_makes_room() {
    let clients: Vec<By> = (0..MOST_WAITING).map(|_| By::itself()).collect();
    let (mut leases, mut answers) = line(&clients.iter().collect::<Vec<_>>());
    let other = By::itself();
    assert_eq!(leases.full(clients[1].client), Some(Full::Twice));
    assert_eq!(leases.full(other.client), Some(Full::Line));
    drop(answers.remove(0));
    assert_eq!((leases.full(clients[0].client), leases.full(other.client)), (None, None));
    assert_eq!(granted(&mut leases, 0.0).unwrap(), "1");
}

#[test]
fn whatever_happens_by_itself_is_looked_at_when_it_does() {
    let (mut leases, _answers) = line(&[&By::itself(), &By::itself()]);
    assert_eq!(leases.next_s(), 100.0);
    granted(&mut leases, 0.0);
    assert_eq!(leases.next_s(), 10.0);
    leases.release("0", 1.0);
    granted(&mut leases, 95.0);
    assert_eq!(leases.next_s(), 105.0);
    leases.release("1", 96.0);
    assert_eq!(leases.next_s(), f64::INFINITY);
}

/// What may happen to leases.
#[derive(Clone, Debug)]
enum Step {
    Ask { client: usize, wait_s: u32, ttl_s: u32 },
    Vanish { client: usize },
    Grant { owed_until: u64 },
    Renew { token: usize, ttl_s: Option<u32> },
    Release { token: usize },
    Pass { s: u32 },
    Look,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = prop_oneof![
        3 => (0..6_usize, 0..20_u32, 1..20_u32).prop_map(|(client, wait_s, ttl_s)| Step::Ask { client, wait_s, ttl_s }),
        1 => (0..6_usize).prop_map(|client| Step::Vanish { client }),
        4 => (0..30_u64).prop_map(|owed_until| Step::Grant { owed_until }),
        2 => (0..30_usize, prop::option::of(1..20_u32)).prop_map(|(token, ttl_s)| Step::Renew { token, ttl_s }),
        2 => (0..30_usize).prop_map(|token| Step::Release { token }),
        4 => (0..8_u32).prop_map(|s| Step::Pass { s }),
        3 => Just(Step::Look),
    ];
    prop::collection::vec(step, 1..120)
}

/// What leases do, told in the plainest way.
#[derive(Debug, Default)]
struct Model {
    now_s: u32,
    /// Client, token, until when it waits (nothing: now or never), its ttl.
    line: Vec<(usize, usize, Option<u32>, u32)>,
    /// Token, until when, its ttl.
    held: Option<(usize, u32, u32)>,
    /// Tokens that were in force once and are over.
    over: Vec<usize>,
    tokens: usize,
}

impl Model {
    fn pass(&mut self) {
        if let Some((token, _, _)) = self.held.take_if(|(_, until_s, _)| self.now_s >= *until_s) {
            self.over.push(token);
        }
    }
}

proptest! {
    #[test]
    fn one_holder_at_a_time_in_order_and_no_token_counts_again(steps in steps()) {
        let clients: Vec<By> = (0..6).map(|_| By::itself()).collect();
        let mut answers: Vec<Option<oneshot::Receiver<LeaseOutcome>>> = (0..6).map(|_| None).collect();
        let (mut leases, mut model) = (Leases::default(), Model::default());
        for step in steps {
            let now_s = f64::from(model.now_s);
            match step {
                Step::Ask { client, wait_s, ttl_s } => {
                    let token = model.tokens;
                    model.tokens += 1;
                    let until_s = (wait_s > 0).then_some(model.now_s + wait_s);
                    let patience = until_s.map_or(Patience::None, |until_s| Patience::Until(f64::from(until_s)));
                    let (mut request, answer) = request(&clients[client], &token.to_string(), patience);
                    request.ttl_s = f64::from(ttl_s);
                    let is_there = model.line.iter().any(|(other, ..)| *other == client);
                    prop_assert_eq!(leases.full(clients[client].client), is_there.then_some(Full::Twice));
                    if !is_there {
                        leases.ask(request, token as u64);
                        model.line.push((client, token, until_s, ttl_s));
                        answers[client] = Some(answer);
                    }
                }
                Step::Vanish { client } => {
                    answers[client] = None;
                    model.line.retain(|(other, ..)| *other != client);
                }
                Step::Grant { owed_until } => {
                    leases.expire(now_s);
                    model.pass();
                    let granted = leases.grant(moment(now_s), |_, number| number >= owed_until);
                    let granted = granted.map(|(held, _)| held.token.to_string());
                    let first = model.line.first().filter(|(_, token, ..)| *token as u64 >= owed_until).copied();
                    let expected = first.filter(|_| model.held.is_none());
                    prop_assert_eq!(granted, expected.map(|(_, token, ..)| token.to_string()));
                    if let Some((_, token, _, ttl_s)) = expected {
                        model.line.remove(0);
                        model.held = Some((token, model.now_s + ttl_s, ttl_s));
                    }
                }
                Step::Renew { token, ttl_s } => {
                    let renewed = leases.renew(&token.to_string(), ttl_s.map(f64::from), moment(now_s));
                    model.pass();
                    let held = model.held.as_mut().filter(|(held, ..)| *held == token);
                    let expected = held.map(|held| {
                        held.2 = ttl_s.unwrap_or(held.2);
                        held.1 = model.now_s + held.2;
                        f64::from(held.1)
                    });
                    prop_assert_eq!(renewed.map(|held| held.expires.t_s), expected);
                }
                Step::Release { token } => {
                    let released = leases.release(&token.to_string(), now_s).is_some();
                    model.pass();
                    let over = model.held.take_if(|(held, ..)| *held == token);
                    prop_assert_eq!(released, over.is_some());
                    model.over.extend(over.map(|(token, ..)| token));
                }
                Step::Pass { s } => model.now_s += s,
                Step::Look => {
                    leases.expire(now_s);
                    model.pass();
                    let gone: Vec<String> =
                        leases.give_up(now_s, anytime).iter().map(|(gone, _)| gone.token.to_string()).collect();
                    let mut is_free = model.held.is_none();
                    let mut expected = Vec::new();
                    model.line.retain(|(_, token, until_s, _)| {
                        let waits = until_s.map_or(is_free, |until_s| model.now_s < until_s);
                        is_free &= !waits;
                        if !waits {
                            expected.push(token.to_string());
                        }
                        waits
                    });
                    prop_assert_eq!(gone, expected);
                    // Nothing is left that should have happened by now.
                    prop_assert!(leases.next_s() > now_s);
                }
            }
            model.pass();
            let now_s = f64::from(model.now_s);
            let in_force = (0..model.tokens).filter(|token| leases.is_in_force(&token.to_string(), now_s));
            prop_assert_eq!(in_force.collect::<Vec<_>>(), model.held.iter().map(|held| held.0).collect::<Vec<_>>());
            prop_assert!(model.over.iter().all(|token| !leases.is_in_force(&token.to_string(), now_s)));
        }
    }
}
