//! A procedure begun, and begun anew where something came over it.

use super::{ANEW, Ended, Journey, pause};
use crate::asking;
use crate::command::{Failure, wall_clock};
use crate::review::caution::consents;
use crate::review::itinerary::Stop;
use crate::review::record::Entry;
use crate::stimulus::way::Showing;

/// The longest rest before a procedure is begun anew, in s.
const LONGEST_REST_S: f64 = 600.0;

impl Journey<'_> {
    /// Begins a procedure. Where it was begun before, the display has been driven by it: it rests first, and what must be agreed to is asked
    /// again. Agreed to beforehand means once more, and no oftener.
    pub(super) async fn begin(
        &mut self,
        stops: &[Stop<'_>],
        speed: f64,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        let Some(Stop { set, sequence, .. }) = stops.first() else { return Ok(()) };
        let (of, name) = (set.name.clone(), sequence.name.clone());
        let times = match &self.begun {
            Some((set, sequence, times)) if *set == of && *sequence == name => *times,
            _ => 0,
        };
        if times > 0 {
            let asked = consents(stops);
            let most = if !asked.is_empty() && self.agreed { 2 } else { ANEW };
            if times >= most {
                let words = format!("{of}, {name}: begun {times} times, and cut off each time");
                return Err(Ended::Failed(Failure::Input(words)));
            }
            let words = format!("{of}, {name} is begun anew");
            self.progress.caution(&words);
            self.book.append(Entry::Note { at: wall_clock(), words })?;
            self.calm(screen).await?;
            let driven_s: f64 = stops.iter().filter_map(|stop| stop.step.watch_s).sum();
            pause(driven_s.min(LONGEST_REST_S), speed).await;
            if !asked.is_empty() && !self.agreed {
                let words = format!("{}. That can leave a mark that stays. Once more?", asked.join("; "));
                if !asking::agrees(self.context.output, &words).await {
                    let words = format!("{of}, {name}: it was not agreed to once more");
                    return Err(Ended::Failed(Failure::Input(words)));
                }
            }
        }
        self.begun = Some((of, name, times + 1));
        Ok(())
    }
}
