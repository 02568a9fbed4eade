//! What both meters' settlings have to say while a colour is read.

use std::time::{Duration, Instant};

use settled_protocol::error::{ErrorKind, RpcError};

/// Between two lines of progress where there is no terminal to redraw.
const LINES: Duration = Duration::from_secs(10);

/// How a meter is that gives no readings, and why.
pub(super) fn plight(id: &str, error: &RpcError) -> String {
    let why = error.message.strip_prefix(id).and_then(|rest| rest.strip_prefix(": "));
    let is = if error.kind() == ErrorKind::MeterAbsent { "is absent" } else { "gives no readings" };
    format!("{id} {is}: {}", why.unwrap_or(&error.message))
}

/// What both meters' settlings have to say meanwhile.
pub(super) struct Board {
    pub(super) lines: Vec<String>,
    /// What keeps each meter from giving readings, as it was said.
    kept_by: Vec<Option<ErrorKind>>,
    last: Option<Instant>,
}

impl Board {
    pub(super) fn of(meters: usize) -> Self {
        Self { lines: vec![String::new(); meters], kept_by: vec![None; meters], last: None }
    }

    /// What there is to say, in one line.
    pub(super) fn joined(&self) -> String {
        let said = self.lines.iter().filter(|line| !line.is_empty()).map(String::as_str);
        said.collect::<Vec<_>>().join("  |  ")
    }

    /// That a meter gives no readings any more, and why, or that it does again; nothing twice.
    pub(super) fn news(&mut self, index: usize, id: &str, waiting: Option<&RpcError>) -> Option<String> {
        let kind = waiting.map(RpcError::kind);
        if std::mem::replace(self.kept_by.get_mut(index)?, kind) == kind {
            return None;
        }
        Some(waiting.map_or_else(
            || format!("{id} gives readings again"),
            |error| format!("{}; waiting until it gives readings again", plight(id, error)),
        ))
    }

    /// Whether another line of progress is due.
    #[expect(clippy::disallowed_methods, reason = "how often a person is told something is no measurement")]
    pub(super) fn is_time(&mut self) -> bool {
        let now = Instant::now();
        let due = self.last.is_none_or(|last| now.duration_since(last) >= LINES);
        if due {
            self.last = Some(now);
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_meter_that_is_away_is_told_once_by_its_name() {
        let mut board = Board::of(2);
        let absent = RpcError::new(ErrorKind::MeterAbsent, "ref: the port has closed");
        assert_eq!(board.news(1, "ref", None), None);
        let said = board.news(1, "ref", Some(&absent)).unwrap();
        assert_eq!(said, "ref is absent: the port has closed; waiting until it gives readings again");
        assert_eq!((board.news(1, "ref", Some(&absent)), board.news(0, "bench", None)), (None, None));
        assert_eq!(board.news(1, "ref", None).unwrap(), "ref gives readings again");
    }
}
