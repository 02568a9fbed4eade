//! Why a command failed: in words for people, with a stable kind for scripts.

use std::fmt;

use serde_json::{Value, json};
use settled_drivers::fault::chain;
use settled_protocol::error::{ErrorKind, RpcError};

use super::Exit;
use crate::connection::{CallError, OpenError};
use crate::exchange::Misfit;
use crate::following::FollowError;
use crate::output::{BAD, Output, styled};
use crate::stimulus::NotShown;

/// Why a command failed.
#[derive(Debug)]
pub enum Failure {
    /// No connection.
    Open(OpenError),
    /// A call failed.
    Call(CallError),
    /// The command line, by itself or together with what the daemon has, makes no sense.
    Usage(String),
    /// A file, or what it holds.
    Input(String),
    /// Standard output is closed, or can't be written.
    Output(std::io::Error),
    /// This program is wrong, not what was asked of it.
    Internal(String),
    /// The system gave no means to wait for anything.
    Runtime(std::io::Error),
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Open(error) => error.fmt(f),
            Self::Call(error) => error.fmt(f),
            Self::Usage(message) | Self::Input(message) | Self::Internal(message) => f.write_str(message),
            Self::Output(_) => f.write_str("writing the output"),
            Self::Runtime(_) => f.write_str("starting"),
        }
    }
}

impl std::error::Error for Failure {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            // Their own words are part of the text above already.
            Self::Open(error) => error.source(),
            Self::Call(error) => error.source(),
            Self::Output(error) | Self::Runtime(error) => Some(error),
            Self::Usage(_) | Self::Input(_) | Self::Internal(_) => None,
        }
    }
}

impl From<OpenError> for Failure {
    fn from(error: OpenError) -> Self {
        Self::Open(error)
    }
}

impl From<CallError> for Failure {
    fn from(error: CallError) -> Self {
        Self::Call(error)
    }
}

impl From<FollowError> for Failure {
    fn from(error: FollowError) -> Self {
        match error {
            FollowError::Open(error) => Self::Open(error),
            FollowError::Call(error) => Self::Call(error),
            // It was wanted for ever.
            FollowError::Silent(_) => Self::Call(CallError::Closed),
        }
    }
}

impl From<Misfit> for Failure {
    fn from(misfit: Misfit) -> Self {
        Self::Call(CallError::Refused(RpcError::new(ErrorKind::Unsupported, misfit.to_string())))
    }
}

impl From<NotShown> for Failure {
    fn from(error: NotShown) -> Self {
        Self::Input(error.why)
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::Output(error)
    }
}

impl Failure {
    /// Says it, unless it is nobody's error, and gives the exit that belongs to it.
    pub(super) fn say(&self, output: Output) -> Exit {
        self.say_of(output, false)
    }

    /// The same of a command that may have an option --wait.
    pub(super) fn say_of(&self, output: Output, can_wait: bool) -> Exit {
        output.end_status();
        let exit = self.exit();
        if exit != Exit::Done {
            let plain = || format!("{} {}{}", styled(BAD, "error:"), self.words(), self.advice(can_wait));
            output.aside(&if output.json { self.object().to_string() } else { plain() });
        }
        exit
    }

    /// The chain of causes. Who types knows of options, not of params.
    fn words(&self) -> String {
        match self {
            Self::Call(CallError::Refused(error)) if error.kind() == ErrorKind::InvalidParams => {
                chain(self).replace("params.", "")
            }
            Self::Call(CallError::Refused(error)) if error.kind() == ErrorKind::NotPermitted => chain(self)
                .replace(
                    "params.interval_s has some taken, and they may not call meter.read",
                    "--interval has some taken, and they may not read",
                ),
            // What to do is said in other words, below.
            Self::Call(CallError::Refused(error))
                if [ErrorKind::Leased, ErrorKind::LeaseLost].contains(&error.kind()) =>
            {
                let message = chain(self);
                message.rsplit_once("; ").map_or(message.clone(), |(what, _)| what.to_owned())
            }
            _ => chain(self),
        }
    }

    /// What can be typed, where the daemon's own words don't say it: it doesn't know of commands.
    fn advice(&self, can_wait: bool) -> &'static str {
        let error = match self {
            Self::Call(CallError::Refused(error)) => error,
            Self::Call(CallError::Closed) => return "; settle status says whether it is back",
            _ => return "",
        };
        match error.kind() {
            ErrorKind::NoSuchCorrection => "; settle correct list has those there are",
            ErrorKind::LogUnavailable => "; settle status says why",
            ErrorKind::MeterAbsent
            | ErrorKind::MeterFailed
            | ErrorKind::MeterBusy
            | ErrorKind::MeterSilent
            | ErrorKind::MeterGarbled => {
                "; settle meters says how it is, settle log events what has happened"
            }
            ErrorKind::ShuttingDown => "; try again once it is started anew",
            ErrorKind::Internal => {
                "; what it has said of that is in its trace (journalctl --unit settled, where it is a service)"
            }
            ErrorKind::NoSuchRun => "; settle runs lists those there are",
            ErrorKind::MethodNotFound => "; is the daemon of an earlier version than settle?",
            ErrorKind::Leased if can_wait => "; wait for it with --wait TIME",
            ErrorKind::Leased => "; come back later, or run this under settle lease, which waits for it",
            ErrorKind::LeaseLost => {
                "; SETTLED_LEASE names a lease that is over, with a daemon that was started anew since, say: unset it, or run the \
                 whole under settle lease anew"
            }
            _ => "",
        }
    }

    fn exit(&self) -> Exit {
        match self {
            Self::Usage(_) => Exit::Usage,
            // The params are what was typed.
            Self::Call(CallError::Refused(error)) if error.kind() == ErrorKind::InvalidParams => Exit::Usage,
            // `settle log readings | head`: not an error of anybody's.
            Self::Output(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Exit::Done,
            _ => Exit::Failed,
        }
    }

    /// The error as a script reads it: the daemon's own as it came, ours in the same form.
    fn object(&self) -> Value {
        let kind = match self {
            Self::Call(CallError::Refused(error)) => return json!({ "error": error }),
            Self::Call(CallError::Closed) => "connection_closed",
            Self::Call(CallError::Misfit { .. }) => "version_mismatch",
            Self::Open(_) => "no_daemon",
            Self::Usage(_) => "usage",
            Self::Input(_) => "input",
            Self::Output(_) => "output",
            Self::Runtime(_) | Self::Internal(_) => "internal",
        };
        object(&chain(self), kind)
    }
}

fn object(message: &str, kind: &str) -> Value {
    json!({ "error": { "message": message, "data": { "kind": kind } } })
}

/// What a script reads of a Ctrl-C.
pub(super) fn interrupted() -> Value {
    object("interrupted: what was asked for was taken back", "interrupted")
}

/// What is wrong with a command line in one line, without the usage and the hints that follow it.
pub(super) fn without_usage(text: &str) -> String {
    let text = text.strip_prefix("error: ").unwrap_or(text);
    let wrong = text.split("\n\nUsage:").next().unwrap_or(text);
    let wrong = wrong.split("\n\nFor more information").next().unwrap_or(wrong);
    wrong.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::super::Arguments;
    use super::*;
    use clap::Parser;

    #[test]
    fn every_failure_has_a_kind_of_its_own() {
        let io = || std::io::Error::from(std::io::ErrorKind::Other);
        let failures = [
            Failure::Call(CallError::Closed),
            Failure::Usage("u".to_owned()),
            Failure::Input("i".to_owned()),
            Failure::Output(io()),
            Failure::Runtime(io()),
        ];
        let mut kinds: Vec<Value> =
            failures.iter().map(|failure| failure.object()["error"]["data"]["kind"].clone()).collect();
        kinds.dedup();
        assert!(kinds.len() == failures.len() && kinds.iter().all(Value::is_string), "{kinds:?}");
    }

    #[test]
    fn what_the_daemon_says_is_followed_by_what_can_be_typed() {
        let refused = |kind| Failure::Call(CallError::Refused(RpcError::new(kind, "no")));
        assert!(refused(ErrorKind::NoSuchCorrection).advice(false).contains("settle correct list"));
        let leased =
            RpcError::new(ErrorKind::Leased, "m is leased: x has it, for \"a; b\"; wait with params.wait_s");
        let leased = Failure::Call(CallError::Refused(leased));
        assert_eq!(leased.words(), "m is leased: x has it, for \"a; b\"");
        assert!(leased.advice(true).contains("--wait TIME"));
        assert!(!leased.advice(false).contains("--wait") && leased.advice(false).contains("settle lease"));
        assert!(refused(ErrorKind::LeaseLost).advice(false).contains("started anew"));
        assert!(refused(ErrorKind::LogUnavailable).advice(false).contains("settle status"));
        assert!(refused(ErrorKind::MeterAbsent).advice(false).contains("settle meters"));
        assert_eq!(refused(ErrorKind::OutOfRange).advice(false), "");
        let guest = RpcError::new(
            ErrorKind::NotPermitted,
            "guests may only watch the readings that others take: params.interval_s has some taken, and they may not call meter.read; ask",
        );
        let guest = Failure::Call(CallError::Refused(guest)).words();
        assert!(guest.ends_with("--interval has some taken, and they may not read; ask"), "{guest}");
        let limit = RpcError::new(ErrorKind::InvalidParams, "params.limit must be from 1");
        assert_eq!(Failure::Call(CallError::Refused(limit)).words(), "limit must be from 1");
    }

    #[test]
    fn a_mistake_fits_one_line() {
        for (words, expected) in [
            (["settle", "raed"].as_slice(), "unrecognized subcommand 'raed' tip:"),
            (&["settle", "log", "readings", "--limit", "x"], "invalid value 'x' for '--limit <N>'"),
        ] {
            let error = Arguments::try_parse_from(words).unwrap_err();
            let line = without_usage(&error.render().to_string());
            assert!(line.starts_with(expected) && !line.contains("Usage"), "{line}");
        }
    }
}
