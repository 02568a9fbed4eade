//! Old readings give way to bins while the daemon measures, and no kill makes it lose or double any.

use serde_json::json;

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};

/// A day passes in 0.9 s.
const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\nkeep = \"1 day\"\nthin_to = \"10 min\"\n[clock]\nspeed = 100000\n\
     [[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\nzero_at_start = false\n";

/// Readings that the log knows of, as they are and in bins, and those in bins.
fn counted(client: &mut Client) -> (u64, u64) {
    let (mut all, mut thinned, mut after) = (0, 0, json!({}));
    loop {
        let mut params = json!({"meter": "m", "every_s": 600});
        params.as_object_mut().unwrap().extend(after.as_object().unwrap().clone());
        let page = client.call("log.bins", &params);
        for bin in page["bins"].as_array().unwrap() {
            let count = bin["count"].as_u64().unwrap();
            all += count;
            thinned += if bin["thinned"] == true { count } else { 0 };
        }
        match page.get("next") {
            Some(next) => after = json!({"after": next}),
            None => return (all, thinned),
        }
    }
}

#[test]
fn thinning_goes_on_after_kills_and_loses_and_doubles_no_reading() {
    let mut daemon = Daemon::start(CONFIG);
    let mut acknowledged = 0;
    for life in 1..=3 {
        let mut client = daemon.client();
        client.wait_for_state("m", "ready");
        let before = counted(&mut client).1;
        wait_until("more is thinned", || {
            for _ in 0..50 {
                client.call("meter.read", &json!({"meter": "m"}));
                acknowledged += 1;
            }
            counted(&mut client).1 > before
        });
        // One is under way when it is killed.
        client.ask("meter.read", &json!({"meter": "m"}));
        daemon.kill();
        daemon.launch();
        let mut client = daemon.client();
        let (all, thinned) = counted(&mut client);
        assert!(
            (acknowledged..=acknowledged + 1).contains(&all),
            "{all} of {acknowledged} after kill {life}"
        );
        assert!(thinned > before);
        acknowledged = all;
    }
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let logged = client.logged().len() as u64;
    let (all, thinned) = counted(&mut client);
    assert!(thinned > 0 && logged + thinned >= all && logged < all, "{logged} {thinned} {all}");
    // The next round is told.
    wait_until("a round is told", || {
        client.call("meter.read", &json!({"meter": "m"}));
        let events = client.call("log.events", &json!({}))["events"].take();
        let told = events.as_array().unwrap().iter().find(|event| event["kind"] == "log_thinned").cloned();
        told.is_some_and(|told| {
            let detail = told["detail"].as_str().unwrap();
            assert!(
                detail.contains("readings from before") && detail.contains("new bins of 10m"),
                "{detail}"
            );
            true
        })
    });
}

#[test]
fn what_only_a_clock_that_is_years_ahead_calls_old_is_left_until_the_log_shows_it_too() {
    let mut daemon = Daemon::start(&CONFIG.replace("1 day", "10 days"));
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    for _ in 0..50 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    daemon.signal(nix::sys::signal::Signal::SIGTERM);
    daemon.ended();
    // As if they had been taken twenty years ago, by a clock that was right.
    let log = rusqlite::Connection::open(daemon.path("log.sqlite")).unwrap();
    log.execute_batch("UPDATE readings SET at_ns = at_ns - 20 * 365 * 86400000000000").unwrap();
    drop(log);
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let mut happened = Vec::new();
    wait_until("they are thinned all the same", || {
        client.call("meter.read", &json!({"meter": "m"}));
        happened = client.call("log.events", &json!({"after": 0}))["events"].as_array().unwrap().clone();
        happened.iter().any(|event| event["kind"] == "log_thinned")
    });
    let of = |kind: &str| happened.iter().find(|event| event["kind"] == kind).cloned();
    // UTC is believed for a tenth of ten days: nine have to pass.
    let days = of("log_thinned").unwrap()["t_s"].as_f64().unwrap() / 86_400.0;
    let told = of("thinning_held");
    assert!(days > 8.9 && told.is_some(), "thinned after {days} days, told {told:?}");
    let detail = told.unwrap()["detail"].as_str().unwrap().to_owned();
    assert!(
        detail.contains("are older than 10days by UTC") && detail.contains("are left as they are"),
        "{detail}"
    );
}

#[test]
fn keep_holds_without_a_restart() {
    let daemon = Daemon::start(&CONFIG.replace("keep = \"1 day\"\nthin_to = \"10 min\"\n", ""));
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    for _ in 0..50 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    std::fs::write(daemon.path("settled.toml"), CONFIG).unwrap();
    daemon.signal(nix::sys::signal::Signal::SIGHUP);
    wait_until("they are thinned", || counted(&mut client).1 >= 50);
}

#[test]
fn without_keep_nothing_is_thinned() {
    let daemon = Daemon::start(&CONFIG.replace("keep = \"1 day\"\nthin_to = \"10 min\"\n", ""));
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let first = client.call("meter.read", &json!({"meter": "m"}));
    let day_s = 86_400.0;
    wait_until("four days have passed", || {
        let last = client.call("meter.read", &json!({"meter": "m"}));
        last["t_s"].as_f64().unwrap() > first["t_s"].as_f64().unwrap() + 4.0 * day_s
    });
    assert_eq!(counted(&mut client).1, 0);
    assert_eq!(client.logged()[0], first);
}
