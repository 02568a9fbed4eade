//! SCHEMA.md's queries, typed into the stock sqlite3 shell while the daemon runs, say what the protocol says.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};

const PAGE: &str = include_str!("../../daemon/SCHEMA.md");

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 2000\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n\
     meter = \"spectrometer\"\ninstant = true\nzero_at_start = false\n";

/// The page's queries by the name that each begins with.
fn queries() -> BTreeMap<&'static str, &'static str> {
    let blocks = PAGE.split("```sql\n").skip(1).filter_map(|rest| rest.split("```").next());
    blocks.map(|block| (block.lines().next().unwrap().strip_prefix("-- ").unwrap(), block)).collect()
}

/// Types it into the shell, which opens the log as it says and waits for a lock as the page says.
fn sqlite(log: &Path, how: &str, typed: &str) -> Result<Vec<Value>, String> {
    let uri = format!("file:{}?{how}", log.display());
    let mut shell = Command::new("sqlite3");
    shell.args(["-batch", "-bail", "-json", "-cmd", ".timeout 5000", &uri]);
    let mut child =
        shell.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(format!("{typed};\n").as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned());
    }
    if output.stdout.is_empty() {
        return Ok(Vec::new());
    }
    Ok(serde_json::from_slice(&output.stdout).unwrap())
}

/// Whether they are the same, numbers to what the shell writes of them: 15 digits.
fn same(found: &Value, expected: &Value) -> bool {
    match (found.as_f64(), expected.as_f64()) {
        (Some(found), Some(expected)) => (found - expected).abs() <= 1e-12 * expected.abs().max(1e-3),
        _ => found == expected,
    }
}

#[track_caller]
fn assert_same(found: &[Value], expected: &[Value]) {
    assert_eq!(found.len(), expected.len(), "{found:?}\n{expected:?}");
    for (found, expected) in found.iter().zip(expected) {
        let (found, expected) = (found.as_object().unwrap(), expected.as_object().unwrap());
        assert_eq!(found.keys().collect::<BTreeSet<_>>(), expected.keys().collect::<BTreeSet<_>>());
        for (key, value) in expected {
            assert!(same(&found[key], value), "{key}: {} and {value}", found[key]);
        }
    }
}

/// Its flags with blanks between them, as a column has them.
fn flags(of: &Value) -> String {
    of["flags"].as_array().unwrap().iter().map(|flag| flag.as_str().unwrap()).collect::<Vec<_>>().join(" ")
}

fn columns(of: &Value, names: &[&str]) -> Value {
    names.iter().map(|name| ((*name).to_owned(), of[*name].clone())).collect::<serde_json::Map<_, _>>().into()
}

/// The row of a reading's spectrum.
fn spectral(reading: &Value) -> Value {
    let spectrum = &reading["spectrum"];
    let values: Vec<f64> =
        spectrum["values"].as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect();
    let hex: String =
        values.iter().flat_map(|value| value.to_le_bytes()).map(|byte| format!("{byte:02X}")).collect();
    json!({
        "sequence": reading["sequence"], "start_nm": spectrum["start_nm"], "step_nm": spectrum["step_nm"],
        "count": values.len(), "f64_le": hex,
    })
}

/// What the protocol says to each query.
fn expected(client: &mut Client, name: &str, run: &Value, of_run: &[u64]) -> Vec<Value> {
    let logged = client.logged();
    match name {
        "latest readings" => {
            let row = |reading: &Value| {
                let colour = &reading["chromaticity"];
                json!({
                    "sequence": reading["sequence"], "at": reading["at"], "value": reading["luminance_cd_m2"], "x": colour["x"],
                    "y": colour["y"], "u_prime": colour["u_prime"], "v_prime": colour["v_prime"],
                    "temperature_c": reading["temperature_c"], "flags": flags(reading),
                })
            };
            logged.iter().rev().take(10).map(row).collect()
        }
        "hours" => {
            let page = client.call("log.bins", &json!({"meter": "bench", "every_s": 3600}));
            let row = |bin: &Value| {
                let hour = format!("{}Z", bin["at"].as_str().unwrap().split_once('.').unwrap().0);
                json!({"hour": hour, "readings": bin["count"], "mean": bin["mean"], "min": bin["min"], "max": bin["max"]})
            };
            page["bins"].as_array().unwrap().iter().map(row).collect()
        }
        "readings of a run" => {
            let page = client.call("log.readings", &json!({"run": 1}))["readings"].take();
            let readings = page.as_array().unwrap();
            assert!(
                readings
                    .iter()
                    .map(|reading| reading["sequence"].as_u64().unwrap())
                    .eq(of_run.iter().copied())
            );
            let row = |reading: &Value| json!({"sequence": reading["sequence"], "at": reading["at"], "value": reading["luminance_cd_m2"]});
            readings.iter().map(row).collect()
        }
        "a spectrum" => {
            let page = client.call("log.readings", &json!({"spectra": true, "limit": 1}));
            vec![spectral(&page["readings"][0])]
        }
        "events of a meter" => {
            let page = client.call("log.events", &json!({"meter": "bench"}));
            page["events"]
                .as_array()
                .unwrap()
                .iter()
                .map(|event| columns(event, &["sequence", "at", "kind", "detail"]))
                .collect()
        }
        "runs" => {
            let mut row = columns(run, &["run", "state", "verdict", "begins", "ends", "message"]);
            for name in ["meter", "label", "interval_s"] {
                row[name] = run["plan"][name].clone();
            }
            vec![row]
        }
        "thinned" => Vec::new(),
        unknown => panic!("what should {unknown:?} say?"),
    }
}

/// A run as `runs.show` gives it.
fn run() -> Value {
    json!({
        "run": 1, "plan": {"meter": "bench", "kind": "drift", "label": "returned batch", "interval_s": 60.0}, "state": "done",
        "created": "2026-11-25T17:59:00.000000000Z", "begins": "2026-11-25T18:00:00.000000000Z",
        "ends": "2026-11-26T06:00:00.000000000Z", "elapsed_s": 43200.0, "points": 3, "readings": 3, "missed": 0, "gaps": 0, "gap_s": 0.0,
        "alerts": 0, "flags": ["simulated"], "verdict": "within", "message": "it's within its bands",
    })
}

#[test]
fn the_schema_pages_queries_say_in_the_stock_shell_what_the_protocol_says() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    client.call("meter.read", &json!({"meter": "bench"}));
    daemon.signal(Signal::SIGTERM);
    assert!(daemon.ended().success());
    // A run and its readings, as the daemon writes them down.
    let (run, of_run) = (run(), [1]);
    let typed: settled_protocol::run::Run = serde_json::from_value(run.clone()).unwrap();
    let document = serde_json::to_string(&typed).unwrap().replace('\'', "''");
    let log = daemon.path("log.sqlite");
    sqlite(
        &log,
        "mode=rw",
        &format!(
            "INSERT INTO runs (run, meter, state, document) VALUES (1, 1, 'done', '{document}');
         INSERT INTO run_readings SELECT 1, sequence, at_ns FROM readings;"
        ),
    )
    .unwrap();
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    // Over two hours at least, some of them in the dark.
    let hours = |client: &mut Client| {
        client.call("log.bins", &json!({"meter": "bench", "every_s": 3600}))["bins"].as_array().unwrap().len()
    };
    wait_until("two hours have passed", || {
        client.call("meter.read", &json!({"meter": "bench"}));
        hours(&mut client) >= 3
    });
    let queries = queries();
    assert_eq!(queries.len(), PAGE.matches("```sql").count(), "each has a name of its own");
    for (name, query) in &queries {
        let found = sqlite(&log, "mode=ro", query).unwrap_or_else(|error| panic!("{name}: {error}"));
        let expected = expected(&mut client, name, &run, &of_run);
        assert!(*name == "thinned" || !expected.is_empty(), "{name}");
        assert_same(&found, &expected);
    }
    let refused = sqlite(&log, "mode=ro", "DELETE FROM readings").unwrap_err();
    assert!(refused.contains("readonly"), "{refused}");
}

#[test]
fn every_column_of_every_view_is_documented_and_nothing_else() {
    let daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("bench", "ready");
    let log = daemon.path("log.sqlite");
    let views =
        sqlite(&log, "mode=ro", "SELECT name FROM sqlite_schema WHERE type = 'view' ORDER BY name").unwrap();
    let views: Vec<&str> = views.iter().map(|row| row["name"].as_str().unwrap()).collect();
    assert_eq!(
        views,
        ["log_bins", "log_events", "log_readings", "log_run_readings", "log_runs", "log_spectra"]
    );
    for view in views {
        let table =
            sqlite(&log, "mode=ro", &format!("SELECT name FROM pragma_table_info('{view}')")).unwrap();
        let columns: BTreeSet<&str> = table.iter().map(|row| row["name"].as_str().unwrap()).collect();
        let documented: BTreeSet<&str> = match PAGE.split(&format!("## {view}\n")).nth(1) {
            Some(section) => {
                let rows =
                    section.split("\n## ").next().unwrap().lines().filter(|line| line.starts_with("| `"));
                let cells = rows.filter_map(|line| line.split('|').nth(1));
                cells.flat_map(|cell| cell.split('`').skip(1).step_by(2)).collect()
            }
            None => {
                let line = PAGE.lines().find(|line| line.starts_with(&format!("`{view}` ("))).unwrap();
                line.split_once('(')
                    .unwrap()
                    .1
                    .split_once(')')
                    .unwrap()
                    .0
                    .split('`')
                    .skip(1)
                    .step_by(2)
                    .collect()
            }
        };
        assert_eq!(columns, documented, "{view}");
    }
}
