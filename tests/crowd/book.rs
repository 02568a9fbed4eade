//! What one connection asked for: every line that comes is held against it.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

use nix::time::{ClockId, clock_gettime};
use serde_json::{Value, json};

use super::ledger::{Followed, Held, Ledger, Rested};

/// Now, on the clock that readings are stamped by, in s.
pub(crate) fn boot_s() -> f64 {
    std::time::Duration::from(clock_gettime(ClockId::CLOCK_BOOTTIME).unwrap()).as_secs_f64()
}

/// Something that was asked for.
#[derive(Debug)]
struct Asked {
    method: &'static str,
    params: Value,
    asked_s: f64,
    right: Right,
    taken_back: bool,
}

/// What answer is right, beside `cancelled` to what was taken back.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Right {
    Result,
    /// A result, or an error of one of these kinds.
    ResultOr(&'static [&'static str]),
    /// An error of one of these kinds.
    Error(&'static [&'static str]),
}

/// One connection's requests, subscriptions and answers.
pub(crate) struct Book {
    who: String,
    ledger: Arc<Mutex<Ledger>>,
    next_id: u64,
    open: HashMap<u64, Asked>,
    /// Batches that aren't answered yet: the ids in each.
    batches: Vec<Vec<u64>>,
    /// Lines without a request in them: each gets an error of its own, without an id.
    garbage: usize,
    followed: HashMap<String, Followed>,
    /// The lease it has on the meter that is leased.
    held: Option<Held>,
    /// Something has come.
    heard: bool,
    /// The daemon had no room for the connection.
    turned_away: bool,
}

/// What a line was, once it has been entered.
#[derive(Debug)]
pub(crate) enum Entered {
    /// An answer to this request.
    Answer(u64, Value),
    /// Anything else.
    Other,
}

impl Book {
    pub(crate) fn new(who: String, ledger: &Arc<Mutex<Ledger>>) -> Self {
        Self {
            who,
            ledger: Arc::clone(ledger),
            next_id: 0,
            open: HashMap::new(),
            batches: Vec::new(),
            garbage: 0,
            followed: HashMap::new(),
            held: None,
            heard: false,
            turned_away: false,
        }
    }

    /// Enters a request, and says under which id it is to be sent.
    pub(crate) fn ask(&mut self, method: &'static str, params: &Value, right: Right) -> (u64, Value) {
        self.next_id += 1;
        let asked = Asked { method, params: params.clone(), asked_s: boot_s(), right, taken_back: false };
        self.open.insert(self.next_id, asked);
        let request = json!({"jsonrpc": "2.0", "id": self.next_id, "method": method, "params": params});
        (self.next_id, request)
    }

    /// A batch of requests that have been entered.
    pub(crate) fn batch(&mut self, ids: Vec<u64>) {
        self.batches.push(ids);
    }

    /// Something that is no request will be sent.
    pub(crate) fn garbage(&mut self) {
        self.garbage += 1;
    }

    /// A request is taken back: it may be answered `cancelled`.
    pub(crate) fn take_back(&mut self, id: u64) {
        if let Some(asked) = self.open.get_mut(&id) {
            asked.taken_back = true;
        }
    }

    /// Ids of what isn't answered yet.
    pub(crate) fn open(&self) -> Vec<u64> {
        self.open.keys().copied().collect()
    }

    pub(crate) fn is_settled(&self) -> bool {
        self.open.is_empty() && self.garbage == 0 && self.batches.is_empty()
    }

    pub(crate) fn was_turned_away(&self) -> bool {
        self.turned_away
    }

    /// What isn't answered yet, for whoever looks into a failure.
    pub(crate) fn state(&self) -> String {
        format!("{}: open {:?}, batches {:?}, garbage {}", self.who, self.open, self.batches, self.garbage)
    }

    /// Subscriptions that were answered.
    pub(crate) fn subscriptions(&self) -> Vec<String> {
        self.followed.keys().cloned().collect()
    }

    /// How many readings it was told that it missed.
    pub(crate) fn missed(&self) -> u64 {
        let ledger = self.ledger.lock().unwrap();
        let mine = ledger.followed.iter().filter(|followed| followed.who.starts_with(&self.who));
        mine.flat_map(|followed| &followed.missed).map(|(_, _, count)| count).sum()
    }

    /// The connection ends: what it followed is to be held against the log.
    pub(crate) fn close(&mut self) {
        let followed = std::mem::take(&mut self.followed);
        self.ledger.lock().unwrap().followed.extend(followed.into_values());
    }

    /// Holds a line against what was asked for.
    pub(crate) fn enter(&mut self, line: &[u8]) -> Entered {
        let line: Value = serde_json::from_slice(line)
            .unwrap_or_else(|error| panic!("{}: {error}: {}", self.who, String::from_utf8_lossy(line)));
        let entered = self.enter_value(line);
        self.heard = true;
        entered
    }

    fn enter_value(&mut self, line: Value) -> Entered {
        if let Value::Array(answers) = line {
            let ids: Vec<u64> = answers.iter().map(|answer| answer["id"].as_u64().unwrap()).collect();
            let mut sorted = ids.clone();
            sorted.sort_unstable();
            let batch = self.batches.iter().position(|batch| *batch == sorted);
            let batch = batch.unwrap_or_else(|| panic!("{}: answers to no batch: {ids:?}", self.who));
            self.batches.remove(batch);
            for (id, answer) in ids.into_iter().zip(answers) {
                self.answer(id, &answer);
            }
            return Entered::Other;
        }
        match (&line["id"], line["method"].as_str()) {
            (Value::Number(id), None) => {
                let id = id.as_u64().unwrap();
                assert!(!self.batches.iter().flatten().any(|of| *of == id), "{}: alone: {line}", self.who);
                self.answer(id, &line);
                Entered::Answer(id, line)
            }
            (Value::Null, None) => {
                self.refused(&line);
                Entered::Other
            }
            (Value::Null, Some(method)) => {
                self.notice(method, &line["params"]);
                Entered::Other
            }
            _ => panic!("{}: neither an answer nor a notification: {line}", self.who),
        }
    }

    /// An error without an id: for garbage, or for the connection.
    fn refused(&mut self, line: &Value) {
        let kind = line["error"]["data"]["kind"].as_str().unwrap();
        self.ledger.lock().unwrap().count(&format!("(garbage) {kind}"));
        if kind == "overloaded" && !self.heard {
            self.turned_away = true;
            self.open.clear();
            return;
        }
        let earned = self.garbage > 0 && ["parse_error", "invalid_request"].contains(&kind);
        assert!(earned, "{}: {line}", self.who);
        self.garbage -= 1;
    }

    fn answer(&mut self, id: u64, answer: &Value) {
        let who = &self.who;
        let asked = self.open.remove(&id);
        let asked = asked.unwrap_or_else(|| panic!("{who}: never asked, or answered twice: {answer}"));
        if let Some(kind) = answer["error"]["data"]["kind"].as_str() {
            return self.denied(&asked, kind, answer);
        }
        let result = &answer["result"];
        assert!(!matches!(asked.right, Right::Error(_)) && result.is_object(), "{who}: {asked:?}: {answer}");
        self.ledger.lock().unwrap().count(asked.method);
        match asked.method {
            "meter.read" => self.read(&asked, result),
            "meter.lease" => {
                // Unless it is given back it tells nothing: nobody but the daemon knows when it ended.
                self.held = Some(Held { who: who.clone(), from_s: boot_s(), ..Held::default() });
            }
            "meter.settle" => self.settled(&asked, result),
            "meter.observe" => self.follows(&asked, result),
            "meter.release" => {
                let held = self.held.take();
                let held = held.unwrap_or_else(|| panic!("{who}: {asked:?}: nothing was held"));
                self.ledger.lock().unwrap().held.push(Held { to_s: asked.asked_s, ..held });
            }
            "subscription.cancel" => {
                let name = asked.params["subscription"].as_str().unwrap();
                self.ledger.lock().unwrap().followed.extend(self.followed.remove(name));
            }
            "log.readings" => self.looked_up(&asked, result),
            _ => {}
        }
    }

    /// An error, for a request.
    fn denied(&self, asked: &Asked, kind: &str, answer: &Value) {
        let who = &self.who;
        self.ledger.lock().unwrap().count(&format!("({}) {kind}", asked.method));
        let expected = match asked.right {
            Right::Result => false,
            Right::ResultOr(kinds) | Right::Error(kinds) => kinds.contains(&kind),
        };
        let cancelled = asked.taken_back && kind == "cancelled";
        assert!(expected || cancelled, "{who}: {asked:?}: {answer}");
        // Nobody takes the other meters for himself.
        let of = answer["error"]["data"]["meter"].as_str().unwrap_or_default();
        assert!(kind != "leased" || of == "spare", "{who}: {asked:?}: {answer}");
    }

    /// A reading of the meter, with the settings, and of light no older than was asked for.
    fn read(&mut self, asked: &Asked, result: &Value) {
        let (who, params) = (&self.who, &asked.params);
        assert_eq!(result["meter"], params["meter"], "{who}: {asked:?}: {result}");
        let fits = params["integration_s"].as_f64().is_none_or(|asked| result["integration_s"] == asked);
        let since_s = asked.asked_s - params["max_age_s"].as_f64().unwrap_or(0.0);
        let fresh = result["began_s"].as_f64().unwrap() >= since_s;
        assert!(fits && fresh, "{who}: {asked:?}: {result}");
        self.ledger.lock().unwrap().given(who, result);
        if let (Some(held), Some(_)) = (&mut self.held, params.get("lease")) {
            held.given.push(result["sequence"].as_u64().unwrap());
        }
    }

    fn settled(&self, asked: &Asked, result: &Value) {
        let (who, params) = (&self.who, &asked.params);
        assert_eq!(result["meter"], params["meter"], "{who}: {asked:?}: {result}");
        let Value::Object(readings) = &result["readings"] else { return };
        self.ledger.lock().unwrap().rested.push(Rested {
            who: who.clone(),
            meter: params["meter"].as_str().unwrap().to_owned(),
            integration_s: params["integration_s"].as_f64(),
            asked_s: asked.asked_s,
            count: readings["count"].as_u64().unwrap(),
            first: readings["first"].as_u64().unwrap(),
            last: readings["last"].as_u64().unwrap(),
        });
    }

    fn follows(&mut self, asked: &Asked, result: &Value) {
        let (who, params) = (&self.who, &asked.params);
        let name = result["subscription"].as_str().unwrap().to_owned();
        let of = Followed {
            who: format!("{who} {name} {params}"),
            meter: params["meter"].as_str().unwrap().to_owned(),
            every_s: params["every_s"].as_f64(),
            after: params["after"].as_u64(),
            ..Followed::default()
        };
        assert!(self.followed.insert(name, of).is_none(), "{who}: twice: {result}");
    }

    /// A page of the log, in order.
    fn looked_up(&self, asked: &Asked, result: &Value) {
        let readings = result["readings"].as_array().unwrap();
        let numbers: Vec<u64> = readings.iter().map(|it| it["sequence"].as_u64().unwrap()).collect();
        let after = asked.params["after"].as_u64().unwrap_or(0);
        assert!(numbers.is_sorted_by(|a, b| a < b) && numbers.first().is_none_or(|first| *first > after));
        let mut ledger = self.ledger.lock().unwrap();
        readings.iter().for_each(|reading| ledger.given(&self.who, reading));
    }

    fn notice(&mut self, method: &str, params: &Value) {
        let Self { who, ledger, followed, open, .. } = self;
        let mut ledger = ledger.lock().unwrap();
        ledger.count(method);
        let name = params["subscription"].as_str().unwrap_or_default();
        match (method, followed.get_mut(name)) {
            ("reading", Some(of)) => {
                let reading = &params["reading"];
                let sequence = reading["sequence"].as_u64().unwrap();
                assert!(reading["meter"] == *of.meter, "{}: {reading}", of.who);
                assert!(
                    of.last().is_none_or(|last| last < sequence),
                    "{}: doubled, or late: {reading}",
                    of.who
                );
                of.seen.push(sequence);
                ledger.given(who, reading);
            }
            ("missed", Some(of)) => {
                let number =
                    |name: &str| params[name].as_u64().unwrap_or_else(|| panic!("{}: {params}", of.who));
                let (from, to) = (number("from"), number("to"));
                assert!(params["why"] == "slow_reader" && from <= to, "{}: {params}", of.who);
                assert!(of.last().is_none_or(|last| last < from), "{}: {params}", of.who);
                of.missed.push((from, to, number("count")));
            }
            ("settle.progress", None) => {
                let request = params["request"].as_u64().unwrap();
                assert!(open.get(&request).is_some_and(|it| it.method == "meter.settle"), "{who}: {params}");
            }
            _ => panic!("{who}: {method} of nothing that is open: {params}"),
        }
    }
}
