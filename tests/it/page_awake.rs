//! The daemon's local page after a while in which it wasn't looked at, was asleep, or had clocks set: what is old is never shown as fresh.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use nix::sys::signal::Signal;
use serde_json::json;

use crate::page::{address, bench, is_live, looking, paged, read, says, written};
use crate::support::daemon::wait_until;

/// Has the page keep all that it says of a value and its age from now on.
const KEEP: &str = "globalThis.kept = []; new MutationObserver(() => kept.push([document.querySelector('.value').textContent, document.querySelector('.age').textContent]))
    .observe(document.querySelector('.card'), { childList: true, subtree: true, characterData: true });";

/// What is kept that isn't called stale, or is of an age that there isn't.
const FRESH: &str =
    "kept.filter(([, age]) => !age.startsWith('STALE: measured ') || /[-−–]\\d|NaN|Infinity/.test(age))";

#[test]
fn a_tab_that_nobody_sees_is_told_nothing_and_catches_up_once_it_is_shown() {
    let (daemon, address) = paged(&bench(0.05));
    let (mut client, mut browser) = (daemon.client(), looking(&address));
    let first = read(&mut client);
    says(&mut browser, ".value strong", &written(&first));
    // Another tab comes before it.
    browser.call("Target.createTarget", json!({"url": "about:blank"}));
    says(&mut browser, "#line", "paused while nobody looks");
    let mut readings = vec![first.clone()];
    readings.extend((0..4).map(|_| read(&mut client)));
    assert_eq!(browser.evaluate("document.querySelector('.value strong').textContent"), written(&first));
    browser.call("Page.bringToFront", json!({}));
    is_live(&mut browser);
    says(&mut browser, ".value strong", &written(readings.last().unwrap()));
    readings.sort_by(|one, other| {
        one["luminance_cd_m2"].as_f64().unwrap().total_cmp(&other["luminance_cd_m2"].as_f64().unwrap())
    });
    let (low, high) = (written(&readings[0]), written(&readings[4]));
    browser.wait_for(&format!(
        "document.querySelector('.canvas').getAttribute('aria-label').includes('from {low} to {high} cd/m²')"
    ));
}

#[test]
fn however_this_devices_clocks_go_nothing_old_is_shown_as_fresh() {
    let (daemon, address) = paged(&format!("[clock]\nspeed = 60\n{}", bench(1.0)));
    read(&mut daemon.client());
    let mut browser = looking(&address);
    says(&mut browser, ".age", "STALE: measured ");
    browser.evaluate(KEEP);
    // It is set back by an hour.
    browser.evaluate("const real = Date.now; Date.now = () => real() - 3600000;");
    browser.wait_for("kept.length >= 4");
    assert_eq!(browser.evaluate(FRESH), json!([]));
    // The device sleeps for an hour, in which its steady clock stands still; and there is no daemon to say so.
    let (daemon, address) = paged(&bench(0.05));
    let mut browser = looking(&address);
    read(&mut daemon.client());
    says(&mut browser, ".age", "measured ");
    daemon.signal(Signal::SIGSTOP);
    browser.evaluate("const [real, at] = [Date.now, performance.now()]; Date.now = () => real() + 3600000; performance.now = () => at;");
    says(&mut browser, ".age", "STALE: measured 60 min ago");
    daemon.signal(Signal::SIGCONT);
}

#[test]
fn a_reading_of_before_the_daemons_clock_was_set_back_is_stale_and_of_no_known_age() {
    let (mut daemon, _) = paged(&format!("[clock]\nspeed = 3600\n{}", bench(1.0)));
    let mut client = daemon.client();
    let mut last = read(&mut client);
    wait_until("its clock is two hours ahead of the machine's", || {
        last = read(&mut client);
        last["t_s"].as_f64().unwrap() > 7200.0
    });
    daemon.kill();
    std::fs::write(daemon.path("settled.toml"), format!("[page]\nport = 0\n{}", bench(0.05))).unwrap();
    daemon.launch();
    let mut browser = looking(&address(&daemon));
    says(&mut browser, ".value strong", &written(&last));
    says(&mut browser, ".age", "STALE: measured before the daemon's clock was set back, at ");
}

#[test]
fn what_has_waited_while_the_browser_was_stopped_is_not_taken_for_news() {
    let (daemon, address) = paged(&format!("[clock]\nspeed = 60\n{}", bench(1.0)));
    let (mut client, mut browser) = (daemon.client(), looking(&address));
    read(&mut client);
    says(&mut browser, ".age", "STALE: measured ");
    browser.evaluate(KEEP);
    browser.signal(Signal::SIGSTOP);
    let second = read(&mut client);
    // The daemon tells it, and the time after it, and can't be asked when the browser wakes up: longer than a line may be silent.
    std::thread::park_timeout(Duration::from_secs(3));
    daemon.signal(Signal::SIGSTOP);
    std::thread::park_timeout(Duration::from_secs(8));
    browser.signal(Signal::SIGCONT);
    says(&mut browser, "#line", "no line to the daemon");
    says(&mut browser, ".age", "STALE: measured ");
    daemon.signal(Signal::SIGCONT);
    is_live(&mut browser);
    says(&mut browser, ".value strong", &written(&second));
    assert_eq!(browser.evaluate(FRESH), json!([]));
    let third = read(&mut client);
    says(&mut browser, ".value strong", &written(&third));
}

/// Stands between a browser and a daemon's page, as a tunnel does; it can be cut, and tell of another program's page.
struct Tunnel {
    port: u16,
    is_other: Arc<AtomicBool>,
    lines: Arc<Mutex<Vec<TcpStream>>>,
}

impl Tunnel {
    fn to(port: u64) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let own = listener.local_addr().unwrap().port();
        let tunnel = Self { port: own, is_other: Arc::default(), lines: Arc::default() };
        let (is_other, lines) = (Arc::clone(&tunnel.is_other), Arc::clone(&tunnel.lines));
        std::thread::spawn(move || {
            for near in listener.incoming().map(Result::unwrap) {
                let far = TcpStream::connect(("127.0.0.1", u16::try_from(port).unwrap())).unwrap();
                let ends = [near.try_clone().unwrap(), far.try_clone().unwrap()];
                lines.lock().unwrap().extend(ends);
                let (up, down) = (near.try_clone().unwrap(), far.try_clone().unwrap());
                std::thread::spawn(move || pass(up, far, None));
                let is_other = Arc::clone(&is_other);
                std::thread::spawn(move || pass(down, near, Some(&is_other)));
            }
        });
        tunnel
    }

    fn cut(&self) {
        for line in self.lines.lock().unwrap().drain(..) {
            let _gone = line.shutdown(Shutdown::Both).is_ok();
        }
    }
}

/// Passes on what comes. Where it `is_other` the page's mark is another of the same length.
fn pass(mut from: TcpStream, mut to: TcpStream, is_other: Option<&AtomicBool>) {
    const MARK: &[u8] = b"\"page\":\"";
    let mut bytes = [0; 1 << 16];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        let told = &mut bytes[..count];
        if is_other.is_some_and(|is_other| is_other.load(Ordering::Relaxed))
            && let Some(at) = told.windows(MARK.len()).position(|window| window == MARK)
        {
            let start = at + MARK.len();
            told[start..start + 16].copy_from_slice(b"of another page!");
        }
        if to.write_all(told).is_err() {
            break;
        }
    }
    let _gone = to.shutdown(Shutdown::Both).is_ok();
}

#[test]
fn after_an_upgrade_of_the_daemon_the_page_loads_anew_by_itself_and_once() {
    let (daemon, address) = paged(&bench(0.05));
    let mut client = daemon.client();
    let tunnel = Tunnel::to(client.call("page.address", &json!({}))["port"].as_u64().unwrap());
    let (_, token) = address.split_once('#').unwrap();
    let mut browser = looking(&format!("http://127.0.0.1:{}/#{token}", tunnel.port));
    browser.evaluate("globalThis.mark = 1");
    tunnel.is_other.store(true, Ordering::Relaxed);
    tunnel.cut();
    browser.wait_for(
        "globalThis.mark === undefined && document.getElementById('line')?.dataset.state === 'live'",
    );
    // The token is still known, and what there is is shown.
    let reading = read(&mut client);
    says(&mut browser, ".value strong", &written(&reading));
    // The same page after another lost line is no reason to load it again.
    browser.evaluate(
        "globalThis.mark = 2; globalThis.states = [];
        new MutationObserver(() => states.push(document.getElementById('line').dataset.state)).observe(document.getElementById('line'), { attributes: true });",
    );
    tunnel.cut();
    browser.wait_for("states.includes('lost') && states.at(-1) === 'live'");
    let reading = read(&mut client);
    says(&mut browser, ".value strong", &written(&reading));
    assert_eq!(browser.evaluate("globalThis.mark"), json!(2));
}
