//! A settled reading from a serial line, against a truth that the test knows.

use serde_json::{Value, json};

use crate::support::daemon::Daemon;
use crate::support::instrument::Instrument;

/// A daemon whose only meter is the instrument behind `port`.
pub(crate) fn on_the_bench() -> (Daemon, Instrument) {
    on_the_bench_with(|profile| profile)
}

/// The same, with its profile as `edit` leaves it.
pub(crate) fn on_the_bench_with(edit: impl FnOnce(String) -> String) -> (Daemon, Instrument) {
    let mut daemon = Daemon::configured(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nport = \"port\"\n",
    );
    // The shipped profile, without the ten minutes that the meter needs to warm up, without need of zeroing, and with deadlines
    // that suit a test.
    let shipped = settled_drivers::profile::shipped::text("lab-tristimulus".as_ref()).unwrap();
    let quick = shipped.replace("warm_up = \"10min\"", "").replace("every = \"8h\"\n", "");
    let quick = quick.replace("timeout = \"1s\"", "timeout = \"400ms\"");
    std::fs::write(daemon.path("quick.toml"), edit(quick)).unwrap();
    let instrument = Instrument::start(&daemon.path("port"));
    daemon.launch();
    daemon.client().wait_for_state("bench", "ready");
    (daemon, instrument)
}

/// Y(t) = limit + amplitude·exp(−t/tau).
struct Truth {
    limit: f64,
    amplitude: f64,
    tau_s: f64,
    since_s: f64,
}

impl Truth {
    fn at(&self, t_s: f64) -> f64 {
        self.limit + self.amplitude * (-(t_s - self.since_s) / self.tau_s).exp()
    }

    /// The largest change over the next `hold_s`, in bands of `share` of the value.
    fn excursion(&self, t_s: f64, hold_s: f64, share: f64) -> f64 {
        (self.at(t_s + hold_s) - self.at(t_s)).abs() / (share * self.at(t_s))
    }
}

#[test]
fn a_settled_reading_contains_the_truth_and_comes_no_sooner_than_the_truth_allows() {
    let (daemon, mut instrument) = on_the_bench();
    // Rising and falling towards the limit, with unlike noise; the hold is short, so that the test is.
    for (seed, amplitude, tau_s, sigma) in
        [(11, -12.0, 1.5, 0.05), (12, 8.0, 2.0, 0.1), (13, -20.0, 1.0, 0.2), (14, 5.0, 2.5, 0.05)]
    {
        let since_s = instrument.light(150.0, amplitude, tau_s, sigma, seed);
        let truth = Truth { limit: 150.0, amplitude, tau_s, since_s };
        let output =
            daemon.run_settle(&["--json", "read", "bench", "--settled", "--hold", "2s", "--max-wait", "60s"]);
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        let settled: Value = serde_json::from_slice(&output.stdout).unwrap();
        let last = settled["readings"]["last"].as_u64().unwrap();
        let page = daemon.client().call("log.readings", &json!({"after": last - 1, "limit": 1}));
        let t_s = page["readings"][0]["t_s"].as_f64().unwrap();
        let (y, u95) = (settled["value"]["y"].as_f64().unwrap(), settled["value"]["y_u95"].as_f64().unwrap());
        assert!(
            (y - truth.at(t_s)).abs() <= u95,
            "{y} ± {u95} does not contain {}: {settled}",
            truth.at(t_s)
        );
        assert!(u95 <= 0.005 * y, "{u95} is wider than the band");
        let excursion = truth.excursion(t_s, 2.0, 0.005);
        assert!(excursion <= 1.0, "called settled {excursion} bands before it was");
        assert!(settled["message"].as_str().unwrap().starts_with("Settled: "));
    }
}

#[test]
fn a_light_that_keeps_moving_ends_with_status_3_and_says_how_it_moves() {
    let (daemon, mut instrument) = on_the_bench();
    // Some five bands a hold for as long as anybody waits.
    instrument.light(0.0, 150.0, 80.0, 0.05, 5);
    let output = daemon.run_settle(&["read", "bench", "--settled", "--hold", "2s", "--max-wait", "6s"]);
    assert_eq!(output.status.code(), Some(3));
    let words = String::from_utf8(output.stdout).unwrap();
    assert!(words.contains("timed_out") && words.contains("luminance moves by -"), "{words}");
    assert!(!words.contains('\u{1b}'), "colours in a pipe: {words:?}");
}

#[test]
fn a_meter_in_its_own_warm_up_cannot_vouch_for_anything() {
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nwarm_up = \"1h\"\nintegration_s = [0.02, 1]\nautomatic_s = 0.02\ncold = [0, 0]\ncold_white = [0, 0]\nsag = 0\n",
    );
    let output = daemon.run_settle(&["--json", "read", "--settled", "--hold", "1s", "--max-wait", "4s"]);
    assert_eq!(output.status.code(), Some(3));
    let settled: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(settled["verdict"], "timed_out");
    assert!(
        settled["evidence"]["failing"].as_array().unwrap().contains(&json!("meter_warm_up")),
        "{settled}"
    );
    assert!(settled["flags"].as_array().unwrap().contains(&json!("meter_warming")));
    assert!(settled["message"].as_str().unwrap().contains("warm-up"));
}
