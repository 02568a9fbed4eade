//! `settle live` in a real terminal emulator (tmux), beside a real daemon: what it shows at three sizes, what it costs, and how it
//! leaves the terminal.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::json;

use crate::support::daemon::{Daemon, program, wait_until};

mod relay;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n\
    [[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ncold = [0, 0]\n\
    [[meter]]\nid = \"spectro\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\nlooks_at = \"bench\"\nseed = 2\n";

/// A window of tmux with a server of its own, in which a shell runs.
struct Terminal {
    folder: PathBuf,
    socket: PathBuf,
}

impl Terminal {
    /// A shell in a window of this size; what is typed before is its environment.
    fn open(folder: &Path, name: &str, (columns, lines): (u16, u16), locale: &str) -> Self {
        let this = Self { folder: folder.to_owned(), socket: folder.join(format!("tmux-{name}")) };
        let (columns, lines) = (columns.to_string(), lines.to_string());
        let shell =
            format!("exec env RUST_BACKTRACE=0 LC_ALL={locale} PS1='ready> ' bash --norc --noprofile -i");
        this.tmux(&["-f", "/dev/null", "new-session", "-d", "-x", &columns, "-y", &lines, &shell]);
        this.shows("ready>");
        this
    }

    fn try_tmux(&self, arguments: &[&str]) -> Option<String> {
        let mut tmux = Command::new("tmux");
        tmux.arg("-u").arg("-S").arg(&self.socket).args(arguments).current_dir(&self.folder);
        let output = tmux.env_remove("NO_COLOR").output().unwrap();
        output.status.success().then(|| String::from_utf8(output.stdout).unwrap())
    }

    fn tmux(&self, arguments: &[&str]) -> String {
        self.try_tmux(arguments).unwrap_or_else(|| panic!("tmux {arguments:?}"))
    }

    /// What is on the screen now.
    fn screen(&self) -> String {
        self.tmux(&["capture-pane", "-p"])
    }

    fn shows(&self, words: &str) {
        self.shows_all(&[words]);
    }

    fn shows_all(&self, all: &[&str]) {
        let start = std::time::Instant::now();
        loop {
            let last = self.screen();
            if all.iter().all(|words| last.contains(words)) {
                return;
            }
            let missing: Vec<&&str> = all.iter().filter(|words| !last.contains(**words)).collect();
            assert!(start.elapsed().as_secs() < 60, "no {missing:?} on the screen:\n{last}");
            std::thread::park_timeout(std::time::Duration::from_millis(50));
        }
    }

    fn types(&self, keys: &[&str]) {
        self.tmux(&[&["send-keys"], keys].concat());
    }

    /// A line for the shell.
    fn runs(&self, line: &str) {
        self.tmux(&["send-keys", "-l", line]);
        self.types(&["Enter"]);
    }

    /// Has the shell note how its terminal is set.
    fn settings(&self, name: &str) -> String {
        let path = self.folder.join(name);
        let kept = path.clone();
        self.runs(&format!("stty -a > {0}.part; mv {0}.part {0}", path.display()));
        wait_until("the shell has told its settings", || kept.exists());
        fs::read_to_string(path).unwrap()
    }

    /// Whether the second screen is on, and whether there is a cursor.
    fn modes(&self) -> String {
        self.tmux(&[
            "display-message",
            "-p",
            "second #{alternate_on}, cursor #{cursor_flag}, wraps #{wrap_flag}",
        ])
        .trim()
        .to_owned()
    }

    fn is_as_found(&self, before: &str) {
        wait_until("the first screen is back", || self.modes() == "second 0, cursor 1, wraps 1");
        let path = format!("after-{}", fs::read_dir(&self.folder).unwrap().count());
        assert_eq!(self.settings(&path), before);
    }

    fn resize(&self, (columns, lines): (u16, u16)) {
        self.tmux(&["resize-window", "-x", &columns.to_string(), "-y", &lines.to_string()]);
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ended = self.try_tmux(&["kill-server"]);
    }
}

/// What starts `settle live`, and notes its process.
fn live(daemon: &Daemon, arguments: &str) -> String {
    let (settle, socket, pid) = (program("settle"), daemon.socket(), daemon.path("live-pid"));
    format!(
        "(echo $BASHPID > {}; exec {} --socket {} live {arguments}); echo \"ended $?\"",
        pid.display(),
        settle.display(),
        socket.display()
    )
}

fn pid(daemon: &Daemon) -> Pid {
    Pid::from_raw(fs::read_to_string(daemon.path("live-pid")).unwrap().trim().parse().unwrap())
}

/// Exposures of a meter since the daemon started.
fn exposures(daemon: &Daemon, meter: &str) -> u64 {
    daemon.client().exposures(meter)
}

fn read(daemon: &Daemon, meter: &str, times: usize) {
    let mut client = daemon.client();
    for _ in 0..times {
        client.call("meter.read", &json!({ "meter": meter, "integration_s": 0.1 }));
    }
}

#[test]
fn watching_shows_what_others_measure_at_every_size_and_causes_no_exposure() {
    let daemon = Daemon::start(CONFIG);
    read(&daemon, "bench", 3);
    let terminal = Terminal::open(&daemon.path(""), "watching", (80, 24), "C.UTF-8");
    let before = terminal.settings("before");
    terminal.runs(&live(&daemon, "bench --hold 10min"));
    // What the log has is there from the beginning.
    terminal.shows_all(&[
        "watching: causes no exposure",
        "95 %, of 3 readings",
        "SIMULATED",
        "bench",
        "spectro",
        "no reading",
    ]);
    read(&daemon, "bench", 5);
    let everything = [
        "of 8 readings",
        " ± ",
        " cd/m²",
        "x 0.3",
        "u′ 0.",
        "NOT SETTLED YET",
        "So far luminance drifts",
        "latest",
        "runs",
        "none goes on",
        "events",
    ];
    terminal.shows_all(&everything);
    for size in [(60, 20), (200, 50), (80, 24)] {
        terminal.resize(size);
        let edge = format!("{:>width$}", "? keys  q end", width = usize::from(size.0));
        terminal.shows_all(&everything);
        wait_until("the title is as wide as the window", || {
            let screen = terminal.screen();
            let title = screen.lines().next().unwrap_or_default().to_owned();
            title.chars().count() == usize::from(size.0) && title.ends_with(edge.trim_start())
        });
        assert!(terminal.screen().lines().all(|line| line.chars().count() <= usize::from(size.0)));
    }
    terminal.resize((50, 10));
    terminal.shows("needs 60 columns");
    terminal.resize((80, 24));
    terminal.shows_all(&everything);
    assert_eq!([exposures(&daemon, "bench"), exposures(&daemon, "spectro")], [8, 0]);
    terminal.types(&["i"]);
    terminal.shows_all(&["verdict", "So far luminance drifts", "i  back"]);
    terminal.types(&["i", "?"]);
    terminal.shows("measure: ask for readings");
    terminal.types(&["q"]);
    terminal.shows("of 8 readings");
    terminal.types(&["q"]);
    terminal.shows("ended 0");
    terminal.is_as_found(&before);
}

#[test]
fn measuring_is_asked_for_shown_and_over_as_soon_as_it_is_ended() {
    let daemon = Daemon::start(CONFIG);
    let terminal = Terminal::open(&daemon.path(""), "measuring", (100, 30), "C");
    terminal.runs(&format!(
        "NO_COLOR=1; export NO_COLOR; {}",
        live(&daemon, "--luminance 5% --chromaticity 0.05 --hold 5s")
    ));
    terminal.shows_all(&["Nobody takes readings of this meter", "watching: causes no exposure"]);
    terminal.types(&["Down", "Up", "m"]);
    terminal.shows_all(&[
        "MEASURING without pause",
        "SETTLED",
        "stays so for 5.0 s",
        " +/- ",
        " cd/m2",
        "Settled: over the last",
    ]);
    assert!(terminal.screen().is_ascii(), "{}", terminal.screen());
    let measured = exposures(&daemon, "bench");
    assert!(measured > 3 && exposures(&daemon, "spectro") == 0);
    terminal.types(&["m"]);
    terminal.shows_all(&["watching: causes no exposure", "STALE: was settled"]);
    let still = exposures(&daemon, "bench");
    terminal.shows(" ago");
    assert_eq!(exposures(&daemon, "bench"), still);
    // Another client has the meter for itself: who, for what and until when is told, and measuring waits.
    let mut holder = daemon.client();
    holder.call("hello", &json!({ "client": "profile-it" }));
    holder.call("meter.lease", &json!({ "meter": "bench", "ttl_s": 600, "purpose": "batch 7" }));
    terminal.types(&["m"]);
    terminal.shows_all(&["leased by profile-it", "for \"batch 7\", until ", "LEASED by profile-it"]);
    drop(holder);
    terminal.shows_all(&["MEASURING", "SETTLED"]);
    terminal.types(&["C-c"]);
    terminal.shows("ended 130");
}

#[test]
fn it_says_that_the_daemon_is_gone_marks_all_as_stale_and_goes_on_when_it_is_back() {
    let mut daemon = Daemon::start(CONFIG);
    let terminal = Terminal::open(&daemon.path(""), "gone", (80, 24), "C.UTF-8");
    terminal.runs(&live(&daemon, "bench --measure --hold 2s"));
    terminal.shows_all(&["MEASURING", "95 %, of "]);
    daemon.kill();
    terminal.shows_all(&["NO DAEMON since ", "all here is stale", "STALE: was ", "stale", " ago"]);
    daemon.launch();
    terminal.shows_all(&["MEASURING", "95 %, of ", "ready", "now"]);
    // It measures again, as it was told to.
    let before = exposures(&daemon, "bench");
    wait_until("it measures again", || exposures(&daemon, "bench") > before);
    terminal.types(&["q"]);
    terminal.shows("ended 0");
}

#[test]
fn runs_are_shown_as_they_get_on_and_so_is_what_happened() {
    let daemon = Daemon::start(CONFIG);
    let terminal = Terminal::open(&daemon.path(""), "runs", (132, 43), "C.UTF-8");
    terminal.runs(&live(&daemon, "bench"));
    terminal.shows("none goes on, and none is planned");
    let plan = json!({ "kind": "drift", "meter": "bench", "interval_s": 0.5, "label": "batch 7", "duration_s": 3600 });
    daemon.client().call("runs.start", &plan);
    terminal.shows_all(&["batch 7", "1 bench", "0 %, ", "left", "run 1"]);
    terminal.types(&["q"]);
    terminal.shows("ended 0");
}

#[test]
fn whatever_ends_it_the_terminal_is_left_as_it_was_found() {
    let daemon = Daemon::start(CONFIG);
    let terminal = Terminal::open(&daemon.path(""), "ends", (80, 24), "C.UTF-8");
    let before = terminal.settings("before");
    for signal in [Signal::SIGTERM, Signal::SIGHUP, Signal::SIGINT] {
        terminal.runs("clear");
        terminal.runs(&live(&daemon, ""));
        terminal.shows("watching: causes no exposure");
        assert_eq!(terminal.modes(), "second 1, cursor 0, wraps 0");
        kill(pid(&daemon), signal).unwrap();
        terminal.shows("ended 130");
        terminal.is_as_found(&before);
    }
    // Ctrl-Z leads to the shell, and fg back.
    terminal.runs("clear");
    terminal.runs(&format!(
        "{} --socket {} live; echo \"ended $?\"",
        program("settle").display(),
        daemon.socket().display()
    ));
    terminal.shows("watching: causes no exposure");
    terminal.types(&["C-z"]);
    terminal.shows("Stopped");
    terminal.is_as_found(&before);
    terminal.runs("fg");
    terminal.shows("watching: causes no exposure");
    terminal.types(&["q"]);
    wait_until("the first screen is back", || terminal.modes().starts_with("second 0, cursor 1"));
    terminal.is_as_found(&before);
}

#[test]
fn a_panic_gives_the_terminal_back_before_it_says_what_happened() {
    let folder = tempfile::tempdir().unwrap();
    let terminal = Terminal::open(folder.path(), "panic", (80, 24), "C.UTF-8");
    let before = terminal.settings("before");
    terminal.runs(&format!("{}; echo \"ended $?\"", program("examples/screen_panic").display()));
    terminal.shows("The daemon has no meters");
    assert_eq!(terminal.modes(), "second 1, cursor 0, wraps 0");
    terminal.types(&["x"]);
    terminal.shows_all(&["on purpose, in the middle of a picture", "ended 101"]);
    terminal.is_as_found(&before);
}

#[test]
fn a_panic_in_any_task_ends_it_with_the_terminal_given_back_and_nothing_drawn_on_it_afterwards() {
    let folder = tempfile::tempdir().unwrap();
    let terminal = Terminal::open(folder.path(), "task-panic", (80, 24), "C.UTF-8");
    let before = terminal.settings("before");
    terminal.runs("clear");
    let (program, noted) = (program("examples/screen_panic"), folder.path().join("pid"));
    terminal.runs(&format!(
        "(echo $BASHPID > {}; exec {} task); echo \"ended $?\"",
        noted.display(),
        program.display()
    ));
    terminal.shows("The daemon has no meters");
    assert_eq!(terminal.modes(), "second 1, cursor 0, wraps 0");
    let pid = fs::read_to_string(&noted).unwrap().trim().parse().unwrap();
    kill(Pid::from_raw(pid), Signal::SIGUSR1).unwrap();
    terminal.shows_all(&["on purpose, in a task beside the picture", "it has ended: Broken", "ended 1"]);
    terminal.is_as_found(&before);
    // Nothing of the picture is on the screen that was there before.
    let screen = terminal.screen();
    assert!(!screen.contains("The daemon has no meters") && !screen.contains("q end"), "{screen}");
}

#[test]
fn a_terminal_that_goes_away_takes_it_along() {
    let daemon = Daemon::start(CONFIG);
    let terminal = Terminal::open(&daemon.path(""), "hangup", (80, 24), "C.UTF-8");
    terminal.runs(&live(&daemon, "--measure"));
    terminal.shows("MEASURING");
    let pid = pid(&daemon);
    terminal.tmux(&["kill-server"]);
    wait_until("it has ended", || kill(pid, None).is_err());
}

#[test]
fn without_a_terminal_it_says_what_does_the_same_in_lines() {
    let daemon = Daemon::start(CONFIG);
    for arguments in [&["live"][..], &["--json", "live"]] {
        let output = daemon.run_settle(arguments);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0), "{said}");
        assert!(said.contains("settle observe") && said.contains("settle meters --json"), "{said}");
    }
}
