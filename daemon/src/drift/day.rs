//! What comes again each day: a sine of 24 hours beside a line, by least squares through block means (harmonic regression, as in
//! Bloomfield's book; from memory).

use settled_protocol::statistics::DayCycle;

use super::blocks::Block;
use super::quantile;

/// A day, in s.
const DAY_S: f64 = 86_400.0;

/// A cycle is told from two days on.
const LEAST_S: f64 = 2.0 * DAY_S;

/// Blocks longer than this blur a day too much.
const LONGEST_S: f64 = 4.0 * 3600.0;

/// Blocks that it takes.
const FEWEST: usize = 12;

/// Residuals more alike than this from one block to the next are taken as this alike.
const MOST_ALIKE: f64 = 0.95;

/// Level, slope, cosine and sine.
const TERMS: usize = 4;

/// The day cycle of a series, whose time 0 was `midnight_s` after some UTC midnight; nothing where there is less than two days of it.
pub(super) fn cycle(blocks: &[Block<1>], length_s: f64, midnight_s: f64) -> Option<DayCycle> {
    let (first, last) = (blocks.first()?, blocks.last()?);
    let span = last.t_s - first.t_s;
    // Times are those of the blocks' middles.
    if span + 2.0 * length_s < LEAST_S || length_s > LONGEST_S || blocks.len() < FEWEST {
        return None;
    }
    let turn = std::f64::consts::TAU / DAY_S;
    let terms = |t: f64| [1.0, (t - first.t_s) / span - 0.5, (turn * t).cos(), (turn * t).sin()];
    let mut normal = [[0.0; TERMS]; TERMS];
    let mut right = [0.0; TERMS];
    for block in blocks {
        let terms = terms(block.t_s);
        for ((row, sum), a) in normal.iter_mut().zip(&mut right).zip(terms) {
            *sum += a * (block.y[0] - first.y[0]);
            for (cell, b) in row.iter_mut().zip(terms) {
                *cell += a * b;
            }
        }
    }
    let inverse = inverse(normal)?;
    let times =
        |vector: &[f64; TERMS]| inverse.map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum::<f64>());
    let found = times(&right);
    let left: Vec<f64> = blocks
        .iter()
        .map(|block| {
            let fitted = terms(block.t_s).iter().zip(found).map(|(a, b)| a * b).sum::<f64>();
            block.y[0] - first.y[0] - fitted
        })
        .collect();
    let [_, _, cosine, sine] = found;
    // Means over blocks are lower than the sine by sin(x)/x.
    let half = 0.5 * turn * length_s;
    let blur = half.sin() / half;
    let count = left.len() as f64;
    let squares = left.iter().map(|e| e * e).sum::<f64>();
    let lagged = left.iter().zip(left.iter().skip(1)).map(|(a, b)| a * b).sum::<f64>();
    let lag = if squares > 0.0 { lagged / squares } else { 0.0 };
    let alike = (lag + (2.0 + 4.0 * lag) / count).clamp(0.0, MOST_ALIKE);
    let inflation = (1.0 + alike) / (1.0 - alike);
    let freedom = (count / inflation - TERMS as f64).max(1.0);
    let variance = squares / (count - TERMS as f64 * inflation).max(1.0) * inflation;
    let [_, _, [_, _, of_cosine, _], [_, _, _, of_sine]] = inverse;
    let error = (variance * f64::midpoint(of_cosine, of_sine)).sqrt();
    let amplitude = cosine.hypot(sine);
    let reach = quantile::student(freedom) * error;
    let there = amplitude * amplitude > 2.0 * error * error * quantile::pair(freedom);
    let crest = (sine.atan2(cosine) / turn + midnight_s).rem_euclid(DAY_S) / 3600.0;
    Some(DayCycle {
        amplitude: amplitude / blur,
        low: if there { (amplitude - reach).max(0.0) / blur } else { 0.0 },
        high: (amplitude + reach) / blur,
        crest_h: crest,
    })
}

/// The inverse of a matrix, by Gauss and Jordan with the largest pivot; nothing where it has none.
fn inverse(mut matrix: [[f64; TERMS]; TERMS]) -> Option<[[f64; TERMS]; TERMS]> {
    let mut inverse = [[0.0; TERMS]; TERMS];
    for (place, row) in inverse.iter_mut().enumerate() {
        *row.get_mut(place)? = 1.0;
    }
    for column in 0..TERMS {
        let size =
            |row: &usize| matrix.get(*row).and_then(|row| row.get(column)).map_or(0.0, |cell| cell.abs());
        let pivot = (column..TERMS).max_by(|a, b| size(a).total_cmp(&size(b)))?;
        if size(&pivot) <= 1e-9 {
            return None;
        }
        matrix.swap(column, pivot);
        inverse.swap(column, pivot);
        let (mut lead, mut lead_inverse) = (*matrix.get(column)?, *inverse.get(column)?);
        let scale = *lead.get(column)?;
        lead = lead.map(|cell| cell / scale);
        lead_inverse = lead_inverse.map(|cell| cell / scale);
        for (row, (cells, others)) in matrix.iter_mut().zip(&mut inverse).enumerate() {
            if row == column {
                (*cells, *others) = (lead, lead_inverse);
                continue;
            }
            let times = *cells.get(column)?;
            for (cell, lead) in cells.iter_mut().zip(lead) {
                *cell -= times * lead;
            }
            for (cell, lead) in others.iter_mut().zip(lead_inverse) {
                *cell -= times * lead;
            }
        }
    }
    Some(inverse)
}
