//! A client that is not ours: lines over a plain socket.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

use serde_json::{Value, json};

use super::daemon::PATIENCE;

/// One connection.
pub(crate) struct Client {
    stream: BufReader<UnixStream>,
    next_id: u64,
    /// Notifications that came while an answer was waited for.
    pub(crate) notices: Vec<Value>,
    /// Answers to other requests that came first.
    answers: BTreeMap<u64, Value>,
}

impl Client {
    pub(crate) fn connect(socket: &Path) -> Self {
        Self::over(UnixStream::connect(socket).unwrap())
    }

    /// Over a connection that is there already, or something that leads to one.
    pub(crate) fn over(stream: UnixStream) -> Self {
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream.set_write_timeout(Some(PATIENCE)).unwrap();
        Self { stream: BufReader::new(stream), next_id: 1000, notices: Vec::new(), answers: BTreeMap::new() }
    }

    pub(crate) fn send(&mut self, line: &[u8]) {
        let stream = self.stream.get_mut();
        stream.write_all(line).unwrap();
        stream.write_all(b"\n").unwrap();
    }

    /// The next line; nothing once the daemon has closed.
    pub(crate) fn line(&mut self) -> Option<Value> {
        let mut line = String::new();
        let count = self.stream.read_line(&mut line).expect("a line in time");
        (count > 0).then(|| serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}")))
    }

    /// Sends a request and gives its id.
    pub(crate) fn ask(&mut self, method: &str, params: &Value) -> u64 {
        self.next_id += 1;
        let id = self.next_id;
        self.send(
            json!({"jsonrpc": "2.0", "id": id, "method": method, "params": params}).to_string().as_bytes(),
        );
        id
    }

    /// The answer to a request; notifications on the way are kept.
    pub(crate) fn answer(&mut self, id: u64) -> Value {
        loop {
            if let Some(answer) = self.answers.remove(&id) {
                return answer;
            }
            let line = self.line().expect("an answer before the end");
            match line["id"].as_u64() {
                Some(id) => drop(self.answers.insert(id, line)),
                None => self.notices.push(line),
            }
        }
    }

    /// The result of a request.
    pub(crate) fn call(&mut self, method: &str, params: &Value) -> Value {
        let id = self.ask(method, params);
        let mut answer = self.answer(id);
        assert!(answer.get("error").is_none(), "{method} {params}: {answer}");
        answer["result"].take()
    }

    /// The kind of error that a request ends with.
    pub(crate) fn refusal(&mut self, method: &str, params: &Value) -> String {
        let id = self.ask(method, params);
        let answer = self.answer(id);
        answer["error"]["data"]["kind"]
            .as_str()
            .unwrap_or_else(|| panic!("{method} {params}: {answer}"))
            .to_owned()
    }

    /// The next notification of `method`.
    pub(crate) fn notice(&mut self, method: &str) -> Value {
        if let Some(index) = self.notices.iter().position(|notice| notice["method"] == method) {
            return self.notices.remove(index)["params"].take();
        }
        loop {
            let mut line = self.line().expect("a notification before the end");
            if line["method"] == method {
                return line["params"].take();
            }
            self.notices.push(line);
        }
    }

    /// How many exposures a meter has made.
    pub(crate) fn exposures(&mut self, meter: &str) -> u64 {
        let status = self.call("daemon.status", &json!({}));
        let of = status["meters"].as_array().unwrap().iter().find(|entry| entry["meter"] == meter).unwrap();
        of["exposures"].as_u64().unwrap()
    }

    /// The kinds of every event about a meter, oldest first.
    pub(crate) fn events(&mut self, meter: &str) -> Vec<String> {
        let page = self.call("log.events", &json!({"meter": meter}));
        page["events"]
            .as_array()
            .unwrap()
            .iter()
            .map(|event| event["kind"].as_str().unwrap().to_owned())
            .collect()
    }

    /// Every reading in the log, page by page.
    pub(crate) fn logged(&mut self) -> Vec<Value> {
        let (mut readings, mut after) = (Vec::new(), json!(0));
        loop {
            let page = self.call("log.readings", &json!({"after": after}));
            readings.extend(page["readings"].as_array().unwrap().iter().cloned());
            match page.get("next") {
                Some(next) => after = next.clone(),
                None => return readings,
            }
        }
    }

    /// Waits until a meter is in a state.
    pub(crate) fn wait_for_state(&mut self, meter: &str, state: &str) {
        super::daemon::wait_until(&format!("{meter} is {state}"), || {
            let list = self.call("meters.list", &json!({}));
            list["meters"]
                .as_array()
                .unwrap()
                .iter()
                .any(|entry| entry["id"] == meter && entry["state"] == state)
        });
    }
}
