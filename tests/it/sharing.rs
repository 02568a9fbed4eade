//! One meter, many programs.

use serde_json::{Value, json};

use crate::settled::on_the_bench;
use crate::support::client::Client;
use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n\
    integration_s = [0.02, 2]\nautomatic_s = 0.05\ncold = [0, 0]\ncold_white = [0, 0]\nsag = 0\n";

#[test]
fn ten_clients_that_settle_cost_the_exposures_of_one() {
    let daemon = Daemon::start(CONFIG);
    let mut clients: Vec<Client> = (0..10).map(|_| daemon.client()).collect();
    clients[0].wait_for_state("m", "ready");
    let before = clients[0].exposures("m");
    let params = json!({"meter": "m", "criteria": {"hold_s": 2, "min_wait_s": 2}});
    let ids: Vec<u64> = clients.iter_mut().map(|client| client.ask("meter.settle", &params)).collect();
    let answers: Vec<Value> = clients.iter_mut().zip(ids).map(|(client, id)| client.answer(id)).collect();
    let exposures = clients[0].exposures("m") - before;
    let counts: Vec<u64> = answers
        .iter()
        .map(|answer| {
            assert_eq!(answer["result"]["verdict"], "settled", "{answer}");
            answer["result"]["readings"]["count"].as_u64().unwrap()
        })
        .collect();
    let most = *counts.iter().max().unwrap();
    assert!(counts.iter().all(|count| *count >= 20), "{counts:?}");
    assert!(exposures <= most + 5, "{exposures} exposures for {counts:?} readings");
}

#[test]
fn equal_requests_that_wait_share_an_exposure() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let before = client.exposures("m");
    // The first takes a while; those behind it wait, and share what comes next.
    let long = client.ask("meter.read", &json!({"meter": "m", "integration_s": 1.0}));
    let ids: Vec<u64> =
        (0..20).map(|_| client.ask("meter.read", &json!({"meter": "m", "integration_s": 0.1}))).collect();
    client.answer(long);
    let sequences: Vec<Value> =
        ids.into_iter().map(|id| client.answer(id)["result"]["sequence"].clone()).collect();
    assert!(sequences.windows(2).all(|pair| pair[0] == pair[1]), "{sequences:?}");
    assert_eq!(client.exposures("m") - before, 2);
}

#[test]
fn unlike_integration_times_take_turns_and_get_what_they_asked_for() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let ids: Vec<(f64, u64)> = [0.1, 0.2, 0.05, 0.1, 0.2]
        .into_iter()
        .map(|integration_s| {
            (integration_s, client.ask("meter.read", &json!({"meter": "m", "integration_s": integration_s})))
        })
        .collect();
    for (integration_s, id) in ids {
        assert_eq!(client.answer(id)["result"]["integration_s"], integration_s);
    }
}

#[test]
fn an_integration_time_that_the_meter_does_not_have_is_refused_at_once_and_is_no_fault_of_it() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    for method in ["meter.read", "meter.settle", "meter.observe"] {
        let id = client.ask(method, &json!({"meter": "m", "integration_s": 3000, "interval_s": 1}));
        let error = client.answer(id)["error"].clone();
        assert_eq!(error["data"], json!({"kind": "unsupported", "meter": "m"}), "{method}: {error}");
        assert!(error["message"].as_str().unwrap().contains("from 0.02 to 2 s"), "{method}: {error}");
    }
    assert_eq!(client.exposures("m"), 0);
    assert_eq!(client.call("meters.list", &json!({}))["meters"][0]["faults"], 0);
    // A reading that has been given out is in the log, and so is every event from before it.
    client.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(client.events("m"), ["meter_ready"]);
}

#[test]
fn a_reading_that_is_recent_enough_costs_no_exposure() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let first = client.call("meter.read", &json!({"meter": "m"}));
    let before = client.exposures("m");
    let again = client.call("meter.read", &json!({"meter": "m", "max_age_s": 600}));
    assert_eq!(first["sequence"], again["sequence"]);
    assert_eq!(client.exposures("m"), before);
    let fresh = client.call("meter.read", &json!({"meter": "m", "max_age_s": 0}));
    assert_ne!(first["sequence"], fresh["sequence"]);
}

#[test]
fn ten_clients_that_settle_share_what_one_of_them_has_lengthened_against_noise() {
    let (daemon, mut instrument) = on_the_bench();
    instrument.light(0.05, 0.0, 1.0, 0.0025, 3);
    let mut clients: Vec<Client> = (0..10).map(|_| daemon.client()).collect();
    let before = clients[0].exposures("bench");
    let params = json!({"meter": "bench", "criteria": {"hold_s": 4, "max_wait_s": 60}});
    let ids: Vec<u64> = clients.iter_mut().map(|client| client.ask("meter.settle", &params)).collect();
    let answers: Vec<Value> = clients.iter_mut().zip(ids).map(|(client, id)| client.answer(id)).collect();
    let exposures = clients[0].exposures("bench") - before;
    let counts: Vec<u64> = answers
        .iter()
        .map(|answer| {
            assert_eq!(answer["result"]["verdict"], "settled", "{answer}");
            assert!(
                answer["result"]["message"].as_str().unwrap().contains("lengthened to 0.25 s"),
                "{answer}"
            );
            answer["result"]["readings"]["count"].as_u64().unwrap()
        })
        .collect();
    let most = *counts.iter().max().unwrap();
    assert!(exposures <= most + 5, "{exposures} exposures for {counts:?} readings");
}

#[test]
fn a_flood_of_unlike_requests_from_one_connection_holds_up_nobody_else() {
    let daemon = Daemon::start(CONFIG);
    let (mut flooder, mut client) = (daemon.client(), daemon.client());
    client.wait_for_state("m", "ready");
    for milliseconds in 30..90 {
        let integration_s = f64::from(milliseconds) / 1e3;
        flooder.ask("meter.read", &json!({"meter": "m", "integration_s": integration_s}));
    }
    let before = client.exposures("m");
    for _ in 0..10 {
        client.call("meter.read", &json!({"meter": "m", "integration_s": 0.02}));
    }
    // What is going on as it asks, one turn of the other, and its own.
    let made = client.exposures("m") - before;
    assert!((15..=30).contains(&made), "{made} exposures for 10 readings");
}

#[test]
fn a_verdict_leaves_no_exposure_behind_that_nobody_asked_for() {
    let config = CONFIG.replace("path = \"log.sqlite\"", "path = \"log.sqlite\"\nsurvives = \"crash\"");
    let daemon = Daemon::start(&config);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let criteria = json!({"luminance": 0.2, "chromaticity": 0.02, "hold_s": 1});
    let params = json!({"meter": "m", "integration_s": 0.2, "criteria": criteria});
    let mut alone = 0;
    for _ in 0..6 {
        let settled = client.call("meter.settle", &params);
        assert_eq!(settled["verdict"], "settled", "{settled}");
        let next = client.call("meter.read", &json!({"meter": "m", "integration_s": 0.2}));
        let apart = next["sequence"].as_u64().unwrap() - settled["readings"]["last"].as_u64().unwrap();
        alone += u32::from(apart == 1);
    }
    // A machine that is slow may let some go on; a meter that always goes on leaves none alone.
    assert!(alone >= 2, "{alone} of 6");
}
