//! The metrics page: what it says, who reads it, and who can't spoil it. Prometheus, its promtool and its client for Python read it as
//! checks that aren't ours.

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::outside::python;
use crate::page::free_port;
use crate::support::client::Client;
use crate::support::daemon::{Daemon, PATIENCE, wait_until};

mod scraped;

const BENCH: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 2]\nautomatic_s = 0.05\nzero_at_start = false\n";

/// What a Prometheus of today asks for.
const OPEN: &str = "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5,*/*;q=0.1";

/// A daemon whose page is on the loopback, and where.
fn on_loopback() -> (Daemon, String) {
    let daemon = Daemon::start(&format!("{BENCH}[metrics]\nlisten = \"127.0.0.1:0\"\n"));
    let mut address = None;
    wait_until("the trace says where the page is", || {
        let trace = daemon.trace();
        let rest = trace.split("metrics address=").nth(1).and_then(|rest| rest.split_once('\n'));
        address = rest.map(|(address, _)| address.trim().to_owned());
        address.is_some()
    });
    let address = address.unwrap();
    daemon.client().wait_for_state("bench", "ready");
    (daemon, address)
}

/// Everything that comes until the other end closes.
fn exchanged(mut stream: impl Read + Write, request: &str) -> String {
    // Who is cut off may be so while still writing.
    let _written = stream.write_all(request.as_bytes()).is_ok();
    let mut answer = Vec::new();
    let _read = stream.read_to_end(&mut answer).is_ok();
    String::from_utf8(answer).unwrap()
}

fn connect(address: &str) -> TcpStream {
    let stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream
}

fn get(address: &str, path: &str, headers: &str) -> String {
    exchanged(connect(address), &format!("GET {path} HTTP/1.1\r\n{headers}\r\n"))
}

/// The body of a good answer, and its type.
fn page(address: &str, accept: &str) -> (String, String) {
    let answer = get(address, "/metrics", &format!("Host: localhost\r\nAccept: {accept}\r\n"));
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or_else(|| panic!("{answer}"));
    assert!(head.starts_with("HTTP/1.1 200 OK\r\n"), "{head}");
    let kind = head.lines().find_map(|line| line.strip_prefix("content-type: ")).unwrap();
    (body.to_owned(), kind.to_owned())
}

/// The value of a sample.
fn value(page: &str, sample: &str) -> f64 {
    let found = page.lines().find_map(|line| line.strip_prefix(sample)?.strip_prefix(' '));
    found.unwrap_or_else(|| panic!("{sample} isn't in\n{page}")).parse().unwrap()
}

fn fed(command: &mut Command, input: &str) -> Output {
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    child.wait_with_output().unwrap()
}

fn packaging(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../daemon/packaging")).join(name)
}

/// The names of all samples that there may be, as a query names them.
fn names(page: &str) -> BTreeSet<String> {
    let types = page.lines().filter_map(|line| line.strip_prefix("# TYPE ")?.split_once(' '));
    types
        .map(|(name, kind)| match kind {
            "counter" => format!("{name}_total"),
            "info" => format!("{name}_info"),
            _ => name.to_owned(),
        })
        .collect()
}

/// The names of our families in some text.
fn named(text: &str) -> BTreeSet<String> {
    let words = text.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_'));
    words
        .filter(|word| word.starts_with("settled_") || word.starts_with("process_"))
        .map(str::to_owned)
        .collect()
}

/// The exposures of the bench once what was under way has come to its end.
fn exposures_at_rest(client: &mut Client) -> u64 {
    let mut exposures = client.exposures("bench");
    wait_until("what was being exposed as the wait ended has come to its end", || {
        std::thread::park_timeout(std::time::Duration::from_millis(300));
        let before = std::mem::replace(&mut exposures, client.exposures("bench"));
        before == exposures
    });
    exposures
}

#[test]
fn the_page_says_what_clients_are_told_and_costs_no_exposure() {
    let (daemon, address) = on_loopback();
    let mut client = daemon.client();
    let (before, _) = page(&address, OPEN);
    assert!(
        !before.contains("settled_reading_luminance_cd_m2{"),
        "nothing was measured yet: it isn't there, not 0"
    );
    assert!(value(&before, "settled_events_total{kind=\"meter_ready\"}") >= 1.0);
    let reading = client.call("meter.read", &json!({"meter": "bench"}));
    let settled = client.call(
        "meter.settle",
        &json!({"meter": "bench", "criteria": {"max_wait_s": 1.0, "hold_s": 1.0, "min_wait_s": 1.0}}),
    );
    assert_eq!(settled["verdict"], "timed_out", "{settled}");
    let subscription = client.call("meter.observe", &json!({"meter": "bench"}));
    let exposures = exposures_at_rest(&mut client);
    let (first, kind) = page(&address, OPEN);
    assert_eq!(kind, "application/openmetrics-text; version=1.0.0; charset=utf-8");
    for _ in 0..20 {
        page(&address, OPEN);
    }
    assert_eq!(client.exposures("bench"), exposures, "looking causes none");
    let told = client.call("daemon.status", &json!({}));
    let light = "{meter=\"bench\",simulated=\"true\",replayed=\"false\"}";
    let last = client.logged().pop().unwrap();
    assert!(last["sequence"].as_u64() > reading["sequence"].as_u64());
    for (sample, expected) in [
        (format!("settled_reading_luminance_cd_m2{light}"), last["luminance_cd_m2"].as_f64()),
        (format!("settled_reading_u_prime{light}"), last["chromaticity"]["u_prime"].as_f64()),
        (format!("settled_reading_v_prime{light}"), last["chromaticity"]["v_prime"].as_f64()),
        (
            "settled_meter_exposures_total{meter=\"bench\"}".to_owned(),
            told["meters"][0]["exposures"].as_f64(),
        ),
        ("settled_log_last_sequence".to_owned(), last["sequence"].as_f64()),
        ("settled_log_size_bytes".to_owned(), told["log"]["bytes"].as_f64()),
        ("settled_meter_verdicts_total{meter=\"bench\",verdict=\"timed_out\"}".to_owned(), Some(1.0)),
        ("settled_meter_verdicts_total{meter=\"bench\",verdict=\"settled\"}".to_owned(), Some(0.0)),
        ("settled_clients".to_owned(), Some(1.0)),
        ("settled_subscriptions".to_owned(), Some(1.0)),
        ("settled_log_writing".to_owned(), Some(1.0)),
        ("settled_meter_state{meter=\"bench\",state=\"absent\"}".to_owned(), Some(0.0)),
    ] {
        assert_eq!(Some(value(&first, &sample)), expected, "{sample}");
    }
    assert!(first.contains("settled_meter_info{meter=\"bench\",driver=\"simulated\","), "{first}");
    for (sample, least, most) in [
        (format!("settled_reading_age_seconds{light}"), 0.0, 20.0),
        ("process_resident_memory_bytes".to_owned(), 1e6, 1e9),
        ("process_cpu_seconds_total".to_owned(), 1e-3, 1e3),
        ("process_open_fds".to_owned(), 5.0, 100.0),
        ("settled_uptime_seconds".to_owned(), 1.0, 60.0),
    ] {
        let found = value(&first, &sample);
        assert!((least..=most).contains(&found), "{sample} {found}");
    }
    client.call("subscription.cancel", &json!({"subscription": subscription["subscription"]}));
    wait_until("it is gone from the page", || value(&page(&address, OPEN).0, "settled_subscriptions") == 0.0);
}

#[test]
fn a_run_is_on_the_page_for_as_long_as_it_is_not_over() {
    let (daemon, address) = on_loopback();
    let mut client = daemon.client();
    let plan = json!({"meter": "bench", "kind": "drift", "label": "night \"one\"", "interval_s": 0.1});
    let run = client.call("runs.start", &plan)["run"].as_u64().unwrap();
    let of = format!("run=\"{run}\",meter=\"bench\"");
    wait_until("it has points", || {
        page(&address, OPEN).0.contains(&of)
            && value(&page(&address, OPEN).0, &format!("settled_run_points_total{{{of}}}")) >= 2.0
    });
    let (text, _) = page(&address, OPEN);
    let told =
        format!("settled_run_info{{{of},kind=\"drift\",state=\"running\",label=\"night \\\"one\\\"\"}} 1\n");
    assert!(text.contains(&told), "{told} in\n{text}");
    for (sample, expected) in [
        ("settled_runs{state=\"running\"}".to_owned(), 1.0),
        (format!("settled_run_interval_seconds{{{of}}}"), 0.1),
        (format!("settled_run_alert_standing{{{of},alert=\"meter_lost\"}}"), 0.0),
        ("settled_events_total{kind=\"run_started\"}".to_owned(), 1.0),
    ] {
        assert_eq!(value(&text, &sample), expected, "{sample}");
    }
    client.call("runs.stop", &json!({"run": run}));
    wait_until("it has left the page", || !page(&address, OPEN).0.contains(&of));
    assert_eq!(value(&page(&address, OPEN).0, "settled_runs{state=\"running\"}"), 0.0);
}

#[test]
fn what_a_slow_client_misses_is_counted() {
    let config = BENCH.replace("automatic_s = 0.05", "automatic_s = 0.02");
    let daemon = Daemon::start(&format!(
        "{config}[limits]\nwaiting_notifications = 16\n[metrics]\nlisten = \"unix:metrics\"\n"
    ));
    daemon.client().wait_for_state("bench", "ready");
    let mut slow = daemon.client();
    for _ in 0..32 {
        slow.call("meter.observe", &json!({"meter": "bench", "interval_s": 0}));
    }
    // It reads nothing: what its socket doesn't take waits, and then gives way.
    wait_until("some are missed", || {
        let stream = UnixStream::connect(daemon.path("metrics")).unwrap();
        let answer = exchanged(stream, "GET /metrics HTTP/1.1\r\nHost: any.name.at.all\r\n\r\n");
        value(answer.split_once("\r\n\r\n").unwrap().1, "settled_notifications_missed_total") > 0.0
    });
}

#[test]
fn prometheus_own_linter_and_a_strict_parser_find_nothing_wrong_with_the_page() {
    let (daemon, address) = on_loopback();
    daemon.client().call("meter.read", &json!({"meter": "bench"}));
    let (text, kind) = page(&address, "text/plain;version=0.0.4");
    assert_eq!(kind, "text/plain; version=0.0.4; charset=utf-8");
    let lint = fed(Command::new("promtool").args(["check", "metrics"]), &text);
    let said = String::from_utf8([lint.stdout, lint.stderr].concat()).unwrap();
    assert!(lint.status.success() && said.is_empty(), "{said}");
    // OpenMetrics, by the rules of its specification, as its authors' client for Python has them.
    let parse = "import sys\nfrom prometheus_client.openmetrics.parser import text_string_to_metric_families as parse\nfor family in parse(sys.stdin.read()): print(family.name, family.type, family.unit, len(family.samples))\n";
    let (open, _) = page(&address, OPEN);
    let parsed = fed(Command::new(python()).args(["-c", parse]), &open);
    let families = String::from_utf8(parsed.stdout).unwrap();
    assert!(parsed.status.success(), "{}", String::from_utf8_lossy(&parsed.stderr));
    assert_eq!(families.lines().count(), names(&open).len());
    assert!(families.contains("settled_reading_luminance_cd_m2 gauge cd_m2 1\n"), "{families}");
    // The strict parser is one: a page without its end is none.
    let torn = fed(Command::new(python()).args(["-c", parse]), open.trim_end_matches("# EOF\n"));
    assert!(!torn.status.success());
}

#[test]
fn every_alert_rule_is_right_and_does_what_its_test_says() {
    for arguments in [["check", "rules", "alerts.yml"], ["test", "rules", "alerts-test.yml"]] {
        let output = Command::new("promtool").args(arguments).current_dir(packaging("")).output().unwrap();
        let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        assert!(output.status.success() && said.contains("SUCCESS"), "{said}");
    }
    let rules = std::fs::read_to_string(packaging("alerts.yml")).unwrap();
    let tests = std::fs::read_to_string(packaging("alerts-test.yml")).unwrap();
    let alerts: Vec<&str> = rules.lines().filter_map(|line| line.trim().strip_prefix("- alert: ")).collect();
    assert_eq!(alerts.len(), 8);
    for alert in alerts {
        for verdict in [format!("- alertname: {alert}\n"), format!("{{alertname: {alert}, ")] {
            assert!(tests.contains(&verdict), "{alert} has no test that it fires, or none that it doesn't");
        }
    }
}

#[test]
fn rules_dashboard_and_guide_name_what_is_on_the_page_and_the_guide_all_of_it() {
    let (_daemon, address) = on_loopback();
    let there = names(&page(&address, OPEN).0);
    let dashboard = std::fs::read_to_string(packaging("dashboard.json")).unwrap();
    let board: Value = serde_json::from_str(&dashboard).unwrap();
    let panels = board["panels"].as_array().unwrap();
    let queries: Vec<&str> = panels
        .iter()
        .flat_map(|panel| panel["targets"].as_array().into_iter().flatten())
        .map(|target| target["expr"].as_str().unwrap())
        .collect();
    assert!(queries.len() > 30);
    let ids: BTreeSet<u64> = panels.iter().map(|panel| panel["id"].as_u64().unwrap()).collect();
    assert_eq!(ids.len(), panels.len(), "each panel has an id of its own");
    let rules = std::fs::read_to_string(packaging("alerts.yml")).unwrap();
    for (what, text) in [("dashboard", queries.join("\n")), ("rules", rules)] {
        for name in named(&text) {
            assert!(there.contains(&name), "the {what} name {name}, which isn't on the page");
        }
    }
    let guide = include_str!("../../daemon/METRICS.md");
    let table: BTreeSet<String> = guide
        .lines()
        .filter_map(|line| Some(line.strip_prefix("| `")?.split('`').next()?.to_owned()))
        .filter(|name| !name.starts_with("Settled"))
        .collect();
    assert_eq!(table, there);
    // Prometheus itself takes every query, once the dashboard's variables stand for something.
    let rules = queries.iter().enumerate().map(|(index, query)| {
        let query = query.replace("$__rate_interval", "1m").replace("$__range", "1h");
        format!("  - {{record: \"query:{index}\", expr: {}}}\n", json!(query))
    });
    let rules = format!("groups:\n- name: queries\n  rules:\n{}", rules.collect::<String>());
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("queries.yml"), rules).unwrap();
    let checked = Command::new("promtool")
        .args(["check", "rules", "queries.yml"])
        .current_dir(&folder)
        .output()
        .unwrap();
    let said = String::from_utf8([checked.stdout, checked.stderr].concat()).unwrap();
    assert!(checked.status.success() && said.contains(&format!("{} rules found", queries.len())), "{said}");
}

#[test]
fn whoever_is_slow_or_led_here_by_a_name_gets_nothing_and_others_their_page() {
    let (daemon, address) = on_loopback();
    for (request, expected) in [
        ("GET /metrics HTTP/1.1\r\nHost: example.org\r\n\r\n", "HTTP/1.1 403 "),
        ("GET /metrics HTTP/1.1\r\nHost: localhost\r\nHost: example.org\r\n\r\n", "HTTP/1.1 403 "),
        ("GET http://example.org/metrics HTTP/1.1\r\nHost: localhost\r\n\r\n", "HTTP/1.1 403 "),
        ("GET /metrics HTTP/1.1\r\n\r\n", "HTTP/1.1 403 "),
        ("GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", "HTTP/1.1 404 "),
        ("POST /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 0\r\n\r\n", "HTTP/1.1 405 "),
        ("GET /metrics HTTP/1.1\r\nHost: [::1]:9750\r\n\r\n", "HTTP/1.1 200 "),
        ("nonsense\r\n\r\n", "HTTP/1.1 400 "),
    ] {
        let answer = exchanged(connect(&address), request);
        assert!(answer.starts_with(expected), "{request}: {answer}");
        assert_eq!(answer.contains("settled_"), expected.contains("200"), "{request}: {answer}");
    }
    let many = format!("Host: localhost\r\nX-Long: {}\r\n", "x".repeat(1 << 20));
    let answer = get(&address, "/metrics", &many);
    assert!(!answer.contains("settled_"), "{answer}");
    // Who says nothing gives way as soon as too many are there.
    let mut idle: Vec<TcpStream> = (0..40).map(|_| connect(&address)).collect();
    let (text, _) = page(&address, OPEN);
    assert!(text.contains("settled_build_info"));
    let mut byte = [0];
    assert_eq!(idle[0].read(&mut byte).unwrap_or(0), 0, "the first of them was cut off");
    // Files of those who are still there, and of the daemon itself.
    assert!(value(&text, "process_open_fds") < 40.0, "{text}");
    // And the last of them once it has been there for too long.
    assert_eq!(idle[39].read(&mut byte).unwrap_or(0), 0);
    assert_eq!(daemon.client().call("daemon.status", &json!({}))["log"]["writing"], json!(true));
}

#[test]
fn a_daemon_whose_address_is_taken_measures_all_the_same_says_so_and_has_its_page_once_it_is_free() {
    let address = format!("127.0.0.1:{}", free_port());
    let other = TcpListener::bind(&address).unwrap();
    let daemon = Daemon::start(&format!("{BENCH}[metrics]\nlisten = \"{address}\"\n"));
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    client.call("meter.read", &json!({"meter": "bench"}));
    let said = daemon.trace();
    assert!(
        said.contains(&format!("without the metrics: the metrics' address {address}:"))
            && said.contains("choose another")
            && said.contains("tried again every 5 s"),
        "{said}"
    );
    drop(other);
    wait_until("the trace says where the page is", || daemon.trace().contains("metrics address="));
    let (text, _) = page(&address, OPEN);
    assert_eq!(value(&text, "settled_meter_exposures_total{meter=\"bench\"}"), 1.0);
}
