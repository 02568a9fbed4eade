//! Steps: where the level changes at once and stays changed. What lies between two steps is a segment.

use super::blocks::Block;
use super::order::{median, spread};

/// Blocks on either side of a place whose medians are compared: one wild block among them changes neither.
const SIDE: usize = 3;

/// A step is so many times what medians that far apart usually differ by. The greatest of sixty normal ones is 2.7 times it on
/// average, and so is that of a random walk, so that neither is taken for steps.
const STANDS_OUT: f64 = 8.0;

/// A step in a series of blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Step {
    /// The first block after it.
    pub(super) at: usize,
    /// By how much the level changes.
    pub(super) by: f64,
}

/// The steps of a series, oldest first, at least as many blocks apart as are compared on either side.
pub(super) fn steps(blocks: &[Block<1>]) -> Vec<Step> {
    let level = |part: &[Block<1>]| {
        let mut values: Vec<f64> = part.iter().map(|block| block.y[0]).collect();
        median(&mut values)
    };
    let change = |at: usize| {
        let before = at.checked_sub(SIDE).and_then(|from| blocks.get(from..at)).and_then(level)?;
        Some(Step { at, by: blocks.get(at..at + SIDE).and_then(level)? - before })
    };
    let changes: Vec<Step> = (SIDE..blocks.len()).filter_map(change).collect();
    let mut usual: Vec<f64> = changes.iter().map(|step| step.by).collect();
    // A steady drift is no step.
    let Some(drift) = median(&mut usual) else { return Vec::new() };
    let least = STANDS_OUT * spread(changes.iter().map(|step| step.by - drift));
    let mut found: Vec<Step> = Vec::new();
    if least <= 0.0 {
        return found;
    }
    for step in changes.iter().filter(|step| (step.by - drift).abs() > least) {
        match found.last_mut() {
            Some(last) if step.at < last.at + SIDE => {
                if (step.by - drift).abs() > (last.by - drift).abs() {
                    *last = *step;
                }
            }
            _ => found.push(*step),
        }
    }
    found
}
