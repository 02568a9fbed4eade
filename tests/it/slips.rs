//! Slips of the pen: whoever types a name that isn't there is told which one is like it, and every error what to do next.

use std::os::unix::net::UnixListener;
use std::process::{Command, Output};

use crate::support::daemon::{Daemon, program};

const BENCH: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n[[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

fn words(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

#[test]
fn whoever_mistypes_a_name_is_told_which_one_is_like_it() {
    let daemon = Daemon::start(BENCH);
    let cases: [(&[&str], i32, &str); 12] = [
        (&["read", "bnech"], 1, "no meter is called \"bnech\"; did you mean \"bench\"?"),
        (&["read", "zip"], 1, "no meter is called \"zip\"; configured: bench, spectral"),
        (&["observe", "specral"], 1, "did you mean \"spectral\"?"),
        (
            &["log", "readings", "--meter", "bnech"],
            1,
            "the log has no reading of one; did you mean \"bench\"?",
        ),
        (&["log", "plot", "--meter", "bnech"], 1, "did you mean \"bench\"?"),
        (&["run", "warm-up", "bnech"], 1, "did you mean \"bench\"?"),
        (&["correct", "derive", "bnech", "--reference", "spectral"], 2, "did you mean \"bench\"?"),
        (
            &["correct", "derive", "bench", "--reference", "spectral", "--colours", "magneta"],
            2,
            "did you mean \"magenta\"?",
        ),
        (&["review", "plans", "sdr-ful"], 2, "did you mean \"sdr-full\"?"),
        (&["read", "bench", "--settled", "--preset", "ies_lm_97"], 2, "did you mean \"ies_lm_79\"?"),
        (&["read", "bench", "--setled"], 2, "'--settled'"),
        (&["runs", "--state", "runing"], 2, "did you mean \"running\"?"),
    ];
    for (arguments, status, expected) in cases {
        let output = daemon.run_settle(arguments);
        let words = words(&output);
        assert_eq!(output.status.code(), Some(status), "{arguments:?}: {words}");
        assert!(words.contains(expected), "{arguments:?}: {words}");
    }
}

#[test]
fn whoever_asks_for_a_run_that_is_not_there_is_told_up_to_which_there_are_any() {
    let daemon = Daemon::start(BENCH);
    let asked: [&[&str]; 7] = [
        &["runs", "show", "12"],
        &["runs", "stop", "12"],
        &["runs", "watch", "12"],
        &["log", "readings", "--run", "12"],
        &["log", "export", "--csv", "-", "--run", "12"],
        &["log", "statistics", "--run", "12"],
        &["log", "events", "--run", "12"],
    ];
    let all_say = |expected: &str| {
        for arguments in asked {
            let output = daemon.run_settle(arguments);
            let words = words(&output);
            assert_eq!(output.status.code(), Some(1), "{arguments:?}: {words}");
            let whole =
                format!("there is no run 12 in this log: {expected}; settle runs lists those there are");
            assert!(words.contains(&whole), "{arguments:?}: {words}");
        }
    };
    all_say("there has been none yet");
    assert!(daemon.run_settle(&["run", "drift", "bench", "--for", "2min"]).status.success());
    all_say("the last is 1");
    // A run without readings yet is none that isn't there.
    let none = daemon.run_settle(&[
        "log",
        "events",
        "--run",
        "1",
        "--since",
        "2001-01-01T00:00:00Z",
        "--until",
        "2001-01-02T00:00:00Z",
    ]);
    assert!(none.status.success() && none.stdout.is_empty(), "{none:?}");
}

/// `settle meters` where the user's own socket would be in this folder.
fn found_in(folder: &std::path::Path) -> Output {
    let mut settle = Command::new(program("settle"));
    settle.env_remove("SETTLED_SOCKET").env("XDG_RUNTIME_DIR", folder).arg("meters").output().unwrap()
}

#[test]
fn where_no_daemon_answers_it_is_said_where_it_was_looked_for_and_what_to_do() {
    assert!(
        !std::path::Path::new("/run/settled/socket").exists(),
        "a daemon of this machine's own would answer: stop it"
    );
    let folder = tempfile::tempdir().unwrap();
    let absent = words(&found_in(folder.path()));
    let own = folder.path().join("settled/socket");
    assert!(absent.contains(&format!("no daemon answers at {} or ", own.display())), "{absent}");
    assert!(
        absent.contains("start one with `settled --config FILE`") && absent.contains("--socket"),
        "{absent}"
    );
    // A socket that was left behind says more than the system's, which isn't there.
    std::fs::create_dir(folder.path().join("settled")).unwrap();
    drop(UnixListener::bind(&own).unwrap());
    let left = found_in(folder.path());
    assert_eq!(left.status.code(), Some(1));
    let left = words(&left);
    assert!(
        left.contains(&format!(
            "the daemon that made the socket {} has ended: start it again",
            own.display()
        )),
        "{left}"
    );
    assert!(!left.contains("/run/settled"), "{left}");
}

#[test]
fn what_the_daemon_refuses_is_followed_by_what_can_be_typed() {
    let config = format!(
        "{BENCH}[[meter]]\nid = \"away\"\ndriver = \"profile\"\nprofile = \"pocket-illuminance\"\ntcp = \"127.0.0.1:1\"\n"
    );
    let daemon = Daemon::start(&config);
    let output = daemon.run_settle(&["read", "away"]);
    let words = words(&output);
    assert_eq!(output.status.code(), Some(1), "{words}");
    assert!(words.contains("settle meters says how it is"), "{words}");
}
