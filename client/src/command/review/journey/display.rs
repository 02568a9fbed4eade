//! What is done at the display: it is switched, looked at, given rest, and shows the next stimulus.

use super::{Ended, Journey, pause, unshown};
use crate::asking;
use crate::command::Failure;
use crate::command::review::looking::Looker;
use crate::command::review::standing::Standing;
use crate::review::itinerary::Stop;
use crate::review::plan::{Plan, Set, What};
use crate::stimulus::Screen;
use crate::stimulus::way::Showing;

impl Journey<'_> {
    /// Has the display switched to the set's mode, where there are several.
    pub(super) async fn switch(
        &mut self,
        plan: &Plan,
        stop: &Stop<'_>,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        let Set { name, .. } = stop.set;
        if self.mode.as_ref() == Some(name) {
            return Ok(());
        }
        if plan.sets.len() > 1 {
            if self.on_stage {
                self.progress.caution(&format!("{name}: the simulated display stays as its config has it"));
            } else {
                let on = if std::mem::take(&mut self.off) {
                    "Switch the display on again, to"
                } else {
                    "Switch the display to"
                };
                let words = format!("{on} {name}, and give it time to warm up as it is used");
                self.ask(&words, screen).await?;
            }
        }
        self.mode = Some(name.clone());
        Ok(())
    }

    /// Has a person do something. Nobody knows how long that takes: the display rests meanwhile.
    pub(super) async fn ask(&mut self, words: &str, screen: &mut Showing<'_>) -> Result<(), Ended> {
        self.calm(screen).await?;
        let asked = asking::enter(self.context.output, words).await;
        asked.map_err(|unattended| Ended::Failed(Failure::Input(unattended.to_string())))
    }

    /// Shows a dark grey instead of what stands. Where someone shows stimuli by hand, they are told to.
    pub(super) async fn calm(&mut self, screen: &mut Showing<'_>) -> Result<(), Ended> {
        screen.announce(None);
        if !screen.is_by_hand() {
            return self.standing.calm(screen).await.map_err(unshown);
        }
        if std::mem::take(&mut self.standing).is_bright() {
            self.progress.caution("show black meanwhile: what stands on the display is bright");
        }
        Ok(())
    }

    /// Lets the display rest on a dark grey after what was bright.
    pub(super) async fn rest(&mut self, speed: f64, screen: &mut Showing<'_>) -> Result<(), Ended> {
        let rest_s = self.standing.rest_s();
        if rest_s > 0.0 && !screen.is_by_hand() {
            self.calm(screen).await?;
            pause(rest_s, speed).await;
        }
        Ok(())
    }

    /// Lets the display rest on a dark grey before what is watched, whatever stands on it: nobody knows what a process before this one left there.
    pub(super) async fn rest_before(
        &mut self,
        stop: &Stop<'_>,
        (for_s, speed): (f64, f64),
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        self.progress.resting(stop, for_s);
        if screen.is_by_hand() {
            self.standing = Standing::Nothing;
            self.progress.caution("show black meanwhile");
        } else {
            self.standing = Standing::of(stop);
            self.calm(screen).await?;
        }
        pause(for_s, speed).await;
        Ok(())
    }

    /// Has the meter look where it should.
    pub(super) async fn aim(&mut self, stop: &Stop<'_>, screen: &mut Showing<'_>) -> Result<(), Ended> {
        let position = stop.step.position;
        if position != self.position {
            let words = match position {
                Some([x, y]) => {
                    let (x, y) = (100.0 * x, 100.0 * y);
                    let name = &stop.step.patch.name;
                    format!(
                        "Move the meter to {name}: {x:.0} % of the width from the left, {y:.0} % of the height from the top"
                    )
                }
                None => "Move the meter back to the middle of the screen".to_owned(),
            };
            if !self.on_stage {
                self.calm(screen).await?;
            }
            screen.look_at(position, &words).await.map_err(unshown)?;
            self.position = position;
        }
        Ok(())
    }

    pub(super) async fn show(
        &mut self,
        stop: &Stop<'_>,
        looker: Looker<'_>,
        screen: &mut Showing<'_>,
    ) -> Result<(), Ended> {
        if stop.step.off {
            self.off = true;
            let switch = "Switch the display off, and leave the meter where it is";
            return if self.on_stage { looker.switch_off().await } else { self.ask(switch, screen).await };
        }
        if std::mem::take(&mut self.off) && !self.on_stage {
            let words =
                "Switch the display on again, in the same mode, and give it time to warm up as it is used";
            self.ask(words, screen).await?;
        }
        if matches!(stop.sequence.what, What::ColdStart { .. }) && !self.on_stage {
            let words = "Switch the display off until it has cooled down, and on again; as soon as it can show anything";
            self.ask(words, screen).await?;
        }
        self.standing = Standing::of(stop);
        screen.announce(Some(&stop.place()));
        screen.show(&stop.step.patch, stop.set.coding).await.map_err(unshown)
    }
}
