use settled_protocol::stage::Range;

use super::*;
use crate::evaluate::aim::{Primaries, Transfer};

/// An SDR mode at 10 bits, full range.
pub(in crate::review) fn set() -> Set {
    Set {
        name: "SDR".to_owned(),
        coding: Coding { bits: 10, range: Range::Full },
        aim: Aim { transfer: Transfer::Power { gamma: 2.2 }, primaries: Primaries::Bt709, white: None },
        sequences: Vec::new(),
    }
}

/// A sequence in a window of 10 % on black.
pub(in crate::review) fn sequence(what: What) -> Sequence {
    Sequence {
        name: "it".to_owned(),
        what,
        window_percent: 10.0,
        background: 0.0,
        order: Order::DarkToLight,
        rest_s: 0.0,
        rest_before_s: None,
    }
}
