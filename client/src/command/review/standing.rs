//! What stands on the screen, and the dark grey that takes its place while nothing is read from it: whoever waits for a person, a meter or
//! a daemon doesn't know for how long.

use crate::review::criteria::is_bright;
use crate::review::itinerary::Stop;
use crate::review::patch::{Coding, Patch};
use crate::stimulus::{NotShown, Screen};

/// The signal of the grey that a display rests on.
const REST: f64 = 0.1;

/// What was shown last.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) enum Standing {
    /// Nothing of ours, or the dark grey.
    #[default]
    Nothing,
    /// A stimulus.
    Stimulus {
        /// How its code values are written.
        coding: Coding,
        /// How long is to be rested from it, in s; 0 where it isn't bright.
        rest_s: f64,
        /// Whether it is bright.
        bright: bool,
    },
}

impl Standing {
    /// It is being shown.
    pub(super) fn of(stop: &Stop<'_>) -> Self {
        let bright = is_bright(stop);
        Self::Stimulus {
            coding: stop.set.coding,
            rest_s: if bright { stop.sequence.rest_s } else { 0.0 },
            bright,
        }
    }

    /// How long is to be rested from it before the next is shown, in s.
    pub(super) fn rest_s(self) -> f64 {
        match self {
            Self::Nothing => 0.0,
            Self::Stimulus { rest_s, .. } => rest_s,
        }
    }

    pub(super) fn is_bright(self) -> bool {
        matches!(self, Self::Stimulus { bright: true, .. })
    }

    /// Shows the dark grey instead of a stimulus.
    pub(super) async fn calm(&mut self, screen: &mut impl Screen) -> Result<(), NotShown> {
        let Self::Stimulus { coding, .. } = *self else { return Ok(()) };
        let codes = [coding.code(REST); 3];
        let rest = Patch { name: "rest".to_owned(), codes, background: codes, window_percent: 100.0 };
        screen.show(&rest, coding).await?;
        *self = Self::Nothing;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::itinerary::stops;
    use crate::review::ready::READY;

    /// All that was shown.
    #[derive(Default)]
    struct Shown(Vec<Patch>);

    impl Screen for Shown {
        async fn show(&mut self, patch: &Patch, _: Coding) -> Result<(), NotShown> {
            self.0.push(patch.clone());
            Ok(())
        }
    }

    #[tokio::test]
    async fn a_dark_grey_takes_the_place_of_a_stimulus_once_whatever_rest_its_sequence_has() {
        let mut plan = READY[0].plan().unwrap();
        plan.sets[0].sequences[0].rest_s = 0.0;
        let stops = stops(&plan, &[], None);
        let white = stops.iter().find(|stop| stop.step.patch.name == "white").unwrap();
        let (mut screen, mut standing) = (Shown::default(), Standing::of(white));
        assert!(standing.is_bright());
        standing.calm(&mut screen).await.unwrap();
        standing.calm(&mut screen).await.unwrap();
        let [rest] = screen.0.as_slice() else { panic!("{:?}", screen.0) };
        let dark = plan.sets[0].coding.code(0.2);
        assert!(rest.codes.iter().chain(&rest.background).all(|code| *code < dark), "{rest:?}");
        assert!(!standing.is_bright());
    }

    #[test]
    fn the_rest_is_that_of_the_bright_stimulus_and_of_no_other() {
        let mut plan = READY[0].plan().unwrap();
        plan.sets[0].sequences[0].rest_s = 7.0;
        let stops = stops(&plan, &[], None);
        let named = |name: &str| stops.iter().find(|stop| stop.step.patch.name == name).unwrap();
        assert_eq!(Standing::of(named("white")).rest_s(), 7.0);
        assert_eq!(Standing::of(named("black")).rest_s(), 0.0);
    }
}
