//! A procedure begun, and begun anew where something came over it.

use super::{ANEW, Ended, Journey};
use crate::asking;
use crate::command::{Failure, wall_clock};
use crate::review::caution::consents;
use crate::review::itinerary::Stop;
use crate::review::plan::What;
use crate::review::record::Entry;
use crate::stimulus::way::Showing;

/// The longest rest before a procedure is begun anew, in s.
const LONGEST_REST_S: f64 = 600.0;

impl Journey<'_> {
    /// Begins a procedure, after the rest that its plan gives the display. Where it was begun before, by this process or one before it, the display
    /// has been driven by it: it rests for as long, and what must be agreed to is asked again. Agreed to beforehand means once more, and no oftener.
    pub(super) async fn begin(
        &mut self,
        stops: &[Stop<'_>],
        speed: f64,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        let Some(first @ Stop { set, sequence, .. }) = stops.first() else { return Ok(()) };
        let (of, name) = (set.name.clone(), sequence.name.clone());
        let here = match &self.begun {
            Some((set, sequence, times)) if *set == of && *sequence == name => *times,
            _ => 0,
        };
        let times = self.book.record().begun(&of, &name);
        let asked = consents(stops);
        let mut rest_s = sequence.rests_before_s();
        if times > 0 {
            if !asked.is_empty() && self.agreed && times >= 2 {
                let words = format!(
                    "{of}, {name}: begun {times} times, and cut off each time; --yes covers one such time: without it you are asked"
                );
                return Err(Ended::Failed(Failure::Input(words)));
            }
            if here >= ANEW {
                let words = format!("{of}, {name}: begun {here} times, and cut off each time");
                return Err(Ended::Failed(Failure::Input(words)));
            }
            self.tell_anew(first)?;
            let driven_s: f64 = stops.iter().filter_map(|stop| stop.step.watch_s).sum();
            rest_s = rest_s.max(driven_s.min(LONGEST_REST_S));
        }
        if rest_s > 0.0 {
            self.rest_before(first, (rest_s, speed), screen).await?;
        }
        // Whoever began this process was asked as it began.
        if here > 0 && !asked.is_empty() && !self.agreed {
            let words = format!("{}. That can leave a mark that stays. Once more?", asked.join("; "));
            if !asking::agrees(self.context.output, &words).await {
                let words = format!("{of}, {name}: it was not agreed to once more");
                return Err(Ended::Failed(Failure::Input(words)));
            }
        }
        let (set, sequence) = (of.clone(), name.clone());
        self.book.append(Entry::Begun { at: wall_clock(), set, sequence })?;
        self.begun = Some((of, name, here + 1));
        Ok(())
    }

    /// Says that it is begun anew, and writes it down.
    fn tell_anew(&mut self, Stop { set, sequence, .. }: &Stop<'_>) -> Result<(), Ended> {
        let warm = if self.on_stage && matches!(sequence.what, What::ColdStart { .. }) {
            "; the simulated display can't be let cool: it is warm"
        } else {
            ""
        };
        let words = format!("{}, {} is begun anew{warm}", set.name, sequence.name);
        self.progress.caution(&words);
        Ok(self.book.append(Entry::Note { at: wall_clock(), words })?)
    }
}
