//! How the page is: a state and no queue, so that it is bounded however long nobody looks.

use super::order::{Said, View};

/// Whether there is a page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Presence {
    /// There is none.
    #[default]
    Away,
    /// There is one, and nobody has begun.
    Loaded,
    /// It shows what it is told.
    Begun,
}

impl Presence {
    /// For scripts.
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Away => "away",
            Self::Loaded => "loaded",
            Self::Begun => "showing",
        }
    }

    /// What to do about a page that doesn't show.
    pub(super) fn advice(self, url: &str) -> String {
        match self {
            Self::Away => format!("no page is there; open {url} on the display"),
            Self::Loaded => "click the page, or press a key there, to begin".to_owned(),
            Self::Begun => {
                "the page does not draw; bring its tab to the front, and wake the display".to_owned()
            }
        }
    }
}

/// How the page is.
#[derive(Clone, Debug, Default)]
pub(super) struct Status {
    /// Of the line to the latest page; others say nothing any more.
    pub(super) line: u64,
    pub(super) presence: Presence,
    /// The order that was last drawn, and how.
    pub(super) shown: Option<(u64, View)>,
    /// What has become of it since.
    pub(super) disturbed: Option<String>,
}

impl Status {
    /// Another page has come, and takes over.
    pub(super) fn arrive(&mut self) -> u64 {
        if self.presence == Presence::Begun {
            self.lose("the page was loaded anew");
        }
        self.presence = Presence::Loaded;
        self.line += 1;
        self.line
    }

    /// The page of a line has gone.
    pub(super) fn leave(&mut self, line: u64) -> bool {
        if line != self.line {
            return false;
        }
        if self.presence == Presence::Begun {
            self.lose("the page was gone");
        }
        self.presence = Presence::Away;
        true
    }

    /// Something else is asked for: what became of the stimulus before doesn't matter any more.
    pub(super) fn forget(&mut self) {
        (self.shown, self.disturbed) = (None, None);
    }

    /// What the page of a line says.
    pub(super) fn hear(&mut self, line: u64, said: Said) -> bool {
        if line != self.line {
            return false;
        }
        match said {
            Said::Here { begun } => self.presence = if begun { Presence::Begun } else { Presence::Loaded },
            Said::Begun => self.presence = Presence::Begun,
            Said::Shown { id, view } => self.show(id, view),
            Said::Hidden => {
                self.disturb(|| "something was in front of the page, or the display was off".to_owned())
            }
        }
        true
    }

    fn show(&mut self, id: u64, view: View) {
        match self.shown {
            Some((before, other)) if before == id => {
                if other != view {
                    let (from, to) = (other.in_words(), view.in_words());
                    self.disturb(|| format!("the page was changed, from {from} to {to}"));
                }
            }
            // What came before it is on the screen disturbs nothing.
            Some(_) | None => self.disturbed = None,
        }
        self.shown = Some((id, view));
    }

    /// A page that goes says first that nobody can see it, which isn't all there is to say.
    fn lose(&mut self, why: &str) {
        self.disturbed = None;
        self.disturb(|| why.to_owned());
    }

    /// Only what was shown can be disturbed; the first cause is the one to tell.
    fn disturb(&mut self, why: impl FnOnce() -> String) {
        if self.shown.is_some() && self.disturbed.is_none() {
            self.disturbed = Some(format!("{} while a stimulus was shown", why()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view(width: u32) -> View {
        let (left, top, window_width, window_height) = (10, 10, 80, 80);
        let (height, ratio, fills, awake, exact) = (100, 1.0, true, true, true);
        let (depth, gamut, hdr) = (24, None, false);
        View {
            width,
            height,
            left,
            top,
            window_width,
            window_height,
            ratio,
            fills,
            awake,
            exact,
            depth,
            gamut,
            hdr,
        }
    }

    #[test]
    fn what_becomes_of_a_stimulus_is_kept_and_what_was_before_it_is_not() {
        let mut status = Status::default();
        let line = status.arrive();
        assert!(status.hear(line, Said::Begun) && status.hear(line, Said::Hidden));
        assert_eq!(status.disturbed, None, "nothing was shown yet");
        status.hear(line, Said::Shown { id: 1, view: view(100) });
        status.hear(line, Said::Shown { id: 1, view: view(100) });
        assert_eq!(status.disturbed, None, "the same was drawn anew");
        status.hear(line, Said::Shown { id: 1, view: view(90) });
        status.hear(line, Said::Hidden);
        let words = status.disturbed.clone().unwrap();
        assert!(words.contains("from 100 × 100") && words.contains("to 90 × 100"), "{words}");
        status.hear(line, Said::Shown { id: 2, view: view(90) });
        assert_eq!(status.disturbed, None, "it was another stimulus that was disturbed");
        status.forget();
        assert_eq!((status.shown, &status.disturbed), (None, &None));
    }

    #[test]
    fn a_page_that_was_followed_by_another_says_nothing_any_more() {
        let mut status = Status::default();
        let first = status.arrive();
        status.hear(first, Said::Begun);
        status.hear(first, Said::Shown { id: 1, view: view(100) });
        let second = status.arrive();
        assert_eq!(status.presence, Presence::Loaded);
        assert!(status.disturbed.as_ref().is_some_and(|words| words.contains("loaded anew")));
        assert!(!status.hear(first, Said::Shown { id: 2, view: view(100) }) && !status.leave(first));
        assert_eq!(status.shown, Some((1, view(100))));
        assert!(status.hear(second, Said::Begun) && status.hear(second, Said::Hidden));
        assert!(status.leave(second));
        assert!(status.disturbed.as_ref().is_some_and(|words| words.contains("the page was gone")));
        assert_eq!(status.presence, Presence::Away);
    }
}
