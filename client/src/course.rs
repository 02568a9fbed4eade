//! The course of a meter or a run as a plot has it: bins of readings, where there are none, and what happened meanwhile.

use settled_protocol::bins::Bin;
use settled_protocol::log::{Event, EventKind};
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Flag;
use settled_protocol::run::Run;
use settled_protocol::settling::Verdict;
use settled_protocol::time::Timestamp;

use crate::show;

/// From one bin to the next this many usual steps, and there were no readings between them.
const GAP: f64 = 2.5;

/// A course. Its bins are in rising order and of one quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// The meter, or the run, in words.
    pub name: String,
    /// Bins that hold readings; at least one.
    pub bins: Vec<Bin>,
    /// What happened meanwhile.
    pub events: Vec<Event>,
    /// Whether more happened than is in `events`.
    pub more_events: bool,
    /// Where the light had settled, of a warm-up that found so meanwhile.
    pub settled: Option<Level>,
    /// From when to when it goes, in s since 1970, where that is known, as it is of a run: bins begin and end at round times. It begins no later than the
    /// first bin ends, and ends no earlier than the last begins.
    pub ends_s: Option<(f64, f64)>,
}

/// The light that a warm-up settled at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// When that was found.
    pub at: Timestamp,
    /// In the unit of the readings.
    pub value: f64,
    /// Half its interval of 95 %.
    pub u95: f64,
}

impl Level {
    /// What a run came to; nothing of another kind of run, or where it didn't settle.
    #[must_use]
    pub fn of(run: &Run) -> Option<Self> {
        let settled = run.settled.as_ref().filter(|settled| settled.verdict == Verdict::Settled)?;
        let value = settled.value.as_ref()?;
        Some(Self { at: run.ends?, value: value.y, u95: value.y_u95 })
    }

    /// `settled at 292.03 ± 0.25 cd/m²`.
    #[must_use]
    pub fn words(&self, unit: &str) -> String {
        format!("settled at {} {unit}", show::uncertain(self.value, self.u95))
    }
}

/// Kinds of event in the order of their first, and when each came.
pub type Happened = Vec<(EventKind, Vec<f64>)>;

/// A moment in s since 1970: what plots count in.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "to a microsecond in this century")]
pub fn seconds(at: Timestamp) -> f64 {
    at.unix_ns() as f64 / 1e9
}

impl Course {
    /// What is plotted: luminance or illuminance.
    #[must_use]
    pub fn quantity(&self) -> Photometric {
        self.bins.first().map_or(Photometric::Luminance, |bin| bin.quantity)
    }

    /// From when to when it goes, in s since 1970; where that isn't known, from the beginning of the first bin to the end of the last.
    #[must_use]
    pub fn span(&self) -> (f64, f64) {
        if let Some(ends_s) = self.ends_s {
            return ends_s;
        }
        let begin = self.bins.first().map_or(0.0, |bin| seconds(bin.at));
        let end = self.bins.iter().map(|bin| seconds(bin.at) + bin.span_s).fold(begin, f64::max);
        (begin, end)
    }

    /// The middle of a bin, in s since 1970: of what the course has of it.
    #[must_use]
    pub fn middle(&self, bin: &Bin) -> f64 {
        let (from, until) = self.ends_s.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        let begin = seconds(bin.at);
        f64::midpoint(begin.max(from), (begin + bin.span_s).min(until))
    }

    /// The bins, parted wherever there were no readings for much longer than usual.
    #[must_use]
    pub fn stretches(&self) -> Vec<&[Bin]> {
        let usual = self.usual_step();
        self.bins.chunk_by(|one, other| other_begins_in_time(one, other, usual)).collect()
    }

    /// From when to when there were no readings, in s since 1970.
    #[must_use]
    pub fn gaps(&self) -> Vec<(f64, f64)> {
        let stretches = self.stretches();
        let between = stretches.windows(2).filter_map(|pair| {
            let (last, first) = (pair[0].last()?, pair[1].first()?);
            Some((seconds(last.at) + last.span_s, seconds(first.at)))
        });
        between.collect()
    }

    /// The median time from one bin's beginning to that of the next; none with fewer than two.
    fn usual_step(&self) -> Option<f64> {
        let mut steps: Vec<f64> =
            self.bins.windows(2).map(|pair| seconds(pair[1].at) - seconds(pair[0].at)).collect();
        steps.sort_by(f64::total_cmp);
        steps.get(steps.len() / 2).copied()
    }

    /// Says from when to when it goes, unless its bins say otherwise, as they may after a clock was set.
    #[must_use]
    pub fn from_to(self, begin: f64, end: f64) -> Self {
        let known = self.bins.first().zip(self.bins.last()).is_some_and(|(first, last)| {
            begin < end && begin <= seconds(first.at) + first.span_s && end >= seconds(last.at)
        });
        Self { ends_s: known.then_some((begin, end)), ..self }
    }

    /// The smallest and the largest reading.
    #[must_use]
    pub fn range(&self) -> (f64, f64) {
        let low = self.bins.iter().map(|bin| bin.min).fold(f64::INFINITY, f64::min);
        let high = self.bins.iter().map(|bin| bin.max).fold(f64::NEG_INFINITY, f64::max);
        (low, high)
    }

    /// Readings in all of the bins.
    #[must_use]
    pub fn readings(&self) -> u64 {
        self.bins.iter().map(|bin| bin.count).sum()
    }

    /// The mean of u′ and v′ over the readings of bins that tell a colour.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a weight")]
    pub fn mean_colour(&self) -> Option<(f64, f64)> {
        let known = self.bins.iter().filter_map(|bin| Some((bin.count as f64, bin.chromaticity?)));
        let (weight, u, v) = known.fold((0.0, 0.0, 0.0), |(weight, u, v), (count, colour)| {
            (weight + count, u + count * colour.u_prime(), v + count * colour.v_prime())
        });
        (weight > 0.0).then(|| (u / weight, v / weight))
    }

    /// Whether any of the readings has this flag.
    #[must_use]
    pub fn has(&self, flag: Flag) -> bool {
        self.bins.iter().any(|bin| bin.flags.contains(&flag))
    }

    /// SIMULATED and REPLAYED, as they must be told beside any plot.
    #[must_use]
    pub fn unreal(&self) -> Vec<&'static str> {
        let words = [(Flag::Simulated, "SIMULATED"), (Flag::Replayed, "REPLAYED")];
        words.into_iter().filter(|(flag, _)| self.has(*flag)).map(|(_, word)| word).collect()
    }

    /// How long before its first reading a run may have begun and how long after its last one it may have ended, in s, to be marked at the ends of its plot.
    #[must_use]
    pub fn room_s(&self) -> f64 {
        let span = self.bins.iter().map(|bin| bin.span_s).fold(0.0, f64::max);
        GAP * self.usual_step().unwrap_or(0.0).max(span)
    }

    /// Whether something that comes right after the last reading, as the end of a run does, belongs to the end of this.
    #[must_use]
    pub fn reaches(&self, at: Timestamp) -> bool {
        let (begin, end) = self.span();
        (begin..=end + self.room_s()).contains(&seconds(at))
    }

    /// Where an event is marked, in s since 1970; nothing for what didn't happen meanwhile.
    #[must_use]
    pub fn place(&self, event: &Event) -> Option<f64> {
        let ((begin, end), room, at) = (self.span(), self.room_s(), seconds(event.at));
        match event.kind {
            EventKind::RunStarted if (begin - room..begin).contains(&at) => Some(begin),
            EventKind::RunEnded if (end..=end + room).contains(&at) => Some(end),
            _ => (begin..=end).contains(&at).then_some(at),
        }
    }

    /// What happened while it lasted, by kind.
    #[must_use]
    pub fn happened(&self) -> Happened {
        let mut happened: Happened = Vec::new();
        for event in &self.events {
            let Some(at) = self.place(event) else { continue };
            match happened.iter_mut().find(|(kind, _)| *kind == event.kind) {
                Some((_, times)) => times.push(at),
                None => happened.push((event.kind, vec![at])),
            }
        }
        happened
    }
}

fn other_begins_in_time(one: &Bin, other: &Bin, usual: Option<f64>) -> bool {
    let step = seconds(other.at) - seconds(one.at);
    usual.is_none_or(|usual| step <= GAP * usual.max(one.span_s))
}

/// What stands for a kind of event in a plot: a letter each, in the order of their first; a star beyond the alphabet.
#[must_use]
pub fn letter(index: usize) -> char {
    u8::try_from(index).ok().filter(|index| *index < 26).map_or('*', |index| char::from(b'a' + index))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Bins of a minute that begin at these minutes of a night, with values that go up by 0.1 each.
    pub(crate) fn course(minutes: &[u64]) -> Course {
        let bins = minutes.iter().enumerate().map(|(index, minute)| {
            let value = 200.0 + 0.1 * f64::from(u32::try_from(index).unwrap());
            let text = serde_json::json!({
                "at": Timestamp::from_unix_ns((1_795_716_000 + 60 * minute) * 1_000_000_000), "span_s": 60, "quantity": "luminance",
                "count": 2, "first": 2 * index + 1, "last": 2 * index + 2, "mean": value, "min": value - 0.5, "max": value + 0.4,
                "chromaticity": {"x": 0.3127, "y": 0.329, "u_prime": 0.197_830_006_642_836_8, "v_prime": 0.468_319_994_939_424_9},
                "flags": ["simulated"],
            });
            serde_json::from_value(text).unwrap()
        });
        Course {
            name: "bench".to_owned(),
            bins: bins.collect(),
            events: Vec::new(),
            more_events: false,
            settled: None,
            ends_s: None,
        }
    }

    pub(crate) fn event(kind: &str, minute: u64) -> Event {
        let at = Timestamp::from_unix_ns((1_795_716_000 + 60 * minute) * 1_000_000_000);
        let text = serde_json::json!({"sequence": minute, "at": at, "t_s": 1, "boot": "b", "kind": kind, "detail": "d"});
        serde_json::from_value(text).unwrap()
    }

    #[test]
    fn a_gap_is_much_longer_than_the_usual_step_whatever_that_is() {
        let minutes: Vec<u64> = (0..20).chain(80..100).collect();
        let found = course(&minutes);
        assert_eq!(found.stretches().iter().map(|bins| bins.len()).collect::<Vec<_>>(), [20, 20]);
        let begin = 1_795_716_000.0;
        assert_eq!(found.gaps(), [(begin + 20.0 * 60.0, begin + 80.0 * 60.0)]);
        // One bin in ten holds a reading: that is how they come, not a gap.
        let seldom: Vec<u64> = (0..20).map(|index| 10 * index).collect();
        assert!(course(&seldom).gaps().is_empty());
        // One that is missing now and then isn't one either.
        assert!(course(&[0, 1, 2, 4, 5, 6]).gaps().is_empty());
        assert!(course(&[3]).gaps().is_empty() && course(&[3]).stretches().len() == 1);
    }

    #[test]
    fn a_run_is_marked_where_it_began_and_ended_though_no_reading_is_from_then() {
        let mut found = course(&[1, 2, 3]);
        let begin = 1_795_716_000.0;
        // A little before the first bin and after the last; what is of another run isn't.
        found.events = vec![event("run_started", 0), event("run_ended", 5)];
        let ends = [(EventKind::RunStarted, vec![begin + 60.0]), (EventKind::RunEnded, vec![begin + 240.0])];
        assert_eq!(found.happened(), ends);
        found.events = vec![event("run_ended", 0), event("run_started", 5), event("run_ended", 9)];
        assert_eq!(found.happened(), []);
    }

    #[test]
    fn what_happened_is_told_by_kind_and_only_while_it_lasted() {
        let mut found = course(&[0, 1, 2, 3]);
        found.events =
            vec![event("meter_gone", 1), event("clock_step", 2), event("meter_gone", 3), event("alert", 9)];
        let happened = found.happened();
        assert_eq!(happened.iter().map(|(_, times)| times.len()).collect::<Vec<_>>(), [2, 1]);
        assert_eq!(happened[0].0, EventKind::MeterGone);
        assert_eq!([letter(0), letter(25), letter(26)], ['a', 'z', '*']);
        assert_eq!((found.unreal(), found.readings()), (vec!["SIMULATED"], 8));
        let (u, v) = found.mean_colour().unwrap();
        assert!((u - 0.19783).abs() < 1e-5 && (v - 0.46832).abs() < 1e-5);
    }
}
