//! `settle live` at the end of a line that can be cut while the daemon goes on.

use std::fs;
use std::net::Shutdown;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use serde_json::json;

use super::{CONFIG, Terminal};
use crate::support::daemon::{Daemon, program, wait_until};

/// Stands between a client and a daemon's socket, until it is cut.
struct Relay {
    socket: PathBuf,
    lines: Arc<Mutex<Vec<UnixStream>>>,
}

impl Relay {
    fn to(daemon: &Daemon) -> Self {
        let relay = Self { socket: daemon.path("relay"), lines: Arc::default() };
        let listener = UnixListener::bind(&relay.socket).unwrap();
        let (far, lines) = (daemon.socket(), Arc::clone(&relay.lines));
        std::thread::spawn(move || {
            for near in listener.incoming().map(Result::unwrap) {
                let far = UnixStream::connect(&far).unwrap();
                let all = [&near, &near, &near, &far, &far, &far].map(|end| end.try_clone().unwrap());
                let [kept, mut a, mut b, also_kept, mut c, mut d] = all;
                lines.lock().unwrap().extend([kept, also_kept]);
                std::thread::spawn(move || std::io::copy(&mut a, &mut c).is_ok());
                std::thread::spawn(move || std::io::copy(&mut d, &mut b).is_ok());
            }
        });
        relay
    }

    /// Ends all lines; nobody comes through any more.
    fn cut(&self) {
        fs::rename(&self.socket, self.socket.with_extension("away")).unwrap();
        for line in self.lines.lock().unwrap().drain(..) {
            let _gone = line.shutdown(Shutdown::Both).is_ok();
        }
    }

    fn mend(&self) {
        fs::rename(self.socket.with_extension("away"), &self.socket).unwrap();
    }
}

#[test]
fn a_run_that_ended_while_there_was_no_line_is_shown_as_it_ended() {
    let daemon = Daemon::start(CONFIG);
    let relay = Relay::to(&daemon);
    let terminal = Terminal::open(&daemon.path(""), "relay", (132, 43), "C.UTF-8");
    terminal.runs(&format!(
        "{} --socket {} live bench; echo \"ended $?\"",
        program("settle").display(),
        relay.socket.display()
    ));
    terminal.shows("none goes on, and none is planned");
    let plan = json!({ "kind": "drift", "meter": "bench", "interval_s": 0.5, "label": "batch 7", "duration_s": 3600 });
    let mut client = daemon.client();
    client.call("runs.start", &plan);
    terminal.shows_all(&["batch 7", "left"]);
    relay.cut();
    terminal.shows("NO DAEMON since ");
    client.call("runs.stop", &json!({ "run": 1 }));
    relay.mend();
    terminal.shows_all(&["batch 7", "stopped"]);
    wait_until("nothing is left of it", || !terminal.screen().contains(" left"));
    terminal.types(&["q"]);
    terminal.shows("ended 0");
}
