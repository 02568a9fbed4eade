//! A daemon that says what the test tells it, for what a real one can't be brought to say at will.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};
use std::sync::{Arc, Mutex};

use serde_json::{Value, json};
use tempfile::TempDir;

use super::daemon::program;

/// What becomes of a request.
pub(crate) enum Answer {
    /// Its result.
    Result(Value),
    /// Its error.
    Error(Value),
    /// The connection ends.
    Gone,
    /// Nothing comes, ever.
    Silence,
}

/// The daemon, in a folder of its own.
pub(crate) struct Scripted {
    folder: TempDir,
    heard: Arc<Mutex<Vec<(String, Value)>>>,
}

impl Scripted {
    /// Answers each request by its method and params, one at a time, however many connections there are.
    pub(crate) fn start(answer: impl FnMut(&str, &Value) -> Answer + Send + 'static) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let listener = UnixListener::bind(folder.path().join("socket")).unwrap();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let hears = Arc::clone(&heard);
        let answer = Arc::new(Mutex::new(answer));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let (answer, hears) = (Arc::clone(&answer), Arc::clone(&hears));
                std::thread::spawn(move || serve(BufReader::new(stream.unwrap()), &answer, &hears));
            }
        });
        Self { folder, heard }
    }

    /// A path in its folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `settle` with these arguments, talking to this daemon.
    pub(crate) fn settle(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(program("settle"));
        command.arg("--socket").arg(self.path("socket")).args(arguments).stdin(Stdio::null());
        command
    }

    /// The same, run to its end.
    pub(crate) fn run_settle(&self, arguments: &[&str]) -> Output {
        self.settle(arguments).output().unwrap()
    }

    /// What a method was last asked for with.
    pub(crate) fn asked(&self, method: &str) -> Value {
        let heard = self.heard.lock().unwrap();
        let last = heard.iter().rev().find(|(name, _)| name == method);
        last.unwrap_or_else(|| panic!("{method} was not asked for: {heard:?}")).1.clone()
    }

    /// How often a method was asked for.
    pub(crate) fn count(&self, method: &str) -> usize {
        self.heard.lock().unwrap().iter().filter(|(name, _)| name == method).count()
    }
}

/// Answers what comes on a connection, until it ends.
fn serve(
    mut stream: BufReader<UnixStream>,
    answer: &Mutex<impl FnMut(&str, &Value) -> Answer>,
    hears: &Mutex<Vec<(String, Value)>>,
) {
    let mut line = String::new();
    while stream.read_line(&mut line).is_ok_and(|count| count > 0) {
        let request: Value = serde_json::from_str(&line).unwrap();
        line.clear();
        let method = request["method"].as_str().unwrap_or_default().to_owned();
        hears.lock().unwrap().push((method.clone(), request["params"].clone()));
        let (member, told) = match (answer.lock().unwrap())(&method, &request["params"]) {
            Answer::Result(result) => ("result", result),
            Answer::Error(error) => ("error", error),
            Answer::Gone => break,
            Answer::Silence => continue,
        };
        let answer = json!({"jsonrpc": "2.0", "id": request["id"], member: told});
        if writeln!(stream.get_mut(), "{answer}").is_err() {
            break;
        }
    }
}
