//! The daemon under test, and lines to and from it.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::{Value, json};

use crate::machine::{Killed, now_s};

/// How long a daemon may take to answer.
const PATIENCE_S: f64 = 10.0;

pub(crate) struct Daemon {
    process: Killed,
    socket: PathBuf,
}

/// One connection.
pub(crate) struct Client(pub(crate) BufReader<UnixStream>);

fn program() -> PathBuf {
    let path = std::env::current_exe().unwrap().parent().and_then(Path::parent).unwrap().join("settled");
    assert!(path.exists(), "{} is missing: cargo build --release --bins", path.display());
    path
}

impl Daemon {
    /// A daemon with a log as `log` says, and meters as `meters` says. `{log}` in there is a file of its own.
    pub(crate) fn start(folder: &Path, name: &str, log: &str, meters: &str) -> Self {
        let (file, socket) = (folder.join(format!("{name}.toml")), folder.join(name));
        std::fs::write(&file, format!("[log]\n{}\n{meters}", log.replace("{log}", name))).unwrap();
        let mut command = Command::new(program());
        command.arg("--config").arg(&file).arg("--socket").arg(&socket).stderr(Stdio::null());
        Self { process: Killed(command.spawn().unwrap()), socket }
    }

    pub(crate) fn pid(&self) -> u32 {
        self.process.0.id()
    }

    pub(crate) fn client(&self) -> Client {
        let start_s = now_s();
        loop {
            match UnixStream::connect(&self.socket) {
                Ok(stream) => return Client(BufReader::new(stream)),
                Err(error) => assert!(now_s() < start_s + PATIENCE_S, "{error}"),
            }
            std::thread::yield_now();
        }
    }

    /// A subscriber to a meter's readings, from now on.
    pub(crate) fn subscriber(&self, meter: &str, params: &Value) -> UnixStream {
        let mut client = self.client();
        let mut of_meter = json!({"meter": meter});
        of_meter.as_object_mut().unwrap().extend(params.as_object().unwrap().clone());
        client.call("meter.observe", &of_meter);
        client.0.into_inner()
    }
}

impl Client {
    pub(crate) fn ask(&mut self, id: u64, method: &str, params: &Value) {
        let request = json!({"jsonrpc": "2.0", "id": id, "method": method, "params": params});
        self.0.get_mut().write_all(format!("{request}\n").as_bytes()).unwrap();
    }

    pub(crate) fn line(&mut self) -> Value {
        let mut line = String::new();
        self.0.read_line(&mut line).unwrap();
        serde_json::from_str(&line).unwrap()
    }

    pub(crate) fn call(&mut self, method: &str, params: &Value) -> Value {
        self.ask(1, method, params);
        let mut answer = self.line();
        assert!(answer.get("error").is_none(), "{answer}");
        answer["result"].take()
    }

    /// One reading, once the meter is there.
    pub(crate) fn first_reading(&mut self, meter: &str) -> Value {
        let start_s = now_s();
        loop {
            self.ask(1, "meter.read", &json!({"meter": meter}));
            let mut answer = self.line();
            if answer.get("result").is_some() {
                return answer["result"].take();
            }
            assert!(now_s() < start_s + PATIENCE_S, "{answer}");
        }
    }
}

/// A simulated meter that answers at once.
pub(crate) fn instant(id: &str, more: &str) -> String {
    format!(
        "[[meter]]\nid = \"{id}\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\ninstant = true\n{more}\n"
    )
}
