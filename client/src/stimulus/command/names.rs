//! Names on a command line. People choose them, and charts come from elsewhere: none may be run by a shell or taken for an option.

use super::{Piece, Place, Template, Word};
use crate::review::record::Place as Spot;

/// Which of these words a shell runs: the one behind `-c` (or options that end so, `-ec`) of a program whose name ends with `sh`.
pub(super) fn code(words: &[String]) -> Option<usize> {
    let is_shell = |word: &String| word.rsplit('/').next().is_some_and(|name| name.ends_with("sh"));
    let shell = words.iter().position(is_shell)?;
    let is_option = |word: &String| word.starts_with('-') && !word.starts_with("--") && word.ends_with('c');
    let option = words.iter().skip(shell).position(is_option)?;
    Some(shell + option + 1)
}

/// The first place in a word that a name is filled in at.
pub(super) fn first(word: &Word) -> Option<&'static str> {
    word.iter().find_map(|piece| match piece {
        Piece::Place(place) => place.name(),
        Piece::Text(_) => None,
    })
}

impl Place {
    /// What it is called, where a name is filled in.
    fn name(self) -> Option<&'static str> {
        match self {
            Self::Name => Some("name"),
            Self::Set => Some("set"),
            Self::Sequence => Some("sequence"),
            _ => None,
        }
    }
}

impl Template {
    /// What is wrong with filling in these names, if something is: a word that is a name alone and begins with `-` is an option to most programs.
    #[must_use]
    pub fn mistake(&self, name: &str, spot: &Spot) -> Option<String> {
        let named = |word: &Word| {
            let [Piece::Place(place)] = word.as_slice() else { return None };
            let filled = match place {
                Place::Name => name,
                Place::Set => &spot.set,
                Place::Sequence => &spot.sequence,
                _ => return None,
            };
            filled.starts_with('-').then(|| (place.name().unwrap_or_default(), filled.to_owned()))
        };
        let (place, filled) = self.arguments.iter().find_map(named)?;
        Some(format!(
            "{filled:?} would be an option of the command where {{{place}}} is a word by itself: name it otherwise, or put something before it, \
             as in name={{{place}}}"
        ))
    }
}
