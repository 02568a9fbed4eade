//! The config file: read strictly, every mistake reported at once, nothing opened.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use settled_drivers::driver::{Context, Driver, Registry, Source};
use settled_drivers::settings::{self, Problems, Table};
use settled_protocol::colorimetry::Method;
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::limits::Limits;

use crate::access::{Door, Rules};
use crate::accounts::{Accounts, System};
use crate::corrections::STALE_AFTER_S;
use crate::power::Inhibit;
use crate::runs::Command;

mod access;
mod bus;
mod limits;
mod log;
mod metrics;
mod page;
mod retention;
mod runs;
mod service;

pub use bus::BusConfig;
pub use log::{LogConfig, LogFile, Survives};
pub use metrics::MetricsConfig;
pub use page::PageConfig;
pub use retention::Retention;

/// A day, in s.
const DAY_S: f64 = 86_400.0;

/// The most meters one daemon owns: a bench has a handful, and every one costs memory.
const MOST_METERS: usize = 64;

/// The driver of simulated meters, and from how much light on those tell a colour if their config doesn't say: its noise is its own, so it
/// is known where that would be noise.
const SIMULATED: &str = "simulated";
const SIMULATED_COLOUR_FROM_CD_M2: f64 = 0.02;

/// A checked config.
#[derive(Debug)]
pub struct Config {
    /// Where clients connect.
    pub socket: SocketConfig,
    /// Who may connect, and what they may do.
    pub rules: Rules,
    /// How much a client may ask for at once.
    pub limits: Limits,
    /// The bus to be on, if any.
    pub dbus: Option<BusConfig>,
    /// Where the metrics are to be had, if anywhere.
    pub metrics: Option<MetricsConfig>,
    /// The local page, if there is to be one.
    pub page: Option<PageConfig>,
    /// Where readings are kept.
    pub log: LogConfig,
    /// The program that is told of runs' alerts.
    pub alert_command: Option<Command>,
    /// How much faster than real time the clock runs: only with meters that are simulated or replayed.
    pub speed: Option<f64>,
    /// How old a correction may get before its readings are flagged, in s.
    pub stale_after_s: f64,
    /// What a run keeps the machine from.
    pub inhibit: Inhibit,
    /// The meters, in the order of the file.
    pub meters: Vec<MeterConfig>,
    /// Each meter's id and its table, as it was written.
    pub written: Vec<(String, String)>,
}

/// Where clients connect.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SocketConfig {
    /// The socket's path; the usual place if absent.
    pub path: Option<PathBuf>,
}

/// One meter.
#[derive(Clone, Debug)]
pub struct MeterConfig {
    /// Its name on the wire.
    pub id: String,
    /// How to open it.
    pub driver: Arc<dyn Driver>,
    /// How its spectra are summed up, should it give any.
    pub sums: Method,
}

impl Config {
    /// Reads a config file's text. `file` is its name, for messages and for paths beside it. Users and groups are looked up in the
    /// system's database, which may block.
    ///
    /// # Errors
    /// Every mistake in it.
    pub fn load(file: &Path, text: &str, registry: &Registry) -> Result<Self, Problems> {
        Self::load_among(&System, file, text, registry)
    }

    /// The same among these users and groups.
    ///
    /// # Errors
    /// Every mistake in it.
    pub fn load_among(
        accounts: &dyn Accounts,
        file: &Path,
        text: &str,
        registry: &Registry,
    ) -> Result<Self, Problems> {
        let mut context = Context::at(file.parent().unwrap_or(Path::new(".")));
        settings::read(&file.display().to_string(), text, |table| {
            Self::read(table, accounts, registry, &mut context)
        })
    }

    fn read(
        table: &mut Table<'_>,
        accounts: &dyn Accounts,
        registry: &Registry,
        context: &mut Context,
    ) -> Option<Self> {
        let (mut socket, mut rules) = (SocketConfig::default(), Rules::default());
        if let Some(mut table) = table.table("socket") {
            socket.path = table.text("path").map(|path| context.folder.join(path));
            access::read_socket(&mut table, accounts, &mut rules);
        }
        rules.priorities = access::read_priorities(table, accounts);
        let limits = limits::read(table.table("limits"), rules.door() != Door::Owner);
        let dbus = table.table("dbus").and_then(|mut table| bus::read(&mut table));
        let metrics = table.table("metrics").and_then(|mut table| metrics::read(&mut table, &context.folder));
        let page = table.table("page").and_then(|mut table| page::read(&mut table, &context.folder));
        let log = table
            .table("log")
            .map_or_else(|| LogConfig::File(LogFile::default()), |mut table| log::read(&mut table, context));
        let alert_command = table.table("runs").and_then(|mut table| runs::read(&mut table));
        let speed = table.table("clock").and_then(|mut clock| clock.number("speed", 1.0, 100_000.0));
        let stale_after_s = table
            .table("corrections")
            .and_then(|mut corrections| corrections.duration_s("stale_after", DAY_S, 36_525.0 * DAY_S))
            .unwrap_or(STALE_AFTER_S);
        let inhibit = service::read(table.table("power"));
        let mut written = Vec::new();
        let meters = read_meters(table, registry, context, &mut written);
        if speed.is_some() && meters.iter().any(|meter| meter.driver.source() == Source::Instrument) {
            table.complain("clock", "a speed is for rehearsals: every meter must be simulated or replayed");
        }
        Some(Self {
            socket,
            rules,
            limits,
            dbus,
            metrics,
            page,
            log,
            alert_command,
            speed,
            stale_after_s,
            inhibit,
            meters,
            written,
        })
    }
}

fn read_meters(
    table: &mut Table<'_>,
    registry: &Registry,
    context: &mut Context,
    written: &mut Vec<(String, String)>,
) -> Vec<MeterConfig> {
    let mut meters: Vec<MeterConfig> = Vec::new();
    let mut claimed = BTreeMap::new();
    for mut settings in table.tables("meter") {
        let Some(meter) = read_meter(&mut settings, registry, context) else { continue };
        if meters.iter().any(|other| other.id == meter.id) {
            settings.complain("id", format!("another meter is called {:?} already", meter.id));
        }
        for claim in meter.driver.claims() {
            if let Some(other) = claimed.insert(claim.clone(), meter.id.clone()) {
                settings.complain("driver", format!("{claim} belongs to the meter {other:?} already"));
            }
        }
        context.stages.extend(meter.driver.stage().map(|stage| (meter.id.clone(), stage)));
        written.push((meter.id.clone(), settings.written()));
        meters.push(meter);
    }
    if meters.len() > MOST_METERS {
        table.complain("meter", format!("at most {MOST_METERS} meters, not {}", meters.len()));
    }
    meters
}

fn read_meter(settings: &mut Table<'_>, registry: &Registry, context: &Context) -> Option<MeterConfig> {
    let id = settings.text("id");
    let id = settings.required("id", id);
    if let Some(id) = &id
        && !is_name(id)
    {
        settings.complain("id", "expected 1 to 64 letters, digits, '-', '_' or '.'");
    }
    let mut sums = read_sums(settings);
    let choices: Vec<_> = registry.names().into_iter().map(|name| (name, name)).collect();
    let name = settings.choice("driver", &choices);
    let Some(name) = settings.required("driver", name) else {
        settings.ignore_rest();
        return None;
    };
    if name == SIMULATED {
        sums.colour_from_cd_m2 = sums.colour_from_cd_m2.or(Some(SIMULATED_COLOUR_FROM_CD_M2));
    }
    let driver = registry.get(name).and_then(|configure| configure(settings, context));
    Some(MeterConfig { id: id?, driver: driver?, sums })
}

/// How spectra are summed up. Of light beyond their ends nothing is made up.
fn read_sums(settings: &mut Table<'_>) -> Method {
    let observers = Observer::ALL.map(|observer| (observer.name(), observer));
    let observer = settings.choice("observer", &observers).unwrap_or_default();
    let bandwidth_nm = settings.number("bandwidth_nm", 0.1, 100.0);
    let colour_from_cd_m2 = settings.number("colour_from_cd_m2", 0.0, 1000.0);
    Method { observer, bandwidth_nm, colour_from_cd_m2, ..Method::default() }
}

fn is_name(id: &str) -> bool {
    (1..=64).contains(&id.len()) && id.chars().all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c))
}

#[cfg(test)]
mod tests {
    use super::access::tests::Workshop;
    use super::*;

    pub(super) fn load(text: &str) -> Result<Config, Problems> {
        Config::load_among(&Workshop, Path::new("/etc/bench/settled.toml"), text, &Registry::built_in())
    }

    pub(super) fn problems(text: &str) -> Vec<String> {
        load(text).expect_err("the config has mistakes").0.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn the_guides_examples_are_right() {
        let guide = include_str!("../CONFIG.md");
        let examples: Vec<&str> =
            guide.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next()).collect();
        let meters: Vec<usize> = examples
            .into_iter()
            .map(|example| load(example).unwrap_or_else(|problems| panic!("{problems}")).meters.len())
            .collect();
        assert_eq!(meters, [1, 0, 1, 1, 1]);
    }

    #[test]
    fn an_empty_config_is_a_daemon_without_meters() {
        let config = load("").unwrap();
        assert!(config.meters.is_empty() && config.speed.is_none());
        assert_eq!(config.log, LogConfig::File(LogFile::default()));
    }

    #[test]
    fn every_mistake_is_reported_at_once() {
        let found = problems(
            "[sokcet]\n[log]\nsurvives = \"fire\"\n[clock]\nspeed = 0\n[[meter]]\nid = \"a b\"\ndriver = \"simulatd\"\n[[meter]]\n",
        );
        let expected = [
            "1:2: sokcet: unknown key; did you mean \"socket\"?",
            "3:12: log.survives: expected one of \"power-cut\", \"crash\", found \"fire\"",
            "5:9: clock.speed: expected a number from 1 to 100000, found the number 0",
            "7:6: meter[0].id: expected 1 to 64 letters, digits",
            "8:10: meter[0].driver: expected one of \"iio\", \"profile\", \"replay\", \"simulated\", \"plugin\", found \"simulatd\"; did you mean \"simulated\"?",
            "9:1: meter[1].id: is missing",
            "9:1: meter[1].driver: is missing",
        ];
        assert_eq!(found.len(), expected.len(), "{found:#?}");
        assert!(
            found[1].ends_with("found \"fire\""),
            "the words that were expected are told once: {}",
            found[1]
        );
        for (found, expected) in found.iter().zip(expected) {
            assert!(found.starts_with(&format!("/etc/bench/settled.toml:{expected}")), "{found}");
        }
    }

    #[test]
    fn a_correction_gets_old_after_a_year_unless_it_is_said_otherwise() {
        assert_eq!(load("").unwrap().stale_after_s, 365.0 * DAY_S);
        assert_eq!(load("[corrections]\nstale_after = \"90 days\"\n").unwrap().stale_after_s, 90.0 * DAY_S);
        assert!(
            problems("[corrections]\nstale_after = \"1h\"\n")[0].contains("2:15: corrections.stale_after")
        );
    }

    #[test]
    fn a_meter_of_any_driver_says_how_its_spectra_are_summed_up() {
        let meter = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n";
        let config = load(&format!("{meter}observer = \"2015-10\"\nbandwidth_nm = 5\n")).unwrap();
        let expected = Method {
            observer: Observer::Cie2015Deg10,
            bandwidth_nm: Some(5.0),
            colour_from_cd_m2: Some(0.02),
            ..Method::default()
        };
        assert_eq!(config.meters[0].sums, expected);
        let usual = Method { colour_from_cd_m2: Some(0.02), ..Method::default() };
        assert_eq!(load(meter).unwrap().meters[0].sums, usual, "it is simulated");
        let found = problems(&format!("{meter}observer = \"1931-10\"\nbandwidth_nm = 0\n"));
        assert!(found[0].contains("meter[0].observer: expected one of \"1931-2\", \"1964-10\""), "{found:?}");
        assert!(found[1].contains("meter[0].bandwidth_nm: expected a number from 0.1 to 100"), "{found:?}");
    }

    #[test]
    fn two_simulated_meters_look_at_one_display() {
        let bench =
            "[clock]\nspeed = 60\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n";
        let other = "[[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\n";
        let config = load(&format!("{bench}{other}looks_at = \"bench\"\n")).unwrap();
        let stages: Vec<_> = config.meters.iter().filter_map(|meter| meter.driver.stage()).collect();
        assert!(stages.len() == 2 && Arc::ptr_eq(&stages[0], &stages[1]));
        let found = problems(&format!("{other}looks_at = \"bench\"\n{bench}"));
        assert!(
            found[0].contains("meter[0].looks_at: expected the id of a simulated meter that stands before"),
            "{found:?}"
        );
        assert!(found[0].contains("there is none, not \"bench\"") && found.len() == 1, "{found:?}");
        let found = problems(&format!("{bench}{other}looks_at = \"bnch\"\npeak_cd_m2 = 100\n"));
        assert!(found[0].contains("there are bench, not \"bnch\""), "{found:?}");
        assert!(found[1].contains("peak_cd_m2: is of the display, which is that of \"bnch\""), "{found:?}");
        let found = problems(other);
        assert!(found[0].contains("display: is missing"), "{found:?}");
    }

    #[test]
    fn paths_start_at_the_configs_folder() {
        let config = load("[socket]\npath = \"run/socket\"\n[log]\npath = \"night.sqlite\"\n").unwrap();
        assert_eq!(config.socket.path.as_deref(), Some(Path::new("/etc/bench/run/socket")));
        let path = Some(PathBuf::from("/etc/bench/night.sqlite"));
        assert_eq!(config.log, LogConfig::File(LogFile { path, ..LogFile::default() }));
    }
}
