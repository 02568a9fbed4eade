//! The least squares of a curve with exponential terms.

use super::{Curve, Sample, Term};

/// Time constants of the grid.
const GRID: usize = 28;
/// The longest time constant over the stretch of time: longer ones look like a straight line, all alike.
const LONGEST: f64 = 10.0;
/// How long a refinement goes on.
pub(super) struct Effort {
    steps: usize,
    /// It ends when no parameter moves by more than this share.
    close: f64,
}

/// To the last digits.
const ALL: Effort = Effort { steps: 80, close: 1e-10 };
/// From close by, to much less than what noise leaves open.
pub(super) const LITTLE: Effort = Effort { steps: 12, close: 1e-5 };
/// Parameters at most: limit, and two for each of two terms.
const MOST: usize = 5;

type Vector = [f64; MOST];
type Matrix = [Vector; MOST];

/// The best curve of so many terms.
pub(super) fn best(samples: &[Sample], terms: usize) -> Option<Curve> {
    let origin_s = samples.first()?.t_s;
    let flat = Curve { origin_s, limit: mean(samples), terms: Vec::new() };
    if terms == 0 {
        return flat.limit.is_finite().then_some(flat);
    }
    let (shortest, longest) = range(samples)?;
    let step = (longest / shortest).ln() / (GRID - 1) as f64;
    let grid: Vec<f64> = (0..GRID).map(|row| shortest * (step * row as f64).exp()).collect();
    let grid = Grid::new(samples, &grid);
    let (start, _) = match terms {
        1 => least((0..GRID).map(|row| vec![row]), &grid)?,
        _ => {
            let pairs = (0..GRID).flat_map(|slow| (0..slow).map(move |quick| vec![quick, slow]));
            least(pairs, &grid)?
        }
    };
    refined(samples, &Curve { terms: start, ..flat }, &ALL)
}

fn mean(samples: &[Sample]) -> f64 {
    let weight: f64 = samples.iter().map(|sample| sample.count).sum();
    samples.iter().map(|sample| sample.count * sample.value).sum::<f64>() / weight
}

/// The shortest and the longest time constant that is sought.
fn range(samples: &[Sample]) -> Option<(f64, f64)> {
    let (first, last) = (samples.first()?.t_s, samples.last()?.t_s);
    let apart = |pair: &[Sample]| Some(pair.last()?.t_s - pair.first()?.t_s).filter(|apart| *apart > 0.0);
    let shortest = samples.windows(2).filter_map(apart).fold(f64::INFINITY, f64::min);
    (shortest.is_finite() && last > first).then_some((0.5 * shortest, LONGEST * (last - first)))
}

/// Sums of products of the grid's exponentials about their means: what every pair's least squares is made of.
struct Grid<'a> {
    constants: &'a [f64],
    /// Weighted mean of each exponential, and of the values.
    means: Vec<f64>,
    mean_value: f64,
    /// Σ w·e·e′.
    products: Vec<Vec<f64>>,
    /// Σ w·e·y.
    with_values: Vec<f64>,
}

impl<'a> Grid<'a> {
    fn new(samples: &[Sample], constants: &'a [f64]) -> Self {
        let origin = samples.first().map_or(0.0, |sample| sample.t_s);
        let mut means = Vec::with_capacity(constants.len());
        let mut centred = Vec::with_capacity(constants.len());
        for constant in constants {
            let decayed = |sample: &Sample| (-(sample.t_s - origin) / constant).exp();
            let mut decayed: Vec<f64> = samples.iter().map(decayed).collect();
            let weighed = samples.iter().zip(&decayed).map(|(sample, decayed)| sample.count * decayed);
            let mean = weighed.sum::<f64>() / samples.iter().map(|sample| sample.count).sum::<f64>();
            decayed.iter_mut().for_each(|decayed| *decayed -= mean);
            means.push(mean);
            centred.push(decayed);
        }
        let mean_value = mean(samples);
        let values: Vec<f64> = samples.iter().map(|sample| sample.value - mean_value).collect();
        let sum = |a: &[f64], b: &[f64]| -> f64 {
            samples.iter().zip(a).zip(b).map(|((sample, a), b)| sample.count * a * b).sum()
        };
        let products =
            centred.iter().map(|a: &Vec<f64>| centred.iter().map(|b| sum(a, b)).collect()).collect();
        let with_values = centred.iter().map(|a| sum(a, &values)).collect();
        Self { constants, means, mean_value, products, with_values }
    }

    /// The terms of the best curve with these time constants, and by how much they lessen the sum of squares.
    fn terms(&self, rows: &[usize]) -> Option<(Vec<Term>, f64)> {
        let mut matrix = [[0.0; MOST]; MOST];
        let mut vector = [0.0; MOST];
        for (i, row) in rows.iter().enumerate() {
            *vector.get_mut(i)? = *self.with_values.get(*row)?;
            for (j, other) in rows.iter().enumerate() {
                *matrix.get_mut(i)?.get_mut(j)? = *self.products.get(*row)?.get(*other)?;
            }
        }
        let amplitudes = solve(&matrix, &vector, rows.len())?;
        let gain = amplitudes.iter().zip(vector).map(|(amplitude, product)| amplitude * product).sum();
        let constants = rows.iter().filter_map(|row| self.constants.get(*row));
        let terms = constants.zip(amplitudes).map(|(&constant_s, amplitude)| Term { amplitude, constant_s });
        Some((terms.collect(), gain))
    }
}

/// The best of some choices of the grid's time constants.
fn least(choices: impl Iterator<Item = Vec<usize>>, grid: &Grid<'_>) -> Option<(Vec<Term>, f64)> {
    choices.filter_map(|rows| grid.terms(&rows)).max_by(|(_, a), (_, b)| a.total_cmp(b))
}

/// The curve of the least squares from `start` on: Levenberg–Marquardt (Marquardt 1963, from memory) in limit, amplitudes and ln τ, with Marquardt's scaling. After
/// each step the limit and the amplitudes are the best of the new time constants, which makes it variable projection in Kaufman's form (1975, from memory): along the
/// narrow valley of two time constants that are alike the plain method takes thousands of steps.
pub(super) fn refined(samples: &[Sample], start: &Curve, effort: &Effort) -> Option<Curve> {
    if start.terms.is_empty() {
        return best(samples, 0);
    }
    let (shortest, longest) = range(samples)?;
    let mut curve = projected(samples, start)?;
    let mut squares = curve.squares(samples);
    let mut damping = 1e-3;
    for _ in 0..effort.steps {
        let (matrix, gradient, count) = normal(samples, &curve);
        let mut damped = matrix;
        for (row, line) in damped.iter_mut().enumerate() {
            if let Some(diagonal) = line.get_mut(row) {
                *diagonal *= 1.0 + damping;
            }
        }
        let Some(step) = solve(&damped, &gradient, count) else {
            damping *= 10.0;
            continue;
        };
        let Some(next) = projected(samples, &moved(&curve, &step, shortest, longest)) else {
            damping *= 10.0;
            continue;
        };
        let next_squares = next.squares(samples);
        let change = change(&curve, &next);
        if next_squares <= squares {
            (curve, squares) = (next, next_squares);
            damping = (damping * 0.1).max(1e-12);
        } else {
            damping *= 10.0;
        }
        if change < effort.close || damping > 1e12 {
            break;
        }
    }
    curve.terms.sort_by(|a, b| a.constant_s.total_cmp(&b.constant_s));
    let finite = curve.limit.is_finite() && curve.terms.iter().all(|term| term.amplitude.is_finite());
    (finite && squares.is_finite()).then_some(curve)
}

/// The best limit and amplitudes with the time constants that a curve has.
fn projected(samples: &[Sample], curve: &Curve) -> Option<Curve> {
    let constants: Vec<f64> = curve.terms.iter().map(|term| term.constant_s).collect();
    let rows: Vec<usize> = (0..constants.len()).collect();
    let grid = Grid::new(samples, &constants);
    let (terms, _) = grid.terms(&rows)?;
    let taken: f64 = terms.iter().zip(&grid.means).map(|(term, mean)| term.amplitude * mean).sum();
    Some(Curve { limit: grid.mean_value - taken, terms, origin_s: curve.origin_s })
}

/// JᵀWJ and JᵀWr, and how many parameters they are for: limit, then amplitude and ln τ of each term.
fn normal(samples: &[Sample], curve: &Curve) -> (Matrix, Vector, usize) {
    let count = (1 + 2 * curve.terms.len()).min(MOST);
    let (mut matrix, mut gradient) = ([[0.0; MOST]; MOST], [0.0; MOST]);
    for sample in samples {
        let mut slopes = [0.0; MOST];
        let (limit, rest) = slopes.split_at_mut(1);
        limit.fill(1.0);
        let mut value = curve.limit;
        for (pair, term) in rest.chunks_exact_mut(2).zip(&curve.terms) {
            let times = (sample.t_s - curve.origin_s) / term.constant_s;
            let decayed = (-times).exp();
            value += term.amplitude * decayed;
            pair.copy_from_slice(&[decayed, term.amplitude * decayed * times]);
        }
        for ((line, entry), slope) in matrix.iter_mut().zip(&mut gradient).zip(slopes).take(count) {
            let weighted = sample.count * slope;
            *entry += weighted * (sample.value - value);
            for (cell, other) in line.iter_mut().zip(slopes) {
                *cell += weighted * other;
            }
        }
    }
    (matrix, gradient, count)
}

fn moved(curve: &Curve, step: &Vector, shortest: f64, longest: f64) -> Curve {
    let (limit, rest) = step.split_at(1);
    let moved = |(term, pair): (&Term, &[f64])| {
        let amplitude = term.amplitude + pair.first().copied().unwrap_or_default();
        let stretched = term.constant_s * pair.last().copied().unwrap_or_default().clamp(-2.0, 2.0).exp();
        Term { amplitude, constant_s: stretched.clamp(shortest, longest) }
    };
    Curve {
        origin_s: curve.origin_s,
        limit: curve.limit + limit.iter().sum::<f64>(),
        terms: curve.terms.iter().zip(rest.chunks_exact(2)).map(moved).collect(),
    }
}

/// The largest relative move of any parameter.
fn change(from: &Curve, to: &Curve) -> f64 {
    let apart = |a: f64, b: f64| if a == b { 0.0 } else { ((a - b) / a.abs().max(b.abs())).abs() };
    let terms = from
        .terms
        .iter()
        .zip(&to.terms)
        .map(|(a, b)| apart(a.amplitude, b.amplitude).max(apart(a.constant_s, b.constant_s)));
    terms.fold(apart(from.limit, to.limit), f64::max)
}

/// The solution of a symmetric positive definite system of so many rows, by Cholesky's decomposition of the matrix scaled to a diagonal of ones; nothing where it is
/// none, to rounding.
#[expect(
    clippy::indexing_slicing,
    reason = "rows and columns stay below `count`, which is at most the arrays' size"
)]
fn solve(matrix: &Matrix, vector: &Vector, count: usize) -> Option<Vector> {
    let count = count.min(MOST);
    let mut scales = [0.0; MOST];
    for (row, scale) in scales.iter_mut().enumerate().take(count) {
        let diagonal = matrix[row][row];
        if diagonal.is_nan() || diagonal <= 0.0 {
            return None;
        }
        *scale = diagonal.sqrt().recip();
    }
    let mut root = [[0.0; MOST]; MOST];
    for i in 0..count {
        for j in 0..=i {
            let before: f64 = (0..j).map(|k| root[i][k] * root[j][k]).sum();
            let left = matrix[i][j] * scales[i] * scales[j] - before;
            root[i][j] = if i > j {
                left / root[j][j]
            } else if left > 1e-15 {
                left.sqrt()
            } else {
                return None;
            };
        }
    }
    let mut solution = [0.0; MOST];
    for i in 0..count {
        let before: f64 = (0..i).map(|k| root[i][k] * solution[k]).sum();
        solution[i] = (vector[i] * scales[i] - before) / root[i][i];
    }
    for i in (0..count).rev() {
        let after: f64 = (i + 1..count).map(|k| root[k][i] * solution[k]).sum();
        solution[i] = (solution[i] - after) / root[i][i];
    }
    for (value, scale) in solution.iter_mut().zip(scales) {
        *value *= scale;
    }
    Some(solution)
}
