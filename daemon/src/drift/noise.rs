//! Names for noise: from the power that it goes with to a kind, and what to take where there is too little to tell.

use settled_protocol::statistics::Noise;

use super::allan::Averaged;

/// The kind of a power of the frequency.
pub(super) fn kind(alpha: i32) -> Noise {
    match alpha {
        1.. => Noise::Phase,
        0 => Noise::White,
        -1 => Noise::Flicker,
        _ => Noise::RandomWalk,
    }
}

/// The power at each averaging time. Where too few means are left to tell, it is that of the time before (as SP 1065 has it); where
/// there were too few from the beginning, that of the slope.
pub(super) fn alphas(averaged: &[Averaged]) -> Vec<i32> {
    let mut before = None;
    let mut found = Vec::with_capacity(averaged.len());
    for (place, one) in averaged.iter().enumerate() {
        before = one.alpha.or(before);
        let slope = || averaged.get(place + 1).map_or(0, |next| by_slope(one.deviation, next.deviation));
        found.push(*before.get_or_insert_with(slope));
    }
    found
}

/// σ² goes as τ^μ, and μ = −α − 1 for α from 1 to −2 (SP 1065, 3.2); by two times of which one is twice the other.
fn by_slope(deviation: f64, next: f64) -> i32 {
    if deviation <= 0.0 || next <= 0.0 {
        return 0;
    }
    (-2.0 * (next / deviation).log2() - 1.0).round().clamp(-2.0, 2.0) as i32
}
