//! The line between the daemon's local page and the daemon: what is said while there is none, and who is told what as it is taken up again.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::time::Duration;

use serde_json::json;

use crate::page::{address, bench, free_port, is_live, looking, paged, read, says, written};
use crate::support::daemon::{Daemon, wait_until};

/// As somebody answers who has seen a daemon prove itself, but doesn't know its token.
const PROVEN: &str = "HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 76\r\nConnection: close\r\n\r\n{\"proof\":\"00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff\"}";

/// What somebody asks, up to the end of the headers; nothing from whom only connects, as browsers do beforehand.
fn asked(stream: &mut TcpStream) -> String {
    stream.set_nonblocking(false).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(1))).unwrap();
    let mut asked = String::new();
    while !asked.contains("\r\n\r\n") {
        let mut bytes = [0; 2048];
        let count = stream.read(&mut bytes).unwrap_or(0);
        if count == 0 {
            break;
        }
        asked.push_str(&String::from_utf8_lossy(&bytes[..count]));
    }
    asked
}

#[test]
fn whoever_takes_the_port_while_the_daemon_is_away_is_not_told_the_token() {
    let port = free_port();
    let mut daemon = Daemon::start(&format!("[page]\nport = {port}\n{}", bench(0.05)));
    let address = address(&daemon);
    let (_, token) = address.split_once('#').unwrap();
    let mut browser = looking(&address);
    let reading = read(&mut daemon.client());
    says(&mut browser, ".value strong", &written(&reading));
    daemon.kill();
    says(&mut browser, "#line", "no line to the daemon");
    says(&mut browser, ".head .state", "was ready");
    says(&mut browser, ".verdict", "nothing is known of now");
    let listener = TcpListener::bind(("127.0.0.1", port)).unwrap();
    listener.set_nonblocking(true).unwrap();
    let mut all = String::new();
    wait_until("the page asks twice for a proof", || {
        if let Ok((mut stream, _)) = listener.accept() {
            all.push_str(&asked(&mut stream));
            let _taken = stream.write_all(PROVEN.as_bytes()).is_ok();
        }
        all.matches("GET /api/proof?nonce=").count() >= 2
    });
    says(&mut browser, "#notices", "doesn't know this page's token");
    assert!(!all.contains(token) && !all.to_lowercase().contains("authorization"), "{all}");
    drop(listener);
    daemon.launch();
    is_live(&mut browser);
    browser.wait_for("document.getElementById('notice-refused') === null");
}

#[test]
fn a_daemon_whose_port_is_taken_measures_all_the_same_says_why_and_has_its_page_once_it_is_free() {
    let port = free_port();
    for taken in [format!("127.0.0.1:{port}"), format!("[::1]:{port}")] {
        let other = TcpListener::bind(&taken).unwrap();
        let daemon = Daemon::start(&format!("[page]\nport = {port}\n{}", bench(0.05)));
        let mut client = daemon.client();
        client.wait_for_state("bench", "ready");
        read(&mut client);
        wait_until("the client says why there is no page", || {
            let words = String::from_utf8(daemon.run_settle(&["page"]).stderr).unwrap();
            words.contains(&taken) && words.contains("[page] port")
        });
        assert!(daemon.trace().contains("without the local page"), "{}", daemon.trace());
        drop(other);
        wait_until("the client is told where the page is", || {
            let words = String::from_utf8(daemon.run_settle(&["page"]).stdout).unwrap();
            words.contains(&format!("http://127.0.0.1:{port}/#"))
        });
    }
}

/// What is jumped to, of all that can be, and is then hidden by the page's head.
const HIDDEN: &str = "(() => {
    const bottom = () => document.querySelector('header').getBoundingClientRect().bottom;
    return [...document.querySelectorAll('button, summary, h2, h3, [tabindex]')].filter((one) => one.checkVisibility()).filter((one) => {
        scrollTo(0, document.documentElement.scrollHeight);
        one.scrollIntoView();
        return one.getBoundingClientRect().top < bottom() - 0.5;
    }).map((one) => one.outerHTML);
})()";

#[test]
fn a_head_that_stays_in_sight_hides_nothing_that_is_jumped_to_however_many_lines_it_has() {
    let (mut daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    says(&mut browser, "#night", "No run has ended yet");
    daemon.kill();
    says(&mut browser, "#line", "no line to the daemon");
    let size = json!({"width": 360, "height": 500, "deviceScaleFactor": 1, "mobile": false});
    browser.call("Emulation.setDeviceMetricsOverride", size);
    browser.wait_for(
        "innerWidth === 360 && getComputedStyle(document.querySelector('header')).position === 'sticky'",
    );
    // How high the head is by now is told with the next frame.
    browser.wait_for(&format!("{HIDDEN}.length === 0"));
    // A reason that takes many lines.
    browser.evaluate("document.querySelector('h1').textContent = 'settled '.repeat(60)");
    browser.wait_for("document.querySelector('header').offsetHeight > 200");
    browser.wait_for(&format!("{HIDDEN}.length === 0"));
}

#[test]
fn readings_on_another_scale_begin_another_curve() {
    let (daemon, address) = paged(&bench(0.05));
    let mut client = daemon.client();
    let mut browser = looking(&address);
    read(&mut client);
    browser.wait_for("document.querySelector('.canvas').getAttribute('aria-label').includes(': from ')");
    // Twice as bright.
    let matrix = [[2.0, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 2.0]];
    let params = json!({"name": "by hand", "method": "given", "matrix": matrix, "meter": {"id": "bench"}, "force": true});
    let added = client.call("corrections.add", &params);
    let id = &added["correction"]["id"];
    client.call("meter.correct", &json!({"meter": "bench", "correction": id}));
    let reading = read(&mut client);
    let only = written(&reading);
    says(&mut browser, ".value strong", &only);
    browser.wait_for(&format!(
        "document.querySelector('.canvas').getAttribute('aria-label').includes('from {only} to {only} cd/m²')"
    ));
    says(&mut browser, ".note", "don't compare and are left out");
}

#[test]
fn what_can_not_be_shown_keeps_nothing_else_from_being_shown_and_costs_no_line() {
    let (daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    says(&mut browser, ".value", "no reading yet");
    browser.evaluate(
        "globalThis.changes = 0; globalThis.thrown = 0;
        new MutationObserver(() => { changes += 1; }).observe(document.getElementById('line'), { attributes: true });
        const real = Node.prototype.insertBefore;
        Node.prototype.insertBefore = function (...all) {
            if (this.className === 'value') { thrown += 1; throw new Error('of the test'); }
            return real.apply(this, all);
        };",
    );
    let mut client = daemon.client();
    read(&mut client);
    browser.wait_for("thrown > 0");
    client.call("meter.lease", &json!({"meter": "bench", "purpose": "profiling", "ttl_s": 600}));
    says(&mut browser, ".holder", "for profiling");
    assert_eq!(browser.evaluate("changes"), json!(0));
}
