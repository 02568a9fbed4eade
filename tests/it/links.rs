//! One profile over every link: what goes wrong on a line is told the same on a pseudo-terminal and over TCP, ends in time, and
//! touches nobody else.

use std::time::{Duration, Instant};

use nix::sys::signal::Signal;
use serde_json::json;

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::instrument::Instrument;

/// The longest that a fault and the reading after it take with the profile below, with room for a busy machine.
const DEADLINE: Duration = Duration::from_secs(8);

/// Where the instrument is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Over {
    PseudoTerminal,
    Tcp,
}

/// The shipped profile, without a warm-up, and with deadlines that suit a test.
pub(crate) fn quick() -> String {
    let shipped = settled_drivers::profile::shipped::text("lab-tristimulus".as_ref()).unwrap();
    let hasty = shipped
        .replace("timeout = \"1s\"", "timeout = \"300ms\"")
        .replace("[line]", "[line]\nquiet = \"60ms\"");
    hasty.replace("warm_up = \"10min\"", "")
}

/// A meter's settings, but for where it is.
fn meter(id: &str) -> String {
    format!("[[meter]]\nid = \"{id}\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\n")
}

/// A daemon with the meter `bench` over the link, and a simulated one, `other`.
fn over(link: Over) -> (Daemon, Instrument) {
    let folder = Daemon::configured("");
    let (instrument, place) = match link {
        Over::PseudoTerminal => {
            (Instrument::start(&folder.path("port")), format!("port = \"{}\"", folder.path("port").display()))
        }
        Over::Tcp => {
            let (instrument, address) = Instrument::listen();
            (instrument, format!("tcp = \"{address}\""))
        }
    };
    let mut daemon = folder;
    let config = format!(
        "[log]\npath = \"log.sqlite\"\n{}{place}\n\
         [[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nintegration_s = [0.05, 1]\nautomatic_s = 0.05\n",
        meter("bench")
    );
    std::fs::write(daemon.path("settled.toml"), config).unwrap();
    std::fs::write(daemon.path("quick.toml"), quick()).unwrap();
    daemon.launch();
    daemon.client().wait_for_state("bench", "ready");
    (daemon, instrument)
}

/// A reading of the light that the instrument shows unless it is told otherwise.
fn good(client: &mut Client, after: &str) {
    let reading = client.call("meter.read", &json!({"meter": "bench"}));
    let y = reading["luminance_cd_m2"].as_f64().unwrap();
    assert!((y - 100.0).abs() < 1.0, "after {after}: {reading}");
}

/// How a fault ends: in a good reading, or in one of these errors.
type Ends = &'static [&'static str];

const FAULTS: &[(&str, Ends)] = &[
    ("silence", &["meter_silent"]),
    ("garbled", &["meter_garbled"]),
    ("error", &["out_of_range"]),
    ("late 800", &["meter_silent"]),
    ("echo", &["meter_garbled"]),
    ("noise", &["meter_garbled"]),
    ("flood", &["meter_garbled"]),
    // Some sixty bytes: too slow for the deadline, and fast enough.
    ("trickle 20", &["meter_silent"]),
    ("trickle 2", &[]),
    // The second may be there in time to be dropped, or is taken for an answer to the question for errors.
    ("twice", &["", "meter_refused"]),
];

fn matrix(link: Over) {
    let (daemon, mut instrument) = over(link);
    let (mut client, mut watcher) = (daemon.client(), daemon.client());
    watcher.call("meter.observe", &json!({"meter": "other", "interval_s": 0.1}));
    let cuts = (0..36).step_by(5).map(|at| (format!("cut {at}"), &["meter_silent"] as Ends));
    let closed = (0..36).step_by(5).map(|at| (format!("close {at}"), &["meter_absent"] as Ends));
    let named = FAULTS.iter().map(|(order, ends)| ((*order).to_owned(), *ends));
    for (order, ends) in named.chain(cuts).chain(closed) {
        instrument.order(&format!("next {order}"));
        let start = Instant::now();
        let id = client.ask("meter.read", &json!({"meter": "bench"}));
        let answer = client.answer(id);
        let kind = answer["error"]["data"]["kind"].as_str().unwrap_or("");
        assert!(ends.contains(&kind) || ends.is_empty() && kind.is_empty(), "{link:?}, {order}: {answer}");
        if order.starts_with("close") {
            instrument.order("open");
        }
        good(&mut client, &order);
        assert!(start.elapsed() < DEADLINE, "{link:?}, {order} took {:?}", start.elapsed());
    }
    // A tenth of a second from one to the next, all through this; a busy machine may be late now and then.
    let mut began = Vec::new();
    client.call("meter.read", &json!({"meter": "other"}));
    while began.len() < 60 {
        began.push(watcher.notice("reading")["reading"]["began_s"].as_f64().unwrap());
    }
    let late = began.windows(2).filter(|pair| pair[1] - pair[0] > 0.3).count();
    assert!(late <= 3, "{late} of {} were late: {began:?}", began.len());
    assert_eq!(client.events("other"), ["meter_ready"]);
}

#[test]
fn each_fault_ends_in_its_own_error_on_a_pseudo_terminal() {
    matrix(Over::PseudoTerminal);
}

#[test]
fn each_fault_ends_in_its_own_error_over_tcp() {
    matrix(Over::Tcp);
}

/// The next state of `bench` other than `reading` that is announced.
fn next_state(client: &mut Client) -> String {
    loop {
        let meter = client.notice("meters.changed")["meter"].take();
        if meter["id"] == "bench" && meter["state"] != "reading" {
            return meter["state"].as_str().unwrap().to_owned();
        }
    }
}

/// What the log says of a meter that was opened and went away.
const GONE: [&str; 3] = ["meter_ready", "zero_due", "meter_gone"];

#[test]
fn an_idle_meter_that_is_unplugged_is_an_event_at_once_and_so_is_its_coming_back() {
    for (link, somebody_waits) in
        [(Over::PseudoTerminal, false), (Over::PseudoTerminal, true), (Over::Tcp, false)]
    {
        let (daemon, mut instrument) = over(link);
        let (mut client, mut observer) = (daemon.client(), daemon.client());
        client.call("meters.observe", &json!({}));
        if somebody_waits {
            // Between two readings that are far apart, the meter is as idle.
            observer.call("meter.observe", &json!({"meter": "bench", "interval_s": 600}));
            observer.notice("reading");
        }
        let start = Instant::now();
        instrument.order("close");
        assert_eq!(next_state(&mut client), "absent");
        assert!(start.elapsed() < Duration::from_secs(1), "{link:?}: gone after {:?}", start.elapsed());
        wait_until("it is in the log", || client.events("bench").starts_with(&GONE.map(str::to_owned)));
        // Nobody asks for anything from here on.
        instrument.order("open");
        let start = Instant::now();
        while next_state(&mut client) != "ready" {}
        assert!(start.elapsed() < Duration::from_secs(1), "{link:?}: back after {:?}", start.elapsed());
    }
}

#[test]
fn a_meter_that_has_been_away_for_long_is_opened_as_soon_as_it_is_plugged_in() {
    let mut daemon =
        Daemon::configured(&format!("[log]\npath = \"off\"\n{}port = \"port\"\n", meter("bench")));
    std::fs::write(daemon.path("quick.toml"), quick()).unwrap();
    // A file that is no port: it can be seen being tried.
    let port = daemon.path("port");
    std::fs::write(&port, "").unwrap();
    let seen = nix::sys::inotify::Inotify::init(nix::sys::inotify::InitFlags::empty()).unwrap();
    seen.add_watch(&port, nix::sys::inotify::AddWatchFlags::IN_OPEN).unwrap();
    daemon.launch();
    // Until the daemon has waited for so long that it would not look again for seconds.
    let mut last = Instant::now();
    loop {
        seen.read_events().unwrap();
        if last.elapsed() > Duration::from_secs(3) {
            break;
        }
        last = Instant::now();
    }
    let mut client = daemon.client();
    client.call("meters.observe", &json!({}));
    let start = Instant::now();
    let _instrument = Instrument::start(&port);
    while next_state(&mut client) != "ready" {}
    assert!(start.elapsed() < Duration::from_secs(1), "opened after {:?}", start.elapsed());
}

/// Processor time of a process, in s: user and system, in 1/100 s (proc(5), fields 14 and 15).
fn busy_s(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    [11, 12].iter().map(|at| fields[*at].parse::<f64>().unwrap()).sum::<f64>() / 100.0
}

#[test]
fn an_idle_meter_that_babbles_keeps_no_processor_busy_and_its_going_is_noticed() {
    for link in [Over::PseudoTerminal, Over::Tcp] {
        let (daemon, mut instrument) = over(link);
        let mut client = daemon.client();
        client.call("meters.observe", &json!({}));
        instrument.order("babble");
        let (busy, start) = (busy_s(daemon.pid()), Instant::now());
        for _ in 0..20 {
            client.call("meter.read", &json!({"meter": "other", "integration_s": 0.1}));
        }
        let share = (busy_s(daemon.pid()) - busy) / start.elapsed().as_secs_f64();
        assert!(share < 0.5, "{link:?}: {share} of a processor");
        client.notices.clear();
        instrument.order("close");
        let start = Instant::now();
        assert_eq!(next_state(&mut client), "absent");
        assert!(start.elapsed() < Duration::from_secs(2), "{link:?}: gone after {:?}", start.elapsed());
    }
}

#[test]
fn a_stopped_instrument_is_silent_within_a_deadline_and_good_once_it_goes_on() {
    for link in [Over::PseudoTerminal, Over::Tcp] {
        let (daemon, instrument) = over(link);
        let mut client = daemon.client();
        instrument.signal(Signal::SIGSTOP);
        let start = Instant::now();
        assert_eq!(client.refusal("meter.read", &json!({"meter": "bench"})), "meter_silent", "{link:?}");
        assert!(start.elapsed() < Duration::from_secs(2), "{link:?}: {:?}", start.elapsed());
        assert!(client.call("meter.read", &json!({"meter": "other"}))["luminance_cd_m2"].is_f64());
        // Whatever it was asked while it was stopped, it answers now.
        instrument.signal(Signal::SIGCONT);
        client.wait_for_state("bench", "ready");
        good(&mut client, "a stop");
    }
}

#[test]
fn two_equal_meters_that_are_swapped_are_refused_by_their_serial_numbers_until_they_are_back() {
    let mut daemon = Daemon::configured(&format!(
        "[log]\npath = \"log.sqlite\"\n{}port = \"port-a\"\nserial = \"0042\"\n{}port = \"port-b\"\nserial = \"0043\"\n",
        meter("a"),
        meter("b")
    ));
    std::fs::write(daemon.path("quick.toml"), quick()).unwrap();
    let mut instruments = ["port-a", "port-b"].map(|port| Instrument::start(&daemon.path(port)));
    instruments[1].order("serial 0043");
    daemon.launch();
    let mut client = daemon.client();
    let mut plug = |serials: [&str; 2], state: &str| {
        for (instrument, serial) in instruments.iter_mut().zip(serials) {
            instrument.order("close");
            instrument.order(&format!("serial {serial}"));
            instrument.order("open");
        }
        client.wait_for_state("a", state);
        client.wait_for_state("b", state);
    };
    plug(["0042", "0043"], "ready");
    plug(["0043", "0042"], "failed");
    let list = daemon.client().call("meters.list", &json!({}));
    for meter in list["meters"].as_array().unwrap() {
        let reason = meter["reason"].as_str().unwrap();
        assert!(reason.contains("\"0042\"") && reason.contains("\"0043\""), "{meter}");
    }
    assert_eq!(daemon.client().refusal("meter.read", &json!({"meter": "a"})), "meter_refused");
    plug(["0042", "0043"], "ready");
}

#[test]
fn where_no_serial_number_is_asked_for_another_instrument_is_an_event_and_warms_up_anew() {
    let folder =
        Daemon::configured(&format!("[log]\npath = \"log.sqlite\"\n{}port = \"port\"\n", meter("bench")));
    let mut daemon = folder;
    std::fs::write(daemon.path("quick.toml"), quick().replace("[line]", "warm_up = \"1h\"\n[line]")).unwrap();
    let mut instrument = Instrument::start(&daemon.path("port"));
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("bench", "warming");
    client.call("meter.read", &json!({"meter": "bench", "covered": true}));
    let elapsed_s = |client: &mut Client| {
        client.call("meters.list", &json!({}))["meters"][0]["warm_up"]["elapsed_s"].as_f64().unwrap()
    };
    for _ in 0..5 {
        client.call("meter.read", &json!({"meter": "bench"}));
    }
    let before_s = elapsed_s(&mut client);
    instrument.order("close");
    client.wait_for_state("bench", "absent");
    instrument.order("serial 0043");
    instrument.order("open");
    client.wait_for_state("bench", "warming");
    let after_s = elapsed_s(&mut client);
    assert!(after_s < before_s, "{after_s} s after {before_s} s");
    wait_until("it is in the log", || client.events("bench").iter().any(|kind| kind == "meter_replaced"));
    let events = client.call("log.events", &json!({"meter": "bench"}));
    let replaced: Vec<_> = events["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["kind"] == "meter_replaced")
        .collect();
    assert_eq!(replaced.len(), 1, "{events}");
    let detail = replaced[0]["detail"].as_str().unwrap();
    assert!(detail.contains("0042") && detail.contains("0043"), "{detail}");
    let words = String::from_utf8(daemon.run_settle(&["meters"]).stdout).unwrap();
    assert!(
        words.contains("serial 0043") && words.contains(&daemon.path("port").display().to_string()),
        "{words}"
    );
}
