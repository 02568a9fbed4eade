//! Several who look at the daemon's local page at once: none takes news from another, and none comes back by itself where there are too many.

use std::io::{Read, Write};
use std::net::TcpStream;

use serde_json::json;

use crate::page_guard::paged;
use crate::support::daemon::PATIENCE;

/// One who looks, without a browser.
struct Viewer {
    stream: TcpStream,
    heard: String,
}

impl Viewer {
    fn come(port: u16, token: &str) -> Self {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        write!(
            stream,
            "GET /api/stream HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\r\n"
        )
        .unwrap();
        let mut viewer = Self { stream, heard: String::new() };
        viewer.hears("event: hello\n");
        viewer
    }

    /// Waits until it is told so.
    fn hears(&mut self, words: &str) {
        while !self.heard.contains(words) {
            assert!(self.more(), "the stream ended before {words}: {}", self.heard);
        }
    }

    /// Whether the stream goes on.
    fn more(&mut self) -> bool {
        let mut bytes = [0; 4096];
        let count = self.stream.read(&mut bytes).expect("news, or the end, in time");
        self.heard.push_str(&String::from_utf8_lossy(&bytes[..count]));
        count > 0
    }
}

#[test]
fn whoever_comes_as_something_changes_keeps_it_from_nobody_who_is_there() {
    let (daemon, port, token) = paged();
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    let mut there = Viewer::come(port, &token);
    there.hears("\"state\":\"ready\"");
    // Nobody announces a lease: it is told at the next look, two seconds later at most.
    client.call("meter.lease", &json!({"meter": "bench", "purpose": "profiling", "ttl_s": 600}));
    let mut comes = Viewer::come(port, &token);
    comes.hears("\"purpose\":\"profiling\"");
    there.hears("\"purpose\":\"profiling\"");
}

#[test]
fn of_too_many_viewers_the_first_is_told_that_it_gives_way_and_the_others_go_on() {
    let (daemon, port, token) = paged();
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    let mut viewers: Vec<_> = (0..17).map(|_| Viewer::come(port, &token)).collect();
    let mut first = viewers.remove(0);
    first.hears("event: left\n");
    while first.more() {}
    client.call("meter.read", &json!({"meter": "bench"}));
    for viewer in &mut viewers {
        viewer.hears("event: reading\n");
        assert!(!viewer.heard.contains("event: left\n"));
    }
}
