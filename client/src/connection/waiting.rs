//! To whom each line goes that comes from the daemon.

use settled_protocol::message::{Outgoing, RequestId};
use settled_protocol::method::Subscribed;
use settled_protocol::notification::{
    MeterChanged, Missed, Notification, ReadingTaken, RunChanged, SettleProgress,
};

use super::{CallError, Outcome, Pending, Waiting};
use crate::subscription::Gap;

impl Waiting {
    /// Hands a line to whoever waits for it. What nobody waits for, or can't be read, is of a later version: let it be.
    pub(super) fn take(&mut self, line: &[u8]) {
        match Outgoing::decode(line) {
            Ok(Outgoing::Response { id: RequestId::Number(id), outcome }) => self.answer(id, outcome),
            Ok(Outgoing::Notification { method, params }) => self.notice(&method, params.get()),
            Ok(Outgoing::Response { id: RequestId::Null, outcome: Err(error) }) => self.refused = Some(error),
            Ok(Outgoing::Response { .. }) | Err(_) => {}
        }
    }

    pub(super) fn why_closed(&self) -> CallError {
        self.refused.clone().map_or(CallError::Closed, CallError::Refused)
    }

    fn answer(&mut self, id: i64, outcome: Outcome) {
        let Some(Pending { reply, feed, .. }) = self.pending.remove(&id) else { return };
        if let (Some(feed), Ok(result)) = (feed, &outcome)
            && let Ok(Subscribed { subscription }) = serde_json::from_str(result.get())
        {
            self.feeds.retain(|_, feed| !feed.is_closed());
            self.feeds.insert(subscription, feed);
        }
        let _waiting = reply.send(outcome).is_ok();
    }

    fn notice(&mut self, method: &str, params: &str) {
        match method {
            ReadingTaken::NAME => {
                if let Ok(ReadingTaken { subscription, reading }) = serde_json::from_str(params)
                    && let Some(feed) = self.feeds.get_mut(&subscription)
                {
                    feed.reading(reading);
                }
            }
            MeterChanged::NAME => {
                if let Ok(MeterChanged { subscription, meter }) = serde_json::from_str(params)
                    && let Some(feed) = self.feeds.get_mut(&subscription)
                {
                    feed.meter(meter);
                }
            }
            RunChanged::NAME => {
                if let Ok(RunChanged { subscription, run, alert }) = serde_json::from_str(params)
                    && let Some(feed) = self.feeds.get_mut(&subscription)
                {
                    feed.run(run, alert);
                }
            }
            Missed::NAME => {
                if let Ok(missed) = serde_json::from_str::<Missed>(params)
                    && let Some(feed) = self.feeds.get_mut(&missed.subscription)
                {
                    let Missed { count, from, to, why, .. } = missed;
                    feed.missed(Gap { count, range: from.zip(to), why });
                }
            }
            SettleProgress::NAME => {
                if let Ok(progress) = serde_json::from_str::<SettleProgress>(params)
                    && let RequestId::Number(id) = progress.request
                    && let Some(sender) = self.pending.get(&id).and_then(|pending| pending.progress.as_ref())
                {
                    // A reader that is behind gets the next report.
                    let _taken = sender.try_send(progress).is_ok();
                }
            }
            _ => {}
        }
    }
}
