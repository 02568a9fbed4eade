//! Every driver that ships passes the conformance suite: here against a real line and a simulated display.

use std::sync::Arc;

use settled::clock::Clock;
use settled_drivers::clock::Clock as Spans;
use settled_drivers::conformance::{Zero, check};
use settled_drivers::driver::{Context, Driver, Registry};
use settled_drivers::settings;

use crate::support::instrument::Instrument;

fn run(driver: &Arc<dyn Driver>) {
    let clock: Arc<dyn Spans> = Arc::new(Clock::system());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    // A zero is left to the scripted instruments: the one on the line has none.
    let report = runtime.block_on(check(driver, &clock, Zero::Skip));
    assert!(report.is_kept(), "{driver:?}\n{report}");
}

fn configured(driver: &str, text: &str) -> Arc<dyn Driver> {
    let configure = Registry::built_in().get(driver).unwrap();
    let context = Context::at("/");
    settings::read("t.toml", text, |table| configure(table, &context)).unwrap()
}

#[test]
fn the_profile_driver_conforms_on_a_real_line() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let _instrument = Instrument::start(&port);
    run(&configured("profile", &format!("profile = \"lab-tristimulus\"\nport = \"{}\"\n", port.display())));
}

#[test]
fn the_simulated_driver_conforms() {
    for display in [
        "display = \"self-emitting\"",
        "display = \"backlit\"",
        "display = \"backlit\"\nmeter = \"spectrometer\"",
    ] {
        run(&configured(
            "simulated",
            &format!("{display}\nintegration_s = [0.02, 0.5]\nautomatic_s = 0.05\n"),
        ));
    }
}
