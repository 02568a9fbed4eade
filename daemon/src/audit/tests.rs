//! What is told, what is counted, and how.

use std::io::{Result, Write};
use std::sync::Arc;

use tracing_subscriber::fmt::MakeWriter;

use super::*;
use crate::access::Rights;
use crate::stop;

/// What was traced.
#[derive(Clone, Default)]
struct Journal(Arc<Mutex<Vec<u8>>>);

impl Write for Journal {
    fn write(&mut self, bytes: &[u8]) -> Result<usize> {
        self.0.lock().unwrap().write(bytes)
    }

    fn flush(&mut self) -> Result<()> {
        Ok(())
    }
}

impl MakeWriter<'_> for Journal {
    type Writer = Self;

    fn make_writer(&self) -> Self {
        self.clone()
    }
}

impl Journal {
    /// The lines of what is traced meanwhile.
    fn of(what: impl FnOnce()) -> Vec<String> {
        let journal = Self::default();
        let trace = tracing_subscriber::fmt().with_ansi(false).without_time().with_writer(journal.clone());
        tracing::subscriber::with_default(trace.finish(), what);
        let bytes = std::mem::take(&mut *journal.0.lock().unwrap());
        String::from_utf8(bytes).unwrap().lines().map(ToOwned::to_owned).collect()
    }
}

fn client(uid: u32, name: &str) -> Client {
    let client = Client::admitted(Peer { uid, pid: Some(77) }, Rights::all(), 1);
    client.call_itself(settled_protocol::text::Text::try_from(name.to_owned()).unwrap());
    client
}

fn refused() -> RpcError {
    RpcError::new(ErrorKind::NotPermitted, "guests may not").about("bench")
}

/// How many refusals a line tells of.
fn told(line: &str) -> u64 {
    match line.split("… and ").nth(1) {
        Some(rest) => rest.split(' ').next().unwrap().parse().unwrap(),
        None => 1,
    }
}

#[test]
fn a_refusal_makes_a_line_that_says_who_what_and_why() {
    let audit = Audit::default();
    let lines = Journal::of(|| audit.answered(&client(1000, "plotter"), "meter.read", &refused()));
    let expected = " WARN audit: refused: guests may not method=\"meter.read\" kind=\"not_permitted\" meter=\"bench\" client=\"plotter\" uid=1000 pid=77";
    assert_eq!(lines, [expected]);
    let peer = Peer { uid: 5, pid: None };
    let lines = Journal::of(|| audit.turned_away(Some(peer), &RpcError::new(ErrorKind::Overloaded, "full")));
    assert_eq!(lines, [" WARN audit: refused: full method=\"connect\" kind=\"overloaded\" uid=5"]);
}

#[test]
fn what_is_no_refusal_makes_none() {
    let lines = Journal::of(|| {
        for kind in ErrorKind::ALL {
            let audit = Audit::default();
            audit.answered(&client(1, "a"), "meter.read", &RpcError::new(kind, "why"));
        }
    });
    assert_eq!(lines.len(), 4, "{lines:#?}");
}

#[test]
fn no_token_of_a_lease_and_no_method_that_there_is_not_is_told() {
    let lines = Journal::of(|| {
        for kind in [ErrorKind::Leased, ErrorKind::LeaseLost] {
            Audit::default().answered(&client(1, "a"), "meter.read", &RpcError::new(kind, "SECRET"));
        }
        Audit::default().answered(&client(1, "a"), &"SECRET".repeat(1000), &refused());
    });
    assert_eq!(lines.len(), 3);
    assert!(
        lines.iter().all(|line| !line.contains("SECRET")) && lines[2].contains("(unknown)"),
        "{lines:#?}"
    );
}

#[test]
fn a_flood_makes_two_lines_in_which_every_refusal_is_counted() {
    let (audit, client) = (Audit::default(), client(1000, "flood"));
    let lines = Journal::of(|| {
        for _ in 0..4712 {
            audit.answered(&client, "meter.read", &refused());
        }
        audit.answered(&client, "meter.zero", &refused());
        audit.tell();
        audit.answered(&client, "meter.read", &refused());
        audit.tell();
        audit.tell();
        audit.answered(&client, "meter.read", &refused());
    });
    let counts: Vec<u64> = lines.iter().map(|line| told(line)).collect();
    assert_eq!(counts, [1, 1, 4711, 1, 1], "{lines:#?}");
    assert!(lines[2].contains("refused: … and 4711 more method=\"meter.read\""), "{}", lines[2]);
    assert!(lines[3].contains("… and 1 more"), "it goes on: {}", lines[3]);
    assert!(!lines[4].contains('…'), "it is news again: {}", lines[4]);
}

#[test]
fn who_comes_anew_for_each_request_makes_few_lines_and_hides_nobody_else() {
    let audit = Audit::default();
    let lines = Journal::of(|| {
        for _ in 0..1000 {
            audit.answered(&client(1000, "flood"), "meter.read", &refused());
            audit.turned_away(Some(Peer { uid: 1001, pid: None }), &refused());
        }
        audit.answered(&client(1002, "other"), "meter.read", &refused());
        audit.tell();
    });
    assert!(lines.iter().any(|line| line.contains("client=\"other\"")));
    assert_eq!(lines.len(), LINES_OF_USER + 1 + 1 + 2, "{lines:#?}");
    assert_eq!(lines.iter().map(|line| told(line)).sum::<u64>(), 2001);
}

#[test]
fn however_many_users_there_are_memory_is_bounded_and_every_refusal_counted() {
    let audit = Audit::default();
    let lines = Journal::of(|| {
        for uid in 0..5000 {
            audit.answered(&client(uid, "crowd"), "meter.read", &refused());
        }
        assert!(audit.seen().counts.len() <= MOST_APART + 1);
        audit.tell();
    });
    assert_eq!(lines.iter().map(|line| told(line)).sum::<u64>(), 5000);
    assert!(audit.seen().lines.is_empty());
}

#[tokio::test(start_paused = true)]
async fn what_was_counted_is_told_within_two_seconds_and_when_the_daemon_stops() {
    let (audit, client) = (Audit::default(), client(1, "a"));
    let (stopper, stop) = stop::pair();
    let flood = || (0..3).for_each(|_| audit.answered(&client, "meter.read", &refused()));
    flood();
    assert_eq!(audit.seen().counts.len(), 1);
    let run = audit.run(stop);
    tokio::pin!(run);
    assert!(tokio::time::timeout(2 * TOGETHER + TOGETHER / 2, &mut run).await.is_err());
    assert!(audit.seen().counts.is_empty());
    flood();
    stopper.stop();
    run.await;
    assert!(audit.seen().counts.values().all(|count| count.more == 0));
}
