//! The daemon under a service manager: told when it is ready and how it is, handed its socket, told to read its config anew and to end.

use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, PATIENCE, program, wait_until};
use crate::support::others::need_root;

const METER: &str = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 60]\nautomatic_s = 0.05\nzero_at_start = false\n";

fn config() -> String {
    format!("[log]\npath = \"log.sqlite\"\n{METER}")
}

/// A service manager's ear, in the daemon's own folder.
struct Ear {
    socket: UnixDatagram,
    heard: Vec<String>,
}

impl Ear {
    fn at(path: &Path) -> Self {
        let socket = UnixDatagram::bind(path).unwrap();
        socket.set_read_timeout(Some(PATIENCE)).unwrap();
        Self { socket, heard: Vec::new() }
    }

    /// The next line that begins so.
    fn hear(&mut self, beginning: &str) -> String {
        loop {
            if let Some(index) = self.heard.iter().position(|line| line.starts_with(beginning)) {
                return self.heard.drain(..=index).next_back().unwrap();
            }
            let mut bytes = [0; 4096];
            let count = match self.socket.recv(&mut bytes) {
                // A signal of another test's child.
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
                count => count.unwrap_or_else(|error| panic!("{beginning}: {error}")),
            };
            let text = std::str::from_utf8(&bytes[..count]).unwrap();
            self.heard.extend(text.lines().map(ToOwned::to_owned));
        }
    }

    /// Whether nothing is said for that long, once what was on its way has come.
    fn is_silent(&mut self, span: Duration) -> bool {
        self.socket.set_nonblocking(true).unwrap();
        while self.socket.recv(&mut [0; 4096]).is_ok() {}
        self.socket.set_nonblocking(false).unwrap();
        self.socket.set_read_timeout(Some(span)).unwrap();
        let silent = self.socket.recv(&mut [0; 4096]).is_err();
        self.socket.set_read_timeout(Some(PATIENCE)).unwrap();
        self.heard.clear();
        silent
    }
}

/// What the log has of reading the config anew, the latest last.
fn reloads(client: &mut Client) -> Vec<String> {
    let events = client.call("log.events", &json!({}))["events"].take();
    let of = |event: &&Value| event["kind"] == "config_reloaded";
    let details = events.as_array().unwrap().iter().filter(of);
    details.map(|event| event["detail"].as_str().unwrap().to_owned()).collect()
}

/// Has the daemon read its config anew, and gives what came of it.
fn reload(daemon: &Daemon, client: &mut Client, text: &str) -> String {
    let before = reloads(client).len();
    std::fs::write(daemon.path("settled.toml"), text).unwrap();
    daemon.signal(Signal::SIGHUP);
    wait_until("the config was read anew", || reloads(client).len() > before);
    reloads(client).pop().unwrap()
}

#[test]
fn a_service_manager_hears_that_the_daemon_is_ready_how_it_is_that_it_lives_and_that_it_stops() {
    let mut daemon = Daemon::configured(&config());
    let mut ear = Ear::at(&daemon.path("notify"));
    let mut command = daemon.command();
    command.env("NOTIFY_SOCKET", daemon.path("notify")).env("WATCHDOG_USEC", "400000");
    daemon.launch_by(command);
    ear.hear("READY=1");
    let mut client = daemon.client();
    ear.hear("STATUS=1 of 1 meters ready");
    ear.hear("WATCHDOG=1");
    ear.hear("WATCHDOG=1");
    daemon.signal(Signal::SIGHUP);
    ear.hear("RELOADING=1");
    let at = ear.hear("MONOTONIC_USEC=");
    assert!(at["MONOTONIC_USEC=".len()..].parse::<u64>().unwrap() > 0, "{at}");
    ear.hear("READY=1");
    // One that hangs is missed within the watchdog's time.
    daemon.signal(Signal::SIGSTOP);
    assert!(ear.is_silent(Duration::from_secs(1)));
    daemon.signal(Signal::SIGCONT);
    ear.hear("WATCHDOG=1");
    let reading = client.ask("meter.read", &json!({"meter": "m", "integration_s": 7}));
    daemon.client().wait_for_state("m", "reading");
    daemon.signal(Signal::SIGTERM);
    ear.hear("STOPPING=1");
    ear.hear("EXTEND_TIMEOUT_USEC=10000000");
    // More time is asked for while an exposure is waited for.
    ear.hear("EXTEND_TIMEOUT_USEC=10000000");
    assert_eq!(client.answer(reading)["error"]["data"]["kind"], "shutting_down");
    assert_eq!(daemon.ended().code(), Some(0));
    daemon.launch();
    assert_eq!(daemon.client().logged().len(), 1, "the reading was finished, and is in the log");
}

#[test]
fn a_socket_that_is_handed_over_is_served_and_left_where_it_is() {
    let mut daemon = Daemon::configured(&config());
    let command = daemon.command();
    let mut activate = Command::new("systemd-socket-activate");
    activate.arg("--listen").arg(daemon.socket()).arg("--fdname=settled");
    activate.arg(command.get_program()).args(command.get_args()).stdin(Stdio::null());
    daemon.launch_by(activate);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    assert_eq!(client.call("meter.read", &json!({"meter": "m"}))["sequence"], 1);
    let trace = daemon.trace();
    assert!(
        trace.contains("listening") && trace.contains("turned away, as the config names no group"),
        "{trace}"
    );
    daemon.signal(Signal::SIGTERM);
    assert_eq!(daemon.ended().code(), Some(0));
    assert!(daemon.socket().exists(), "it is the service manager's");
}

#[test]
fn a_socket_that_lets_in_others_than_the_group_that_is_trusted_is_not_served() {
    let daemon = Daemon::configured(&format!("[socket]\ngroup = 4242\n{}", config()));
    let command = daemon.command();
    let mut activate = Command::new("systemd-socket-activate");
    activate.arg("--listen").arg(daemon.socket());
    activate.arg(command.get_program()).args(command.get_args()).stdin(Stdio::null());
    let mut child = activate.stderr(Stdio::piped()).spawn().unwrap();
    let path = daemon.socket();
    wait_until("it is connected to", || std::os::unix::net::UnixStream::connect(&path).is_ok());
    let mut status = None;
    wait_until("it has ended", || {
        status = child.try_wait().unwrap();
        status.is_some()
    });
    let words = std::io::read_to_string(child.stderr.take().unwrap()).unwrap();
    assert_eq!(status.unwrap().code(), Some(1), "{words}");
    assert!(words.contains("SocketGroup= must be the group 4242, and SocketMode=0660"), "{words}");
}

#[test]
fn a_config_that_is_read_anew_holds_as_far_as_it_can_and_what_needs_a_restart_is_named() {
    let daemon = Daemon::start(&config());
    let mut client = daemon.client();
    let text = format!(
        "[limits]\nsubscriptions = 1\n[power]\ninhibit = \"idle\"\n[runs]\nalert_command = [\"/bin/true\"]\n\
         [log]\npath = \"log.sqlite\"\nkeep = \"400 days\"\nwarn_below = \"1000 TiB\"\n{METER}seed = 5\n"
    );
    let said = reload(&daemon, &mut client, &text);
    assert!(
        said.ends_with("was read anew: limits.subscriptions, log.keep, log.warn_below, power.inhibit, runs.alert_command hold from now on; meter \"m\" needs a restart of the daemon"),
        "{said}"
    );
    wait_until("there is little room by the new reckoning", || {
        client.call("meter.read", &json!({"meter": "m"}));
        client.call("daemon.status", &json!({}))["log"]["room"]["low"] == true
    });
    let mut other = daemon.client();
    assert_eq!(other.call("hello", &json!({}))["limits"]["subscriptions"], 1);
    other.call("meter.observe", &json!({"meter": "m"}));
    assert_eq!(other.refusal("meter.observe", &json!({"meter": "m"})), "overloaded");
    // What needs a restart is named until it has had one, or is taken back.
    let said = reload(&daemon, &mut client, &format!("{}seed = 5\n", config()));
    assert!(
        said.contains("power.inhibit, runs.alert_command hold") && said.contains("meter \"m\" needs"),
        "{said}"
    );
    let said = reload(&daemon, &mut client, &config());
    assert!(said.ends_with("was read anew: nothing has changed"), "{said}");
}

#[test]
fn a_config_with_mistakes_changes_nothing_when_it_is_read_anew() {
    let daemon = Daemon::start(&config());
    let mut client = daemon.client();
    let text = format!("[limits]\nsubscriptions = 1\n[sokcet]\n{}prot = 3\n", config());
    let said = reload(&daemon, &mut client, &text);
    assert!(said.contains("nothing is changed") && said.contains("sokcet: unknown key"), "{said}");
    assert!(said.ends_with("; and 1 more"), "{said}");
    assert_eq!(daemon.client().call("hello", &json!({}))["limits"]["subscriptions"], 64);
    let trace = daemon.trace();
    let told = trace.lines().filter(|line| line.contains("ERROR") && line.contains("unknown key")).count();
    assert_eq!(told, 2, "each in its place, as --check tells them: {trace}");
}

#[test]
fn who_may_come_in_changes_without_a_restart_where_the_sockets_file_stays_as_it_is() {
    need_root();
    let with = |guests: &str| format!("[socket]\n{guests}{}", config());
    let daemon = Daemon::start(&with("guests = \"everyone\"\n"));
    let mut client = daemon.client();
    let nobody = crate::support::others::User(65534, 65534);
    let mut guest = nobody.connect(&daemon);
    assert_eq!(guest.client.refusal("meter.read", &json!({"meter": "m"})), "not_permitted");
    let said = reload(
        &daemon,
        &mut client,
        &with("guests = \"everyone\"\nguests_may = [\"meters.list\", \"meter.read\"]\n"),
    );
    assert!(said.ends_with("socket.guests_may holds from now on"), "{said}");
    let mut guest = nobody.connect(&daemon);
    guest.client.call("meter.read", &json!({"meter": "m"}));
    let said = reload(&daemon, &mut client, &with(""));
    assert!(said.ends_with("socket.guests, socket.guests_may need a restart of the daemon"), "{said}");
    let mut guest = nobody.connect(&daemon);
    guest.client.call("meter.read", &json!({"meter": "m"}));
}

#[test]
fn a_second_signal_gives_up_the_exposure_that_is_waited_for() {
    let mut daemon = Daemon::start(&config());
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    client.ask("meter.read", &json!({"meter": "m", "integration_s": 60}));
    let mut other = daemon.client();
    other.wait_for_state("m", "reading");
    let began = Instant::now();
    daemon.signal(Signal::SIGTERM);
    wait_until("it stops", || daemon.trace().contains("unless a second signal comes"));
    daemon.signal(Signal::SIGTERM);
    assert_eq!(daemon.ended().code(), Some(0));
    assert!(began.elapsed() < Duration::from_secs(15), "the exposure takes a minute");
}

#[test]
fn a_daemon_that_is_started_while_another_stops_takes_its_place() {
    let mut daemon = Daemon::start(&config());
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    client.ask("meter.read", &json!({"meter": "m", "integration_s": 3}));
    daemon.client().wait_for_state("m", "reading");
    daemon.signal(Signal::SIGTERM);
    let trace = std::fs::File::create(daemon.path("next")).unwrap();
    let mut next = daemon.command().stdout(Stdio::null()).stderr(trace).spawn().unwrap();
    assert_eq!(daemon.ended().code(), Some(0));
    let path = daemon.socket();
    wait_until("the next one serves", || {
        assert_eq!(
            next.try_wait().unwrap(),
            None,
            "{}",
            std::fs::read_to_string(daemon.path("next")).unwrap()
        );
        std::os::unix::net::UnixStream::connect(&path).is_ok()
    });
    assert_eq!(Client::connect(&path).logged().len(), 1, "the reading that the first one finished");
    assert!(next.kill().is_ok() && next.wait().is_ok());
}

/// The fields of a message in the journal's own protocol, <https://systemd.io/JOURNAL_NATIVE_PROTOCOL/>, as far as each is one line.
fn fields(message: &[u8]) -> Vec<(String, String)> {
    let mut rest = message;
    let mut fields = Vec::new();
    while let Some(end) = rest.iter().position(|byte| *byte == b'\n') {
        let line = std::str::from_utf8(&rest[..end]).unwrap();
        rest = &rest[end + 1..];
        if let Some((name, value)) = line.split_once('=') {
            fields.push((name.to_owned(), value.to_owned()));
            continue;
        }
        let size = usize::try_from(u64::from_le_bytes(rest[..8].try_into().unwrap())).unwrap();
        fields.push((line.to_owned(), String::from_utf8(rest[8..8 + size].to_vec()).unwrap()));
        rest = &rest[9 + size..];
    }
    fields
}

#[test]
fn under_the_journal_an_event_has_its_kind_its_meter_and_its_priority_as_fields() {
    // To put a journal's socket in its place takes a view of the file system of one's own.
    need_root();
    let mut daemon = Daemon::configured(&format!(
        "{}[[meter]]\nid = \"gone\"\ndriver = \"profile\"\nprofile = \"lab-tristimulus\"\nport = \"/nonexistent/port\"\n",
        config()
    ));
    std::fs::create_dir(daemon.path("journal")).unwrap();
    let journal = UnixDatagram::bind(daemon.path("journal/socket")).unwrap();
    journal.set_read_timeout(Some(PATIENCE)).unwrap();
    let command = daemon.command();
    let mut shell = Command::new("unshare");
    shell.args(["--mount", "sh", "-c"]);
    shell.arg(
        "mount -t tmpfs none /run && mkdir -p /run/systemd/journal && mount --bind \"$JOURNAL\" /run/systemd/journal && \
         JOURNAL_STREAM=$(stat -L -c %d:%i /proc/self/fd/2) exec \"$0\" \"$@\"",
    );
    shell.arg(command.get_program()).args(command.get_args()).stdin(Stdio::null());
    shell.env("JOURNAL", daemon.path("journal"));
    daemon.launch_by(shell);
    let mut heard: Vec<Vec<(String, String)>> = Vec::new();
    let mut of_meter = |meter: &str| loop {
        let is_of = |message: &&Vec<(String, String)>| {
            message.iter().any(|field| field.0 == "METER" && field.1 == meter)
        };
        if let Some(found) = heard.iter().find(is_of) {
            return found.clone();
        }
        let mut bytes = [0; 16384];
        let count = journal.recv(&mut bytes).unwrap();
        heard.push(fields(&bytes[..count]));
    };
    let has = |found: &[(String, String)], name: &str, value: &str| {
        assert!(found.iter().any(|field| field.0 == name && field.1 == value), "{name}={value}: {found:?}");
    };
    let failed = of_meter("gone");
    has(&failed, "EVENT", "meter_failed");
    has(&failed, "PRIORITY", "4");
    has(&failed, "SYSLOG_IDENTIFIER", "settled");
    assert!(
        failed.iter().any(|field| field.0 == "MESSAGE" && field.1.contains("/nonexistent/port")),
        "{failed:?}"
    );
    let ready = of_meter("m");
    has(&ready, "EVENT", "meter_ready");
    has(&ready, "PRIORITY", "6");
    assert_eq!(daemon.trace(), "", "not twice");
}

/// A copy of the units that names programs that are there, as those are not installed.
fn units(folder: &Path) -> Vec<PathBuf> {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("../daemon/packaging");
    let names = [
        ("settled.service", "settled.service"),
        ("settled.socket", "settled.socket"),
        ("settled-user.service", "user/settled.service"),
        ("settled-user.socket", "user/settled.socket"),
    ];
    std::fs::create_dir(folder.join("user")).unwrap();
    let copied = names.map(|(name, copy)| {
        let text = std::fs::read_to_string(from.join(name)).unwrap();
        let text = text.replace("/usr/bin/settled", &program("settled").display().to_string());
        // The page is installed with the program.
        let text = text.replace("Documentation=man:settled(1)\n", "");
        let path = folder.join(copy);
        std::fs::write(&path, text).unwrap();
        path
    });
    copied.into()
}

/// The most that `systemd-analyze security` may find exposed, in tenths: it may use devices and the network, which is what it is for.
const MOST_EXPOSED: u32 = 17;

#[test]
fn the_units_are_right_and_leave_the_daemon_little_beside_its_log_and_its_instruments() {
    let folder = tempfile::tempdir().unwrap();
    let units = units(folder.path());
    for (kind, units) in [("--system", &units[..2]), ("--user", &units[2..])] {
        let mut verify = Command::new("systemd-analyze");
        verify.args([kind, "verify"]).args(units).env("XDG_RUNTIME_DIR", folder.path());
        let output = verify.output().expect("systemd-analyze is missing: tests/run installs it");
        let words = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success() && words.is_empty(), "{kind}: {words}");
    }
    let mut security = Command::new("systemd-analyze");
    security.args(["security", "--offline=true", "--no-pager"]).arg(format!("--threshold={MOST_EXPOSED}"));
    let output = security.arg(&units[0]).output().unwrap();
    let words = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{}", words.lines().last().unwrap_or_default());
}
