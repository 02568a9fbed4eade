//! Errors as D-Bus tells them: the kind is the name to match on, the message a sentence.

use settled_protocol::error::{ErrorKind, RpcError};
use zbus::DBusError;
use zbus::message::{Header, Message};
use zbus::names::ErrorName;

use super::members;

/// What every name of an error begins with; the kind follows, as in `MeterAbsent`.
const PREFIX: &str = "io.github.settled1.Error.";

/// Why a call got no answer.
#[derive(Debug)]
pub(super) struct Refusal {
    name: String,
    error: RpcError,
}

impl Refusal {
    /// A fault of the daemon's own.
    pub(super) fn internal(message: &str) -> Self {
        RpcError::new(ErrorKind::Internal, message).into()
    }
}

impl From<RpcError> for Refusal {
    fn from(error: RpcError) -> Self {
        Self { name: format!("{PREFIX}{}", in_capitals(&members::word(&error.kind()))), error }
    }
}

/// `meter_absent` as `MeterAbsent`.
fn in_capitals(kind: &str) -> String {
    kind.split('_')
        .flat_map(|word| word.chars().enumerate())
        .map(|(index, letter)| if index == 0 { letter.to_ascii_uppercase() } else { letter })
        .collect()
}

impl DBusError for Refusal {
    fn create_reply(&self, call: &Header<'_>) -> zbus::Result<Message> {
        // The sentence alone: with anything beside it, some libraries show nothing.
        Message::error(call, self.name()).build(&self.error.message)
    }

    fn name(&self) -> ErrorName<'_> {
        ErrorName::from_str_unchecked(&self.name)
    }

    fn description(&self) -> Option<&str> {
        Some(&self.error.message)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_a_name_that_the_bus_takes() {
        for kind in ErrorKind::ALL {
            let refusal = Refusal::from(RpcError::new(kind, "words"));
            let name = ErrorName::try_from(refusal.name.as_str()).unwrap();
            assert!(name.rsplit('.').next().unwrap().starts_with(char::is_uppercase), "{name}");
        }
        assert_eq!(in_capitals("no_such_meter"), "NoSuchMeter");
    }
}
