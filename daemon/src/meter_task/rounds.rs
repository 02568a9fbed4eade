//! A recording that is played back, and begins anew: what was seen of it before is no evidence of what comes now.

use settled_drivers::clock::Clock as _;
use settled_protocol::log::EventKind;

use super::shared::{Anew, Published};
use super::task::Task;

/// Between two events that say so, in s: a recording of a few readings begins anew many times a second.
const SAID_EVERY_S: f64 = 60.0;

/// How often it has begun anew.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rounds {
    seen: u64,
    /// The last that an event told of, and when, in s.
    said: Option<(u64, f64)>,
}

impl Rounds {
    /// As often as `seen` by now.
    pub(super) fn after(seen: u64) -> Self {
        Self { seen, said: None }
    }

    /// Takes how often it is by now: whether that is news.
    fn look(&mut self, seen: u64) -> bool {
        std::mem::replace(&mut self.seen, seen) != seen
    }

    /// What an event says at `now_s`, if it is time for one.
    fn say(&mut self, now_s: f64) -> Option<String> {
        if self.said.is_some_and(|(_, said_s)| now_s < said_s + SAID_EVERY_S) {
            return None;
        }
        let before = self.said.replace((self.seen, now_s)).map_or(0, |(before, _)| before);
        let times = match self.seen.saturating_sub(before) {
            0 | 1 => String::new(),
            times => format!(", {times} times since that was last told"),
        };
        Some(format!("the recording begins anew{times}: no settling goes on across that"))
    }
}

impl Task {
    /// Looks whether what is played back began anew with the exposure that began at `began_s` and has ended now: then gives out what came
    /// before, and says so.
    pub(super) async fn look_at_rounds(&mut self, began_s: f64) {
        if !self.rounds.look(self.tools.driver.rounds()) {
            return;
        }
        self.kept.commits.deliver_all(&self.shared).await;
        self.shared.publish(Published::Anew { why: Anew::Repeated, t_s: began_s });
        let now_s = self.tools.clock.now_s();
        if let Some(detail) = self.rounds.say(now_s) {
            self.note(EventKind::ReplayRepeated, detail).await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn however_often_it_begins_anew_that_is_told_once_a_minute_with_the_number() {
        let mut rounds = Rounds::after(0);
        let mut said = Vec::new();
        for n in 1..=1000_u32 {
            assert!(rounds.look(u64::from(n)) && !rounds.look(u64::from(n)));
            said.extend(rounds.say(0.1 * f64::from(n)));
        }
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(!said[0].contains("times") && said[1].contains("600 times"), "{said:?}");
    }
}
