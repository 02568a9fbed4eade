//! Numbers that jump though nothing is missing: after a daemon that was killed.

use serde_json::json;

use crate::output::{CAUTION, Output, styled};

/// A daemon that was killed skips the numbers that it had set aside, half a million at the least; readings of other meters in
/// between are fewer than this by far.
const JUMP: u64 = 100_000;

/// The numbers of what is shown.
#[derive(Debug, Default)]
pub(super) struct Numbers {
    last: Option<u64>,
    /// The daemon has come back, and nothing is known to be missing.
    pub(super) returned: bool,
}

impl Numbers {
    /// The number after which those up to this one were left out, if they were.
    pub(super) fn jump(&mut self, sequence: u64) -> Option<u64> {
        let last = self.last.replace(sequence);
        let returned = std::mem::take(&mut self.returned);
        last.filter(|last| returned && sequence.saturating_sub(*last) > JUMP)
    }
}

pub(super) fn say_jump(output: Output, after: u64, from: u64) {
    let words = format!("-- numbers go on from {from}: those in between were set aside, none is missing --");
    output.note(&styled(CAUTION, &words), &json!({ "numbers": { "after": after, "from": from } }));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_that_were_set_aside_are_told_once_after_a_return_and_a_few_of_other_meters_are_not() {
        let mut numbers = Numbers::default();
        assert_eq!(numbers.jump(7), None);
        numbers.returned = true;
        assert_eq!(numbers.jump(1_000_001), Some(7));
        assert_eq!(numbers.jump(2_000_001), None, "it has not come back since");
        numbers.returned = true;
        assert_eq!(numbers.jump(2_000_090), None);
    }
}
