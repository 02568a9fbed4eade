//! Wild readings: blocks far off from those around them. What stays changed isn't wild but a step.

use super::blocks::Block;
use super::order::{median, spread};

/// Blocks on either side of the one that is looked at.
const SIDE: usize = 5;

/// Wild is what lies so many standard deviations off the median around it (Hampel's filter, which is common at 3; at 8 nothing of
/// normal noise is lost, whatever the number of blocks).
const FAR: f64 = 8.0;

/// Which of the first channel's blocks are wild.
pub(super) fn wild<const C: usize>(blocks: &[Block<C>]) -> Vec<bool> {
    let value = |block: &Block<C>| block.y.first().copied().unwrap_or_default();
    let mut around = Vec::with_capacity(2 * SIDE + 1);
    let off: Vec<f64> = blocks
        .iter()
        .enumerate()
        .map(|(place, block)| {
            around.clear();
            around.extend(blocks.iter().take(place + SIDE + 1).skip(place.saturating_sub(SIDE)).map(value));
            value(block) - median(&mut around).unwrap_or_default()
        })
        .collect();
    let far = FAR * spread(off.iter().copied());
    off.iter().map(|off| far > 0.0 && off.abs() > far).collect()
}
