//! What happened in a run: the latest of it, and how much there was before.

use std::collections::VecDeque;

use settled_protocol::error::ErrorKind;
use settled_protocol::log::{Event, LARGEST_PAGE, Selection};
use settled_protocol::method::LogEvents;

use crate::command::Failure;
use crate::connection::{CallError, Connection};

/// Events that are shown of a run: the latest of them.
const LATEST: usize = 20;

/// What happened in a run.
#[derive(Debug, Default)]
pub(in crate::command) struct Events {
    /// The latest, the last of them last.
    pub(super) latest: VecDeque<Event>,
    /// How many came before.
    pub(super) earlier: u64,
}

impl Events {
    /// All of a run's, however many pages they take. A log that can't be read keeps nobody from the rest.
    pub(super) async fn of(connection: &Connection, run: u64) -> Result<Self, Failure> {
        let mut ask = Selection { run: Some(run), limit: Some(LARGEST_PAGE), ..Selection::default() };
        let mut events = Self::default();
        loop {
            let page = match connection.call::<LogEvents>(&ask).await {
                Ok(page) => page,
                Err(CallError::Refused(error))
                    if [ErrorKind::LogUnavailable, ErrorKind::NotPermitted].contains(&error.kind()) =>
                {
                    return Ok(events);
                }
                Err(error) => return Err(error.into()),
            };
            events.take(page.events);
            // A page that leads nowhere would be asked for again and again.
            match page.next.filter(|next| ask.after.is_none_or(|after| *next > after)) {
                Some(next) => ask.after = Some(next),
                None => return Ok(events),
            }
        }
    }

    pub(super) fn take(&mut self, page: Vec<Event>) {
        self.latest.extend(page);
        let earlier = self.latest.len().saturating_sub(LATEST);
        self.latest.drain(..earlier);
        self.earlier += earlier as u64;
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};
    use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
    use tokio::net::UnixStream;

    use super::*;

    /// A daemon that has so many events of a run, and tells them page by page.
    async fn daemon(stream: UnixStream, count: u64) {
        let (reader, mut writer) = stream.into_split();
        let mut lines = BufReader::new(reader).lines();
        while let Some(line) = lines.next_line().await.unwrap() {
            let request: Value = serde_json::from_str(&line).unwrap();
            let params = &request["params"];
            assert_eq!((&request["method"], &params["run"]), (&json!("log.events"), &json!(7)));
            let after = params["after"].as_u64().unwrap_or(0);
            let last = count.min(after + params["limit"].as_u64().unwrap());
            let event = |sequence| json!({"sequence": sequence, "at": "2026-11-27T18:00:00Z", "t_s": 1.0, "boot": "b", "kind": "run_gap", "run": 7, "detail": "a gap"});
            let mut page = json!({"events": (after + 1..=last).map(event).collect::<Vec<_>>()});
            if last < count {
                page["next"] = json!(last);
            }
            let answer = json!({"jsonrpc": "2.0", "id": request["id"], "result": page});
            writer.write_all(format!("{answer}\n").as_bytes()).await.unwrap();
        }
    }

    #[tokio::test]
    async fn of_however_many_events_the_latest_are_shown_and_the_others_counted() {
        for (count, earlier, first) in [(0, 0, None), (20, 0, Some(1)), (2345, 2325, Some(2326))] {
            let (ours, theirs) = UnixStream::pair().unwrap();
            let asked = async {
                let connection = Connection::over(ours);
                Events::of(&connection, 7).await.unwrap()
            };
            let (events, ()) = tokio::join!(asked, daemon(theirs, count));
            let sequence = |event: &Event| event.sequence;
            assert_eq!((events.earlier, events.latest.front().map(sequence)), (earlier, first), "{count}");
            assert_eq!(events.latest.back().map(sequence), Some(count).filter(|count| *count > 0));
        }
    }
}
