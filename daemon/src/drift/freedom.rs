//! How sure an Allan deviation is: equivalent degrees of freedom by the kind of noise.
//!
//! Greenhall & Riley, "Uncertainty of stability variances based on finite differences", PTTI 2003; NIST SP 1065, 5.4.1, for the
//! overlapping Allan variance: second differences (d = 2), unmodified (F = m), a stride of S = m. Formulas from memory; compared
//! with the algorithm of the same name in AllanTools.

/// Averaging factors above this are taken for this, with as much fewer bins: what counts is how many averaging times there are
/// in the whole (exact but for rounding for α ≤ 0; for phase noise the interval becomes wider than it need be).
const MOST: usize = 256;

/// From this many bins on a filter is as good as one of infinitely many (Greenhall & Riley).
const MANY: usize = 100;

/// Equivalent degrees of freedom, at least 1, of the overlapping Allan variance at `m` bins, which is the mean of `count`
/// squares, under noise of the power `alpha` (2 to −4).
pub(super) fn freedom(m: usize, count: u64, alpha: i32) -> f64 {
    let (m, terms) = if m > MOST {
        (MOST, (count as f64 * MOST as f64 / m as f64).round().max(1.0))
    } else {
        (m, count as f64)
    };
    let stride = m as f64;
    // Squares in units of the stride.
    let ratio = terms / stride;
    let inverse = if alpha >= 2 {
        white_phase(terms, ratio)
    } else {
        let filter = if alpha <= 0 && 3 * m > MANY { None } else { Some(stride) };
        let reach = terms.min(3.0 * stride).ceil();
        basic_sum(reach as u32, terms, stride, filter, alpha) / (sz(0.0, filter, alpha).powi(2) * terms)
    };
    (1.0 / inverse).max(1.0)
}

/// White phase noise, in closed form, d = 2.
fn white_phase(terms: f64, ratio: f64) -> f64 {
    let whole = ratio.ceil();
    if whole <= 2.0 {
        // 2/C(4,2)² Σ (1 − k/r) C(4,2−k)², k from 1 to K − 1.
        let sum = if whole > 1.0 { (1.0 - 1.0 / ratio) * 16.0 } else { 0.0 };
        return (1.0 + 2.0 / 36.0 * sum) / terms;
    }
    // a0 = C(8,4)/C(4,2)², a1 = d/2.
    (70.0 / 36.0 - 1.0 / ratio) / terms
}

fn basic_sum(reach: u32, terms: f64, stride: f64, filter: Option<f64>, alpha: i32) -> f64 {
    let at = |j: f64| sz(j / stride, filter, alpha).powi(2);
    let last = f64::from(reach);
    let between: f64 = (1..reach).map(f64::from).map(|j| (1.0 - j / terms) * at(j)).sum();
    at(0.0) + 2.0 * between + (1.0 - last / terms) * at(last)
}

/// The autocovariance of second differences.
fn sz(t: f64, filter: Option<f64>, alpha: i32) -> f64 {
    let sx = |t| sx(t, filter, alpha);
    6.0 * sx(t) - 4.0 * (sx(t - 1.0) + sx(t + 1.0)) + sx(t - 2.0) + sx(t + 2.0)
}

/// That of filtered phases, up to what second differences take away.
fn sx(t: f64, filter: Option<f64>, alpha: i32) -> f64 {
    match filter {
        None => sw(t, alpha + 2),
        Some(filter) => {
            filter * filter * (2.0 * sw(t, alpha) - sw(t - 1.0 / filter, alpha) - sw(t + 1.0 / filter, alpha))
        }
    }
}

/// That of the phase's noise, generalised.
fn sw(t: f64, alpha: i32) -> f64 {
    let t = t.abs();
    let log = |power: i32| if t > 0.0 { t.powi(power) * t.ln() } else { 0.0 };
    match alpha {
        2.. => -t,
        1 => log(2),
        0 => t.powi(3),
        -1 => -log(4),
        -2 => -t.powi(5),
        -3 => log(6),
        _ => t.powi(7),
    }
}
