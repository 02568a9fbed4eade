//! The Allan deviation against NIST SP 1065's tables, and against AllanTools on the same series.

use std::process::Command;

use serde_json::Value;
use settled::drift::allan::Allan;
use settled::drift::night::{Night, Taken};
use settled_protocol::statistics::{Deviation, Noise};

use crate::outside::python;

const REFERENCE: &str = include_str!("../../reference/allan.json");

fn reference() -> Value {
    serde_json::from_str(REFERENCE).unwrap()
}

/// The generator of SP 1065, 12.4: n' = 16807 n mod (2³¹ − 1), from 1234567890.
fn generated(count: usize) -> Vec<f64> {
    let next = |n: &u64| Some(n * 16_807 % 2_147_483_647);
    std::iter::successors(Some(1_234_567_890_u64), next)
        .take(count)
        .map(|n| n as f64 / 2_147_483_647.0)
        .collect()
}

fn deviations(values: &[f64]) -> Vec<settled::drift::allan::Averaged> {
    let mut allan = Allan::default();
    allan.extend(values);
    allan.finish()
}

#[test]
fn the_tables_of_nist_sp_1065_are_reproduced_to_the_printed_digits() {
    let reference = reference();
    let close = |found: f64, printed: &Value| {
        let printed = printed.as_f64().unwrap();
        assert!((found / printed - 1.0).abs() < 1e-6, "{found} is not {printed}");
    };
    let nine = &reference["nbs14_9point"];
    let values: Vec<f64> = nine["data_y"].as_array().unwrap().iter().map(|y| y.as_f64().unwrap()).collect();
    let found = deviations(&values);
    assert_eq!(found.iter().map(|one| (one.m, one.count)).collect::<Vec<_>>(), [(1, 8), (2, 6), (4, 2)]);
    close(found[0].deviation, &nine["published"]["oadev"][0]);
    close(found[1].deviation, &nine["published"]["oadev"][1]);
    let values = generated(1000);
    let published = &reference["published_1000"];
    close(deviations(&values)[0].deviation, &published["oadev"]["1"]);
    // Ten and a hundred are no powers of two: means over so many, one after another, are the plain Allan deviation there.
    for m in [10, 100] {
        let means: Vec<f64> = values.chunks(m).map(|part| part.iter().sum::<f64>() / m as f64).collect();
        close(deviations(&means)[0].deviation, &published["adev"][m.to_string()]);
    }
    let computed = reference["computed_1000"]["oadev"].as_array().unwrap();
    let mut compared = 0;
    for one in deviations(&values) {
        let Some(row) = computed.iter().find(|row| row["m"] == one.m) else { continue };
        assert!((one.deviation / row["dev"].as_f64().unwrap() - 1.0).abs() < 1e-9, "{one:?} {row}");
        assert_eq!(row["n"], one.count);
        compared += 1;
    }
    assert_eq!(compared, 9);
}

#[test]
fn bins_that_come_all_at_once_make_the_same_as_one_after_the_other() {
    // More than are worth another thread, with a beginning and an end of no whole chunk.
    let values = generated(150_000);
    let (head, tail) = values.split_at(300);
    let (mut at_once, mut one_by_one) = (Allan::default(), Allan::default());
    at_once.extend(head);
    at_once.extend(tail);
    values.iter().for_each(|value| one_by_one.push(*value));
    assert_eq!(at_once.finish(), one_by_one.finish());
}

#[test]
fn a_gap_is_compared_across_by_nothing_and_what_was_summed_up_counts_on() {
    let values = generated(5000);
    let (before, after) = values.split_at(1777);
    let mut allan = Allan::default();
    allan.extend(before);
    allan.gap();
    for value in after {
        allan.push(*value);
    }
    let (one, other) = (deviations(before), deviations(after));
    for both in allan.finish() {
        let of = |found: &[settled::drift::allan::Averaged]| {
            let one = found.iter().find(|one| one.m == both.m);
            one.map_or((0.0, 0.0), |one| (one.count as f64, one.count as f64 * one.deviation.powi(2)))
        };
        let (a, b) = (of(&one), of(&other));
        assert_eq!(both.count as f64, a.0 + b.0);
        assert!((both.deviation.powi(2) * (a.0 + b.0) / (a.1 + b.1) - 1.0).abs() < 1e-12, "{both:?}");
    }
}

/// Series whose noise is known, made alike here and there from the generator of SP 1065: white, a random walk, and a drift in white
/// noise. What AllanTools says of them, and of the intervals: `edf_greenhall`, χ² by SciPy.
const ALLANTOOLS: &str = r#"
import json, sys
import numpy as np, allantools
from allantools import ci
from scipy.stats import chi2
state, y = 1234567890, []
for _ in range(50000):
    y.append(state / 2147483647)
    state = state * 16807 % 2147483647
y = np.array(y) - 0.5
n = np.arange(len(y))
answer = {}
for name, alpha, series in [("white", 0, y), ("walk", -2, np.cumsum(y)), ("drift", 0, 100 + y + 1e-3 * n), ("phase", 2, np.diff(y))]:
    tau, deviation, _, count = allantools.oadev(series, rate=1.0, data_type="freq", taus="octave")
    rows = []
    for m, d, c in zip(tau.astype(int), deviation, count):
        try:
            edf = ci.edf_greenhall(alpha=alpha, d=2, m=int(m), N=len(series) + 1, overlapping=True, modified=False)
        except NotImplementedError:
            # White phase noise at the longest times.
            edf = float("nan")
        ends = [None if np.isnan(edf) else d * (edf / chi2.ppf(p, edf)) ** 0.5 for p in (0.975, 0.025)]
        rows.append([int(m), d, int(c), *ends])
    answer[name] = rows
json.dump(answer, sys.stdout)
"#;

/// A series as a night of one reading a second.
fn night(values: impl Iterator<Item = f64>) -> Vec<Deviation> {
    let mut night = Night::new(1.0);
    for (second, value) in values.enumerate() {
        night.push(&Taken { elapsed_s: second as f64 + 0.5, value, ..Taken::default() });
    }
    night.finish(0.0, true).value.unwrap().series.allan
}

#[test]
fn allantools_says_the_same_of_the_same_series_and_its_intervals_are_alike() {
    let output = Command::new(python()).args(["-c", ALLANTOOLS]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    let y: Vec<f64> = generated(50_000).iter().map(|y| y - 0.5).collect();
    let walk = y.iter().scan(0.0, |sum, y| {
        *sum += y;
        Some(*sum)
    });
    let drift = y.iter().enumerate().map(|(n, y)| 100.0 + y + 1e-3 * n as f64);
    for (name, found, noise) in [
        ("white", night(y.iter().copied()), Noise::White),
        ("walk", night(walk), Noise::RandomWalk),
        ("drift", night(drift), Noise::White),
        ("phase", night(y.windows(2).map(|pair| pair[1] - pair[0])), Noise::Phase),
    ] {
        let rows = answer[name].as_array().unwrap();
        assert!(rows.len() >= 13, "{name}: {rows:?}");
        for (row, one) in rows.iter().zip(&found) {
            let [m, deviation, count, low, high] = <[f64; 5]>::try_from(
                row.as_array()
                    .unwrap()
                    .iter()
                    .map(|cell| cell.as_f64().unwrap_or(f64::NAN))
                    .collect::<Vec<_>>(),
            )
            .unwrap();
            assert_eq!((one.tau_s, one.count as f64), (m, count), "{name}");
            assert!((one.deviation / deviation - 1.0).abs() < 1e-9, "{name}: {one:?} is not {deviation}");
            // Of the same kind of noise, the same interval: AllanTools fits straight lines where we sum up the whole. The kind is
            // told for as long as thirty means are left, and may be another where there are few.
            if one.noise == noise && m <= 500.0 && low.is_finite() {
                let off = (one.low / low - 1.0).abs().max((one.high / high - 1.0).abs());
                assert!(off < 0.01, "{name} at {m}: {one:?}, not {low} to {high}");
            }
        }
        assert!(found.iter().take(5).all(|one| one.noise == noise), "{name}: {found:?}");
    }
}
