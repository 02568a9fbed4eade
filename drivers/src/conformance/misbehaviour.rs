//! The ways an instrument, or the line to it, spoils an answer.

use std::time::Duration;

use crate::link::script::Step;

/// Bytes of a flood: more than anybody takes for an answer.
const FLOOD: usize = 3 << 20;

/// One way to spoil an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Misbehaviour {
    /// Nothing comes.
    Silence,
    /// So many bytes come, and no more.
    Cut(usize),
    /// So many bytes come, and the line closes.
    Close(usize),
    /// It comes, after this long.
    Late(Duration),
    /// It comes byte by byte, with this long before each.
    Trickle(Duration),
    /// It comes, and at once all of it once more. (A second answer that comes later than the next command can't be told from an answer to
    /// that: nothing in it says which it is.)
    Twice,
    /// What was sent comes first.
    Echo,
    /// 10,000 bytes of everything come instead, ends of lines included.
    Noise,
    /// So much of that comes that no end can be waited for.
    Flood,
}

impl Misbehaviour {
    /// What comes of `command`, to which `answer` would have been right.
    pub(super) fn spoil(self, command: &[u8], answer: Vec<Step>) -> Vec<Step> {
        match self {
            Self::Silence => Vec::new(),
            Self::Cut(count) => first(count, answer),
            Self::Close(count) => first(count, answer).into_iter().chain([Step::Close]).collect(),
            Self::Late(by) => [Step::Wait(by)].into_iter().chain(answer).collect(),
            Self::Trickle(pause) => trickle(pause, answer),
            Self::Twice => {
                let again = answer.iter().filter(|step| matches!(step, Step::Say(_)));
                answer.iter().chain(again).cloned().collect()
            }
            Self::Echo => [Step::Say(command.to_vec())].into_iter().chain(answer).collect(),
            Self::Noise => vec![Step::Say(noise(10_000))],
            Self::Flood => vec![Step::Say(noise(1 << 10)); FLOOD >> 10],
        }
    }
}

/// How many bytes are said.
pub(super) fn size(steps: &[Step]) -> usize {
    steps.iter().map(|step| if let Step::Say(bytes) = step { bytes.len() } else { 0 }).sum()
}

fn first(count: usize, steps: Vec<Step>) -> Vec<Step> {
    let mut left = count;
    let mut kept = Vec::new();
    for step in steps {
        if left == 0 {
            break;
        }
        kept.push(match step {
            Step::Say(mut bytes) => {
                bytes.truncate(left);
                left -= bytes.len();
                Step::Say(bytes)
            }
            other => other,
        });
    }
    kept
}

fn trickle(pause: Duration, steps: Vec<Step>) -> Vec<Step> {
    let slow = |byte| [Step::Wait(pause), Step::Say(vec![byte])];
    let spread = |step| match step {
        Step::Say(bytes) => bytes.into_iter().flat_map(slow).collect(),
        other => vec![other],
    };
    steps.into_iter().flat_map(spread).collect()
}

/// A linear congruential generator (constants of Numerical Recipes, from memory); its upper bits.
fn noise(count: usize) -> Vec<u8> {
    let mut state = 7_u32;
    let mut byte = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    };
    (0..count).map(|_| byte()).collect()
}
