//! Every driver that ships passes the conformance suite: here against a real line, a simulated display, and recordings. And a driver
//! that doesn't is told so.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use serde_json::{Value, json};
use settled::clock::Clock;
use settled_drivers::clock::{Boxed, Clock as Spans};
use settled_drivers::conformance::{Extent, Kit, Report, Zero, check};
use settled_drivers::driver::{Context, Driver, Registry};
use settled_drivers::fault::{Fault, FaultKind};
use settled_drivers::meter::{Description, Meter};
use settled_drivers::sample::{Exposure, Sample, Seen};
use settled_drivers::settings;
use settled_protocol::meter::{Instrument as About, Kind, Quantity};
use settled_protocol::quantity::{Light, Photometric};

use crate::recording::recorded;
use crate::support::daemon::Daemon;
use crate::support::instrument::Instrument;

fn tried(driver: &Arc<dyn Driver>, zero: Zero) -> Report {
    let clock: Arc<dyn Spans> = Arc::new(Clock::system());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(check(driver, &clock, zero))
}

fn run(driver: &Arc<dyn Driver>) {
    let report = tried(driver, Zero::Covered);
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
fn the_profile_driver_conforms_over_tcp() {
    let (_instrument, address) = Instrument::listen();
    run(&configured("profile", &format!("profile = \"lab-tristimulus\"\ntcp = \"{address}\"\n")));
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

#[test]
fn the_replay_driver_conforms() {
    let daemon = recorded(5);
    let file = daemon.path("r.jsonl").display().to_string();
    // It was not zeroed while it was recorded.
    let report = tried(&configured("replay", &format!("file = \"{file}\"\n")), Zero::Skip);
    assert!(report.is_kept(), "{report}");
    let csv = "meter,t_s,began_s,boot,Y,unit\nm,1,0.9,b,100,cd/m2\nm,1.1,1,b,101,cd/m2\n";
    std::fs::write(daemon.path("night.csv"), csv).unwrap();
    let file = daemon.path("night.csv").display().to_string();
    run(&configured("replay", &format!("file = \"{file}\"\n")));
    run(&configured("replay", &format!("file = \"{file}\"\npace = \"asked\"\n")));
}

/// A daemon's folder with a meter that is quick about everything, and the instrument behind it.
fn quick() -> (Daemon, Instrument) {
    let daemon = Daemon::configured(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nport = \"port\"\n",
    );
    let shipped = settled_drivers::profile::shipped::text("lab-tristimulus".as_ref()).unwrap();
    let quick = shipped
        .replace("answer_end = \"lf\"", "answer_end = \"lf\"\nquiet = \"30ms\"")
        .replace("timeout = \"1s\"", "timeout = \"300ms\"");
    std::fs::write(daemon.path("quick.toml"), quick).unwrap();
    let instrument = Instrument::start(&daemon.path("port"));
    (daemon, instrument)
}

/// `settled --conformance` on a meter of a daemon's folder.
fn conformance(daemon: &Daemon, meter: &str, more: &[&str]) -> (Option<i32>, String) {
    let mut command = std::process::Command::new(crate::support::daemon::program("settled"));
    command.arg("--conformance").arg(daemon.path("settled.toml")).arg(meter).args(more);
    let output = command.output().unwrap();
    let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    (output.status.code(), said)
}

#[test]
fn a_configured_meter_is_tried_clause_by_clause_with_faults_on_its_line() {
    let (daemon, _instrument) = quick();
    let (status, said) = conformance(&daemon, "bench", &["--json"]);
    assert_eq!(status, Some(0), "{said}");
    let lines: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let (summary, clauses) = lines.split_last().unwrap();
    assert_eq!(summary, &json!({"meter": "bench", "kept": true, "clauses": clauses.len(), "broken": 0}));
    assert!(clauses.len() > 18 && clauses.iter().all(|clause| clause["kept"] == true), "{said}");
    let tried = |words: &str| clauses.iter().any(|it| it["clause"].as_str().unwrap().contains(words));
    assert!(tried("wrong bit") && tried("unplugged") && tried("never stops talking"), "{said}");
}

#[test]
fn a_meter_that_the_daemon_owns_is_not_tried() {
    let (mut daemon, _instrument) = quick();
    daemon.launch();
    daemon.client().wait_for_state("bench", "warming");
    let (status, said) = conformance(&daemon, "bench", &[]);
    assert_eq!(status, Some(1));
    assert!(said.contains("BROKEN  it opens: ") && said.contains("stop that first"), "{said}");
    assert!(daemon.client().call("meter.read", &json!({"meter": "bench"}))["xyz"].is_array());
    let (status, said) = conformance(&daemon, "bank", &[]);
    assert!(status == Some(1) && said.contains("has no meter \"bank\"; it has: bench"), "{said}");
}

#[test]
fn a_meter_whose_aperture_is_covered_is_zeroed_too() {
    let daemon = Daemon::configured(
        "[log]\npath = \"off\"\n[clock]\nspeed = 20\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nzero_every = \"4h\"\n",
    );
    for (more, zeroed) in [(["--covered"].as_slice(), true), (&[], false)] {
        let (status, said) = conformance(&daemon, "m", more);
        assert_eq!(status, Some(0), "{said}");
        assert_eq!(said.contains("kept    it is zeroed within its deadline"), zeroed, "{said}");
    }
}

/// What a driver does that it must not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sin {
    None,
    RefusesLate,
    RefusesWrongly,
    NeverEnds,
    IsAnotherEachTime,
    MeasuresSomethingElse,
    Leaves,
    IsZeroedUndeclared,
    LosesItselfInADrop,
    OpensOnce,
    LeavesFilesOpen,
    IsInTheDark,
}

#[derive(Debug)]
struct Sinner {
    sin: Sin,
    opened: AtomicU32,
    files: Arc<std::sync::Mutex<Vec<std::fs::File>>>,
}

#[derive(Debug)]
struct Open {
    sin: Sin,
    description: Description,
    dropped: bool,
}

impl Driver for Sinner {
    fn name(&self) -> &'static str {
        "sinner"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, _: &'a Arc<dyn Spans>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let number = self.opened.fetch_add(1, Ordering::Relaxed);
            if self.sin == Sin::OpensOnce && number > 0 {
                return Err(Fault::new(FaultKind::Busy, "open already"));
            }
            if self.sin == Sin::LeavesFilesOpen {
                let files = (0..5).map(|_| std::fs::File::open("/dev/null").unwrap());
                self.files.lock().unwrap().extend(files);
            }
            let different = if self.sin == Sin::IsAnotherEachTime { number } else { 0 };
            let instrument = About {
                model: format!("sinner {different}"),
                serial: None,
                kind: Kind::Photometer,
                quantities: vec![Quantity::Luminance],
                integration_s: None,
                range: None,
                resolution: None,
            };
            let description = Description { instrument, warm_up_s: 0.0, zero: None };
            let meter: Box<dyn Meter> = Box::new(Open { sin: self.sin, description, dropped: false });
            Ok(meter)
        })
    }
}

impl Meter for Open {
    fn describe(&self) -> &Description {
        &self.description
    }

    fn deadline(&self, _: Exposure) -> Duration {
        Duration::from_millis(200)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            if exposure.integration_s.is_some() {
                if self.sin == Sin::RefusesLate {
                    tokio::time::sleep(Duration::from_millis(150)).await;
                }
                let wrongly = self.sin == Sin::RefusesWrongly;
                let kind = if wrongly { FaultKind::Refused } else { FaultKind::Unsupported };
                return Err(Fault::new(kind, "the meter chooses its integration time for itself"));
            }
            if self.sin == Sin::IsInTheDark {
                return Err(Fault::new(FaultKind::BelowRange, "too little light"));
            }
            if self.sin == Sin::NeverEnds || (self.sin == Sin::LosesItselfInADrop && self.dropped) {
                std::future::pending::<()>().await;
            }
            self.dropped = true;
            tokio::time::sleep(Duration::from_millis(30)).await;
            self.dropped = false;
            let elsewhere = self.sin == Sin::MeasuresSomethingElse;
            let of = if elsewhere { Photometric::Illuminance } else { Photometric::Luminance };
            let light = Light::amount(of, 100.0).unwrap();
            Ok(Sample { seen: Seen::Light(light), integration_s: None, temperature_c: None })
        })
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        let declared = self.sin != Sin::IsZeroedUndeclared;
        Box::pin(async move {
            if declared {
                Err(Fault::new(FaultKind::Unsupported, "the meter can't be zeroed"))
            } else {
                Ok(())
            }
        })
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        let leaves = self.sin == Sin::Leaves;
        Box::pin(async move {
            if !leaves {
                std::future::pending::<()>().await;
            }
            Fault::new(FaultKind::Gone, "gone")
        })
    }
}

#[test]
fn a_driver_that_breaks_the_contract_is_told_which_clause() {
    for (sin, clause) in [
        (Sin::RefusesLate, "an integration time it can't do is refused at once"),
        (Sin::RefusesWrongly, "an integration time it can't do is refused at once"),
        (Sin::NeverEnds, "an exposure gives one sane sample within its deadline"),
        (Sin::IsAnotherEachTime, "it closes, opens and measures again"),
        (Sin::MeasuresSomethingElse, "an exposure gives one sane sample within its deadline"),
        (Sin::Leaves, "it stays while nobody asks, and waiting for its departure loses nothing"),
        (Sin::IsZeroedUndeclared, "zeroing, which it can't do, is refused at once"),
        (Sin::LosesItselfInADrop, "after a dropped exposure and recovery it measures again"),
        (Sin::OpensOnce, "it closes, opens and measures again"),
    ] {
        let report = tried(&sinner(sin), Zero::Skip);
        let broken = report.clauses.iter().find(|found| found.name == clause);
        assert!(broken.is_some_and(|found| found.failure.is_some()), "{sin:?}\n{report}");
    }
    run(&sinner(Sin::None));
}

fn sinner(sin: Sin) -> Arc<dyn Driver> {
    Arc::new(Sinner { sin, opened: AtomicU32::new(0), files: Arc::default() })
}

#[test]
fn an_instrument_in_the_dark_breaks_nothing_and_is_tried_no_further() {
    let report = tried(&sinner(Sin::IsInTheDark), Zero::Skip);
    let halted = report.halted.as_ref().and_then(|halted| halted.kind);
    assert_eq!((halted, report.is_kept()), (Some(FaultKind::BelowRange), false), "{report}");
    assert!(report.clauses.len() == 2 && report.clauses.iter().all(|it| it.failure.is_none()), "{report}");
}

#[test]
fn light_that_can_not_be_measured_is_no_broken_clause_and_silence_hints_at_another_program() {
    let (daemon, mut instrument) = quick();
    instrument.order("next error");
    let (status, said) = conformance(&daemon, "bench", &[]);
    assert!(status == Some(1) && !said.contains("BROKEN") && said.contains("show it less light"), "{said}");
    instrument.order("next silence");
    let (status, said) = conformance(&daemon, "bench", &[]);
    assert_eq!(status, Some(1), "{said}");
    assert!(said.contains("If another program has it, the daemon perhaps, stop that first"), "{said}");
    assert_eq!(said.matches("BROKEN").count(), 1, "{said}");
}

#[test]
fn who_has_heard_enough_ends_the_suite_quietly() {
    let (daemon, _instrument) = quick();
    let mut command = std::process::Command::new(crate::support::daemon::program("settled"));
    command.arg("--conformance").arg(daemon.path("settled.toml")).args(["bench", "--json"]);
    let mut child =
        command.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), String::from_utf8(output.stderr).unwrap().as_str()), (Some(1), ""));
}

#[test]
fn a_driver_that_leaves_files_open_is_found_out() {
    let (driver, clock) = (sinner(Sin::LeavesFilesOpen), Arc::new(Clock::system()));
    let kit = Kit { driver, clock, zero: Zero::Skip, extent: Extent::Thorough };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let report = runtime.block_on(settled_drivers::conformance::run(&kit, &mut |_| {}));
    let broken: Vec<_> =
        report.clauses.iter().filter_map(|clause| clause.failure.as_ref()).map(ToString::to_string).collect();
    assert!(broken.iter().any(|failure| failure.contains("files were open before")), "{report}");
}
