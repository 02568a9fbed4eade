//! The config read anew while the daemon runs: what can change at once does, what can't is named, and a config with mistakes changes
//! nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use settled_drivers::driver::Registry;
use settled_protocol::log::EventKind;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::watch;
use toml::Value;

use crate::config::{Config, LogConfig, Retention};
use crate::daemon::Daemon;
use crate::log::Happening;
use crate::power::Inhibit;
use crate::runs::Command;
use crate::service::Manager;
use crate::stop::Stop;

/// What holds at once, as keys of the config or the tables that they are in. Whatever else has changed needs a restart.
const LIVE: [&str; 8] = [
    "corrections.stale_after",
    "limits",
    "log.keep",
    "log.quota",
    "log.thin_to",
    "log.warn_below",
    "power.inhibit",
    "runs.alert_command",
];

/// The same, as long as the socket's file lets in the same people.
const RULES: [&str; 4] = ["priority", "socket.group", "socket.guests", "socket.guests_may"];

/// Reads the config anew whenever the daemon is told to, by SIGHUP.
#[derive(Debug)]
pub struct Reloader {
    file: PathBuf,
    /// What the daemon was started with.
    started: String,
    /// What was read last, and had no mistakes.
    latest: String,
    /// The one whose rules are in force.
    ruled: String,
    hangup: Signal,
    manager: Option<Manager>,
    inhibit: watch::Sender<Inhibit>,
    retention: watch::Sender<Option<Retention>>,
    alert_command: watch::Sender<Option<Command>>,
}

impl Reloader {
    /// Of this file, which had this text as the daemon started. From now on SIGHUP ends nothing.
    ///
    /// # Errors
    /// Where the system doesn't let the daemon hear of signals.
    pub fn new(
        file: &Path,
        text: String,
        config: &Config,
        manager: Option<Manager>,
    ) -> std::io::Result<Self> {
        let hangup = signal(SignalKind::hangup())?;
        Ok(Self {
            file: file.to_owned(),
            started: text.clone(),
            ruled: text.clone(),
            latest: text,
            hangup,
            manager,
            inhibit: watch::Sender::new(config.inhibit),
            retention: watch::Sender::new(retention(&config.log)),
            alert_command: watch::Sender::new(config.alert_command.clone()),
        })
    }

    /// What a run keeps the machine from, as that changes.
    #[must_use]
    pub fn inhibit(&self) -> watch::Receiver<Inhibit> {
        self.inhibit.subscribe()
    }

    /// How long readings are kept as they are, as that changes; for ever where there is nothing.
    #[must_use]
    pub fn retention(&self) -> watch::Receiver<Option<Retention>> {
        self.retention.subscribe()
    }

    /// The program that is told of runs' alerts, as that changes.
    #[must_use]
    pub fn alert_command(&self) -> watch::Receiver<Option<Command>> {
        self.alert_command.subscribe()
    }

    /// Reads it whenever it is to be read, until the daemon stops.
    pub(crate) async fn run(mut self, daemon: &Arc<Daemon>, mut stop: Stop) {
        loop {
            tokio::select! {
                told = self.hangup.recv() => if told.is_none() { return stop.wait().await },
                () = stop.wait() => return,
            }
            if let Some(manager) = self.manager {
                manager.reloading().await;
            }
            let detail = self.reload(daemon).await;
            daemon.log.event(&daemon.clock, Happening::new(EventKind::ConfigReloaded, detail)).await;
            if let Some(manager) = self.manager {
                manager.ready().await;
            }
        }
    }

    /// Reads it once, and says what came of it.
    async fn reload(&mut self, daemon: &Daemon) -> String {
        let file = self.file.clone();
        let read = tokio::task::spawn_blocking(move || {
            let text = std::fs::read_to_string(&file).map_err(|error| vec![error.to_string()])?;
            let config = Config::load(&file, &text, &Registry::built_in())
                .map_err(|problems| problems.0.iter().map(ToString::to_string).collect::<Vec<_>>())?;
            Ok((text, config))
        });
        let mistakes = match read.await {
            Ok(Ok((text, config))) => return self.take(text, config, daemon),
            Ok(Err(mistakes)) => mistakes,
            Err(panic) => vec![panic.to_string()],
        };
        for mistake in &mistakes {
            tracing::error!("{mistake}");
        }
        let file = self.file.display();
        let first = mistakes.first().map(String::as_str).unwrap_or_default();
        match mistakes.len() {
            0 | 1 => format!("{file} was not taken, and nothing is changed: {first}"),
            count => format!("{file} was not taken, and nothing is changed: {first}; and {} more", count - 1),
        }
    }

    fn take(&mut self, text: String, config: Config, daemon: &Daemon) -> String {
        daemon.change_limits(config.limits);
        daemon.corrections.change_stale_after(config.stale_after_s, daemon.handles());
        self.inhibit.send_if_modified(|inhibit| std::mem::replace(inhibit, config.inhibit) != config.inhibit);
        self.retention.send_replace(retention(&config.log));
        self.alert_command.send_replace(config.alert_command);
        if let LogConfig::File(file) = &config.log {
            daemon.log.change_bounds(file);
        }
        let same_people = daemon.access.change(config.rules);
        let of = |before: &str, which: &dyn Fn(&str) -> bool| -> Vec<String> {
            changed(before, &text).into_iter().filter(|key| which(key)).collect()
        };
        let rules = of(&self.ruled, &|key| is_in(key, &RULES));
        let mut holds = of(&self.latest, &|key| is_in(key, &LIVE));
        let mut waits = of(&self.started, &|key| !is_in(key, &LIVE) && !is_in(key, &RULES));
        if same_people {
            holds.extend(rules);
            self.ruled.clone_from(&text);
        } else {
            waits.extend(rules);
        }
        self.latest = text;
        sentence(&self.file, &holds, &waits)
    }
}

/// How long a log's readings are kept as they are.
fn retention(log: &LogConfig) -> Option<Retention> {
    match log {
        LogConfig::File(file) => file.retention,
        LogConfig::Off => None,
    }
}

/// What came of it, in words.
fn sentence(file: &Path, holds: &[String], waits: &[String]) -> String {
    let holds = match holds {
        [] => None,
        [one] => Some(format!("{one} holds from now on")),
        several => Some(format!("{} hold from now on", several.join(", "))),
    };
    let waits = match waits {
        [] => None,
        [one] => Some(format!("{one} needs a restart of the daemon")),
        several => Some(format!("{} need a restart of the daemon", several.join(", "))),
    };
    let said: Vec<String> = holds.into_iter().chain(waits).collect();
    let said = if said.is_empty() { "nothing has changed".to_owned() } else { said.join("; ") };
    format!("{} was read anew: {said}", file.display())
}

/// Whether a key is one of these, or in one of these tables.
fn is_in(key: &str, known: &[&str]) -> bool {
    let within =
        |table: &str| key.strip_prefix(table).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'));
    known.iter().any(|known| within(known))
}

/// The keys that differ between two configs, both of which have been read without a mistake; meters by name.
fn changed(before: &str, after: &str) -> Vec<String> {
    let (before, after) = (keys(before), keys(after));
    let all: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    all.into_iter().filter(|key| before.get(*key) != after.get(*key)).cloned().collect()
}

/// Every key of a config with its value: those in tables with the table's name, meters as a whole.
fn keys(text: &str) -> BTreeMap<String, Value> {
    let table: toml::Table = text.parse().unwrap_or_default();
    let mut keys = BTreeMap::new();
    for (name, value) in table {
        match value {
            Value::Table(table) => {
                keys.extend(table.into_iter().map(|(key, value)| (format!("{name}.{key}"), value)));
            }
            Value::Array(meters) if name == "meter" => {
                for meter in meters {
                    let id = meter.get("id").and_then(Value::as_str).unwrap_or_default();
                    keys.insert(format!("meter {id:?}"), meter);
                }
            }
            value => drop(keys.insert(name, value)),
        }
    }
    keys
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_that_has_changed_is_named_and_meters_by_their_names() {
        let before = "[limits]\nconnections = 9\n[log]\npath = \"a\"\n[[meter]]\nid = \"m\"\nseed = 1\n[[meter]]\nid = \"n\"\n";
        let after = "[log]\npath = \"b\"\n[power]\ninhibit = \"idle\"\n[[meter]]\nid = \"m\"\nseed = 2\n[[meter]]\nid = \"o\"\n";
        let expected =
            ["limits.connections", "log.path", "meter \"m\"", "meter \"n\"", "meter \"o\"", "power.inhibit"];
        assert_eq!(changed(before, after), expected);
        assert!(changed(before, &before.replace('9', "9 # few")).is_empty(), "words beside it are nothing");
        let live: Vec<&str> = expected.into_iter().filter(|key| is_in(key, &LIVE)).collect();
        assert_eq!(live, ["limits.connections", "power.inhibit"]);
        assert!(!is_in("limitsx.connections", &LIVE));
    }
}
