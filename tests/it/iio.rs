//! A light sensor of the kernel's, as the real daemon sees it: attached, read, detached, and attached again.

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};
use crate::support::testbed::Testbed;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"desk\"\ndriver = \"iio\"\ndevice = \"made-up-als\"\n\
    illuminance = \"in_illuminance\"\nrange = [1, 1000]\n";

fn beside(sensor: &Testbed) -> Daemon {
    let mut daemon = Daemon::configured(CONFIG);
    let mut command = daemon.command();
    sensor.shown_to(&mut command);
    daemon.launch_by(command);
    daemon
}

#[test]
fn a_light_sensor_is_read_set_and_followed_as_it_goes_and_comes() {
    let mut sensor = Testbed::sensor();
    let daemon = beside(&sensor);
    let mut client = daemon.client();
    wait_until("it is missed", || {
        let absent = &client.call("meters.list", &json!({}))["meters"][0];
        absent["reason"]
            .as_str()
            .unwrap()
            .contains("no light sensor is called \"made-up-als\"; there is none at all")
    });
    sensor.order("attach 0");
    client.wait_for_state("desk", "ready");
    let read =
        |client: &mut crate::support::client::Client, params: &Value| client.call("meter.read", params);
    let reading = read(&mut client, &json!({"meter": "desk"}));
    assert_eq!((&reading["illuminance_lx"], &reading["integration_s"]), (&json!(100.0), &json!(0.02)));
    assert_eq!(reading["flags"], json!([]));
    // The light changes, and so does the integration time, on demand.
    sensor.order("set in_illuminance_raw 3000");
    let reading = read(&mut client, &json!({"meter": "desk", "integration_s": 0.04}));
    assert_eq!((&reading["illuminance_lx"], &reading["integration_s"]), (&json!(1500.0), &json!(0.04)));
    assert_eq!(reading["flags"], json!(["above_range"]));
    assert_eq!(sensor.order("get in_illuminance_integration_time"), "0.040000");
    sensor.order("set in_illuminance_raw what?");
    assert_eq!(client.refusal("meter.read", &json!({"meter": "desk"})), "meter_garbled");
    // It goes while nobody asks, and comes back under another number.
    sensor.order("detach");
    client.wait_for_state("desk", "absent");
    assert_eq!(client.refusal("meter.read", &json!({"meter": "desk"})), "meter_absent");
    sensor.order("attach 5");
    client.wait_for_state("desk", "ready");
    assert_eq!(read(&mut client, &json!({"meter": "desk"}))["illuminance_lx"], 100.0);
    let mut events = client.events("desk");
    events.dedup();
    let expected =
        ["meter_failed", "meter_ready", "exposure_failed", "meter_gone", "meter_failed", "meter_ready"];
    assert_eq!(events, expected);
}

#[test]
fn a_sensor_that_goes_while_somebody_settles_is_waited_for() {
    let mut sensor = Testbed::sensor();
    sensor.order("attach 0");
    let daemon = beside(&sensor);
    let mut client = daemon.client();
    client.wait_for_state("desk", "ready");
    let criteria = json!({"hold_s": 1, "min_wait_s": 3, "max_wait_s": 30});
    let id = client.ask("meter.settle", &json!({"meter": "desk", "criteria": criteria, "progress": true}));
    client.notice("settle.progress");
    sensor.order("detach");
    let mut other = daemon.client();
    other.wait_for_state("desk", "absent");
    sensor.order("attach 1");
    let answer = client.answer(id);
    assert_eq!(answer["result"]["verdict"], "settled", "{answer}");
    assert_eq!(answer["result"]["quantity"], "illuminance");
    assert_eq!(answer["result"]["value"]["y"], 100.0);
}
